"""Semen lots at the bench: opened, tallied, read, stored, thrown away."""

import datetime as dt
import uuid
from collections.abc import Iterable, Mapping

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record, fields_of
from scheduling.models import (
    BenchSession,
    DroneSource,
    DroneTally,
    LotMovement,
    LotPart,
    LotState,
    MovementKind,
    SemenLot,
    SessionState,
    TallyOutcome,
)
from scheduling.queries.bench import drone_ages
from scheduling.queries.lots import lot_view
from scheduling.queries.words import volume_words
from scheduling.services.bench_guard import local_day, locked_running, refuse_ended, refuse_source
from scheduling.services.store_reminders import reminders_refresh_lot
from scheduling.services.tips import tip_in_holder, tip_named, tip_refuse_of_others

MOST_DRONES = 2000
MOST_TENTHS = 10_000  # a millilitre: more than any lot by far; stops a slip of the point


def lot_open(
    session: BenchSession,
    *,
    source: DroneSource | None = None,
    parts: Mapping[DroneSource, int] | None = None,
    tip: str,
    by: Person,
    now: dt.datetime,
    entry: uuid.UUID | None = None,
) -> SemenLot:
    """Open a lot of one source, or of a pool: `parts`, drones of each, and the semen is split like them.

    Another source, and every pool, needs another tip, or the old one cleaned (a new tip name).
    """
    entry = entry or uuid.uuid4()
    tip = tip_named(tip)
    sources = [source] if source is not None else list(parts or {})
    with transaction.atomic():
        session = locked_running(session)
        known = SemenLot.objects.filter(entry=entry).first()
        if known is not None:
            return known
        if source is None:
            _refuse_pool(parts or {})
        for one in sources:
            if one.season_id != session.season_id or one.withdrawn_at is not None:
                raise Refusal(
                    _("%(source)s is not offered this season.") % {"source": one}, field="source", rule="source_unknown"
                )
            refuse_source(one, day=session.day)
        tip_refuse_of_others(session, tip, source=source)
        youngest, oldest = ages_of_drones(sources, session)
        number = SemenLot.objects.filter(session=session).count() + 1
        lot = SemenLot.objects.create(
            session=session,
            source=source,
            label=f"{session.day:%d%m}-{source.letter if source is not None else 'P'}{number}",
            tip=tip,
            drones_from_days=youngest,
            drones_to_days=oldest,
            opened_at=now,
            opened_by=by,
            entry=entry,
        )
        if source is None:
            lot_parts_write(lot, parts or {})
        tip_in_holder(session, tip, source=source)
        audit_record(
            lot,
            action="lot.open",
            by=by,
            now=now,
            cooperative=session.season.cooperative,
            after={
                **fields_of(lot, ["source", "tip", "drones_from_days", "drones_to_days"]),
                **({"pool": {str(one): drones for one, drones in parts.items()}} if parts else {}),
            },
        )
    return lot


def lot_parts_write(lot: SemenLot, parts: Mapping[DroneSource, int]) -> None:
    """Drones of each source that a pool is put together of. Within the caller's transaction."""
    LotPart.objects.bulk_create(
        LotPart(lot=lot, source=source, drones=drones)
        for source, drones in sorted(parts.items(), key=lambda part: part[0].letter)
    )


def ages_of_drones(sources: Iterable[DroneSource], session: BenchSession) -> tuple[int | None, int | None]:
    """Youngest and oldest drones of all these sources at a session, in days; None where no cohort of them is ripe."""
    ages = [drone_ages(source, session) for source in sources]
    return (
        min((young for young, _old in ages if young is not None), default=None),
        max((old for _young, old in ages if old is not None), default=None),
    )


