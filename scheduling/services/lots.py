"""Semen lots at the bench: opened, tallied, read, mixed, stored, thrown away."""

import datetime as dt
import uuid
from collections.abc import Mapping

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record, fields_of
from breeding.models import Queen
from breeding.services.matings import Share, semen_batch_make
from scheduling.models import (
    BenchSession,
    DroneSource,
    DroneTally,
    LotMovement,
    LotState,
    MovementKind,
    SemenLot,
    TallyOutcome,
)
from scheduling.planning.semen import add_up, semen_of_dose
from scheduling.queries.bench import LotView, drone_ages, lot_view, semen_by_drone_queen
from scheduling.queries.words import volume_words
from scheduling.services.bench_guard import local_day, locked_running, refuse_source
from scheduling.services.store_reminders import reminders_refresh_lot

MOST_TENTHS = 10_000  # a millilitre: more than any lot by far; stops a slip of the point


def lot_open(
    session: BenchSession,
    *,
    source: DroneSource,
    tip: str,
    by: Person,
    now: dt.datetime,
    entry: uuid.UUID | None = None,
) -> SemenLot:
    """Open a lot of one source. Another source needs another tip, or the old one cleaned (a new tip name)."""
    entry = entry or uuid.uuid4()
    tip = " ".join(tip.split())
    if not tip:
        raise Refusal(_("Name the tip, for example T1."), field="tip", rule="tip_named")
    with transaction.atomic():
        session = locked_running(session)
        known = SemenLot.objects.filter(entry=entry).first()
        if known is not None:
            return known
        if source.season_id != session.season_id or source.withdrawn_at is not None:
            raise Refusal(_("%(source)s is not offered this season.") % {"source": source}, field="source")
        refuse_source(source, day=session.day)
        _refuse_old_tip(session, source, tip)
        youngest, oldest = drone_ages(source, session)
        number = SemenLot.objects.filter(session=session).count() + 1
        lot = SemenLot.objects.create(
            session=session,
            source=source,
            label=f"{session.day:%d%m}-{source.letter}{number}",
            tip=tip,
            drones_from_days=youngest,
            drones_to_days=oldest,
            opened_at=now,
            opened_by=by,
            entry=entry,
        )
        session.current_tip, session.current_tip_source = tip, source
        session.save(update_fields=["current_tip", "current_tip_source"])
        audit_record(
            lot,
            action="lot.open",
            by=by,
            now=now,
            cooperative=session.season.cooperative,
            after=fields_of(lot, ["source", "tip", "drones_from_days", "drones_to_days"]),
        )
    return lot


def lot_tally(
    lot: SemenLot,
    *,
    outcome: str,
    drones: int = 1,
    by: Person,
    now: dt.datetime,
    entry: uuid.UUID | None = None,
) -> DroneTally:
    """One tap at the bench. The same entry sent twice is kept once."""
    if outcome not in TallyOutcome.values:
        raise Refusal(_("Choose what the drone gave."), field="outcome")
    if not 1 <= drones <= 200:
        raise Refusal(_("Enter 1 to 200 drones at a time."), field="drones")
    with transaction.atomic():
        locked_running(lot.session)
        _refuse_ended(SemenLot.objects.get(pk=lot.pk))
        tally, _made = DroneTally.objects.get_or_create(
            entry=entry or uuid.uuid4(),
            defaults={"lot": lot, "outcome": outcome, "drones": drones, "at": now, "by": by},
        )
    return tally


def lot_tally_undo(lot: SemenLot, *, by: Person, now: dt.datetime) -> DroneTally | None:
    """Take the last tap back; it stays on record as taken back."""
    with transaction.atomic():
        locked_running(lot.session)
        last = lot.tallies.filter(undone_at__isnull=True).order_by("-at", "-pk").first()
        if last is None:
            return None
        last.undone_at = now
        last.save(update_fields=["undone_at"])
    return last


def lot_read(
    lot: SemenLot, *, volume_tenths: int, by: Person, now: dt.datetime, entry: uuid.UUID | None = None
) -> LotMovement | None:
    """The syringe shows so much in all: what is above the last reading was collected since.

    None when nothing came in. A reading below what was collected so far is a loss, and asks for its reason.
    """
    with transaction.atomic():
        locked_running(lot.session)
        lot = SemenLot.objects.select_related("session__season__cooperative").get(pk=lot.pk)
        _refuse_ended(lot)
        known = LotMovement.objects.filter(entry=entry).first() if entry else None
        if known is not None:
            return known
        left = lot_view(lot).left
        if not 0 <= volume_tenths <= MOST_TENTHS:
            raise Refusal(_("Enter the volume that the syringe shows, in µl."), field="volume")
        if volume_tenths < left:
            raise Refusal(
                _("By the record there should be %(left)s, %(less)s more. Enter the difference as lost or discarded.")
                % {"left": volume_words(left), "less": volume_words(left - volume_tenths)},
                field="volume",
                rule="reading_below_record",
            )
        if volume_tenths == left:
            return None
        return _move(lot, MovementKind.COLLECTED, volume_tenths - left, by=by, now=now, entry=entry)