def _refuse_pool(parts: Mapping[DroneSource, int]) -> None:
    if len(parts) < 2:
        raise Refusal(_("A pool has drones of at least two sources."), field="tip", rule="pool_of_two")
    if not all(1 <= drones <= MOST_DRONES for drones in parts.values()):
        raise Refusal(_("Enter 1 to 2000 drones of each source."), rule="pool_drones")


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
        lot = SemenLot.objects.get(pk=lot.pk)
        refuse_ended(lot)
        if lot.semen_batch_id is not None:
            raise Refusal(
                _("%(lot)s is a mixture. Put the tip of the lot these drones belong to into the holder first.")
                % {"lot": lot},
                field="lot",
                rule="mixture_without_drones",
            )
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
        refuse_ended(lot)
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
        return lot_move(lot, MovementKind.COLLECTED, volume_tenths - left, by=by, now=now, entry=entry)


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
    """Discarded or lost (with the reason), or stored. What is stored can be discarded or lost at any time."""
    if kind not in {MovementKind.DISCARDED, MovementKind.LOST, MovementKind.STORED}:
        raise ValueError(f"kind: {kind}")
    with transaction.atomic():
        _locked_for_taking_out(lot, kind)
        lot = SemenLot.objects.select_related("session__season__cooperative").get(pk=lot.pk)
        known = LotMovement.objects.filter(entry=entry).first() if entry else None
        if known is not None:
            return known
        refuse_ended(lot)
        view = lot_view(lot)
        if volume_tenths < 1:
            raise Refusal(_("Enter a volume above 0 µl."), field="volume")
        free = view.balance.unexplained if kind == MovementKind.STORED else view.free
        if volume_tenths > free:
            raise Refusal(
                _("%(lot)s holds %(left)s by the record. Enter that or less.")
                % {"lot": lot, "left": volume_words(max(0, free))},
                field="volume",
                rule="lot_holds_less",
            )
        if kind != MovementKind.STORED and not reason.strip():
            raise Refusal(_("Say why, in a few words."), field="reason", rule="movement_says_why")
        movement = lot_move(lot, kind, volume_tenths, reason=reason.strip(), by=by, now=now, entry=entry)
        if kind == MovementKind.STORED:
            lot.state, lot.storage_note = LotState.STORED, reason.strip()[:120]
            lot.save(update_fields=["state", "storage_note"])
        elif lot.state == LotState.STORED and volume_tenths == free:
            lot.state = LotState.DISCARDED
            lot.save(update_fields=["state"])
        reminders_refresh_lot(lot, now=now, by=by)
    return movement


def lot_viability(lot: SemenLot, *, percent: int, checked_on: dt.date, by: Person, now: dt.datetime) -> SemenLot:
    """The result of a viability test: it lifts the limit of stored semen. Another result takes its place."""
    if not 0 <= percent <= 100:
        raise Refusal(_("Enter 0 to 100 per cent."), field="percent")
    with transaction.atomic():
        lot = (
            SemenLot.objects.select_for_update(of=("self",))
            .select_related("session__season__cooperative")
            .get(pk=lot.pk)
        )
        refuse_ended(lot)
        if not local_day(lot.opened_at, lot.session) <= checked_on <= local_day(now, lot.session):
            raise Refusal(_("Enter a day since the semen was collected, not after today."), field="checked_on")
        facts = ["viability_checked_on", "viability_percent"]
        before = fields_of(lot, facts)
        lot.viability_checked_on, lot.viability_percent = checked_on, percent
        lot.save(update_fields=facts)
        audit_record(
            lot,
            action="lot.viability",
            by=by,
            now=now,
            cooperative=lot.session.season.cooperative,
            before=before,
            after=fields_of(lot, facts),
        )
        reminders_refresh_lot(lot, now=now, by=by)
    return lot


def _locked_for_taking_out(lot: SemenLot, kind: str) -> None:
    """A running session's row is locked; of one that is closed the stored lots may still be thrown away."""
    fresh = SemenLot.objects.select_related("session").get(pk=lot.pk)
    stored = fresh.state == LotState.STORED and fresh.session.state == SessionState.CLOSED
    if stored and kind != MovementKind.STORED:
        BenchSession.objects.select_for_update(of=("self",)).get(pk=fresh.session_id)
    else:
        locked_running(lot.session)


def lot_move(
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
    """A volume into or out of a lot, with its audit row. Within the caller's transaction."""
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