def lot_take_out(
    lot: SemenLot,
    *,
    kind: str,
    volume_tenths: int,
    reason: str = "",
    by: Person,
    now: dt.datetime,
    entry: uuid.UUID | None = None,
) -> LotMovement:
    """Discarded or lost (with the reason), or stored."""
    if kind not in {MovementKind.DISCARDED, MovementKind.LOST, MovementKind.STORED}:
        raise ValueError(f"kind: {kind}")
    with transaction.atomic():
        locked_running(lot.session)
        lot = SemenLot.objects.select_related("session__season__cooperative").get(pk=lot.pk)
        known = LotMovement.objects.filter(entry=entry).first() if entry else None
        if known is not None:
            return known
        _refuse_ended(lot)
        view = lot_view(lot)
        if volume_tenths < 1:
            raise Refusal(_("Enter a volume above 0 µl."), field="volume")
        if volume_tenths > view.balance.unexplained:
            raise Refusal(
                _("%(lot)s holds %(left)s by the record. Enter that or less.")
                % {"lot": lot, "left": volume_words(max(0, view.balance.unexplained))},
                field="volume",
                rule="lot_holds_less",
            )
        if kind != MovementKind.STORED and not reason.strip():
            raise Refusal(_("Say why, in a few words."), field="reason", rule="movement_says_why")
        movement = _move(lot, kind, volume_tenths, reason=reason.strip(), by=by, now=now, entry=entry)
        if kind == MovementKind.STORED:
            lot.state, lot.storage_note = LotState.STORED, reason.strip()[:120]
            lot.save(update_fields=["state", "storage_note"])
        reminders_refresh_lot(lot, now=now, by=by)
    return movement


def lots_mix(
    session: BenchSession,
    *,
    parts: Mapping[SemenLot, int],
    tip: str,
    by: Person,
    now: dt.datetime,
    entry: uuid.UUID | None = None,
) -> SemenLot:
    """Homogenise volumes (tenths) of several lots into one mixture that several queens share. Sent twice: made once."""
    entry = entry or uuid.uuid4()
    if len(parts) < 2:
        raise Refusal(_("A mixture needs at least two lots."), field="lots", rule="mixture_of_two")
    if not tip.strip():
        raise Refusal(_("Name the new tip of the mixture."), field="tip", rule="tip_named")
    with transaction.atomic():
        session = locked_running(session)
        known = SemenLot.objects.filter(entry=entry).first()
        if known is not None:
            return known
        views = {lot.pk: lot_view(lot) for lot in parts}
        for lot, volume in parts.items():
            _refuse_ended(lot)
            if not 0 < volume <= views[lot.pk].balance.unexplained:
                raise Refusal(
                    _("%(lot)s holds %(left)s. Enter more than 0 and not more than that.")
                    % {"lot": lot, "left": volume_words(views[lot.pk].balance.unexplained)},
                    field="lots",
                    rule="lot_holds_less",
                )
            if lot.source is not None:
                refuse_source(lot.source, day=session.day)
        number = SemenLot.objects.filter(session=session).count() + 1
        label = f"{session.day:%d%m}-M{number}"
        batch = semen_batch_make(
            session.season.cooperative,
            label=f"{session.bench} {session.day:%Y}-{label}",
            shares=_mixture(parts, views),
            made_on=local_day(now, session),
            by=by,
            now=now,
        )
        mixture = SemenLot.objects.create(
            session=session, label=label, tip=tip.strip(), opened_at=now, opened_by=by, semen_batch=batch, entry=entry
        )
        for lot, volume in parts.items():
            _move(lot, MovementKind.MIXED_OUT, volume, other=mixture, by=by, now=now)
            _move(mixture, MovementKind.MIXED_IN, volume, other=lot, by=by, now=now)
        session.current_tip, session.current_tip_source = mixture.tip, None
        session.save(update_fields=["current_tip", "current_tip_source"])
        audit_record(
            mixture,
            action="lot.mix",
            by=by,
            now=now,
            cooperative=session.season.cooperative,
            after={"parts": {str(lot): volume for lot, volume in parts.items()}},
        )
    return mixture


def _mixture(parts: Mapping[SemenLot, int], views: Mapping[int, LotView]) -> list[Share]:
    semen = add_up([semen_of_dose(volume, semen_by_drone_queen(views[lot.pk])) for lot, volume in parts.items()])
    queens = Queen.objects.in_bulk(semen)
    return [Share(queens[pk], volume_tenths=part.volume, drones=part.drones) for pk, part in semen.items()]


def _refuse_old_tip(session: BenchSession, source: DroneSource, tip: str) -> None:
    used_by = (
        SemenLot.objects.filter(session=session, tip__iexact=tip).exclude(source=source).order_by("-opened_at").first()
    )
    if used_by is not None:
        raise Refusal(
            _("Tip %(tip)s has touched semen of %(other)s. Take a new or cleaned tip for %(source)s and name it.")
            % {"tip": tip, "other": used_by.source or used_by, "source": source},
            field="tip",
            rule="tip_of_other_source",
        )


def _refuse_ended(lot: SemenLot) -> None:
    if lot.state in {LotState.USED_UP, LotState.DISCARDED}:
        raise Refusal(_("%(lot)s is used up.") % {"lot": lot}, field="lot", rule="lot_ended")


def _move(
    lot: SemenLot,
    kind: str,
    volume_tenths: int,
    *,
    reason: str = "",
    other: SemenLot | None = None,
    by: Person,
    now: dt.datetime,
    entry: uuid.UUID | None = None,
) -> LotMovement:
    movement = LotMovement.objects.create(
        lot=lot,
        kind=kind,
        volume_tenths=volume_tenths,
        other_lot=other,
        reason=reason,
        at=now,
        by=by,
        entry=entry or uuid.uuid4(),
    )
    audit_record(
        lot,
        action=f"lot.{kind}",
        by=by,
        now=now,
        cooperative=lot.session.season.cooperative,
        after={"volume_tenths": volume_tenths, "reason": reason},
    )
    return movement
