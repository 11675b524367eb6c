"""Several lots made one even mixture, which several queens share: made, taken back, and true to its parts."""

import datetime as dt
import uuid
from collections.abc import Iterable, Mapping

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from breeding.models import Queen
from breeding.services.matings import Share, semen_batch_correct, semen_batch_make, semen_batch_withdraw
from scheduling.models import BenchSession, LotMovement, LotState, MovementKind, SemenLot
from scheduling.planning.semen import add_up, semen_of_dose
from scheduling.queries.lots import LotView, lot_view, semen_by_drone_queen, sources_of_lot
from scheduling.queries.season import settings_of
from scheduling.queries.words import volume_words
from scheduling.services.bench_guard import local_day, locked_running, refuse_ended, refuse_old_lot, refuse_source
from scheduling.services.lots import lot_move
from scheduling.services.tips import tip_in_holder, tip_named, tip_refuse_of_others

MIXED = [MovementKind.MIXED_IN, MovementKind.MIXED_OUT]


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
    tip = tip_named(tip)
    with transaction.atomic():
        session = locked_running(session)
        known = SemenLot.objects.filter(entry=entry).first()
        if known is not None:
            return known
        tip_refuse_of_others(session, tip)
        views = {lot.pk: lot_view(lot) for lot in parts}
        for lot, volume in parts.items():
            _refuse_part(views[lot.pk], volume, session)
        mixture = _mixture_write(session, parts, views, tip=tip, entry=entry, by=by, now=now)
        tip_in_holder(session, tip)
        audit_record(
            mixture,
            action="lot.mix",
            by=by,
            now=now,
            cooperative=session.season.cooperative,
            after={"parts": {str(lot): volume for lot, volume in parts.items()}},
        )
    return mixture


def _refuse_part(view: LotView, volume_tenths: int, session: BenchSession) -> None:
    """The rules of a dose: enough in it, no source under hold, not past its limit."""
    refuse_ended(view.lot)
    if not 0 < volume_tenths <= view.free:
        raise Refusal(
            _("%(lot)s holds %(left)s. Enter more than 0 and not more than that.")
            % {"lot": view.lot, "left": volume_words(max(0, view.free))},
            field="lots",
            rule="lot_holds_less",
        )
    for source in sources_of_lot(view.lot):
        refuse_source(source, day=session.day)
    refuse_old_lot(view.lot, day=session.day, settings=settings_of(session.season))


def _mixture_write(
    session: BenchSession,
    parts: Mapping[SemenLot, int],
    views: Mapping[int, LotView],
    *,
    tip: str,
    entry: uuid.UUID,
    by: Person,
    now: dt.datetime,
) -> SemenLot:
    label = f"{session.day:%d%m}-M{SemenLot.objects.filter(session=session).count() + 1}"
    batch = semen_batch_make(
        session.season.cooperative,
        label=f"{session.bench} {session.day:%Y}-{label}",
        shares=_shares(parts, views),
        made_on=local_day(now, session),
        by=by,
        now=now,
    )
    mixture = SemenLot.objects.create(
        session=session, label=label, tip=tip, opened_at=now, opened_by=by, semen_batch=batch, entry=entry
    )
    for lot, volume in parts.items():
        lot_move(lot, MovementKind.MIXED_OUT, volume, other=mixture, by=by, now=now)
        lot_move(mixture, MovementKind.MIXED_IN, volume, other=lot, by=by, now=now)
    return mixture


def mixture_take_back(mixture: SemenLot, *, by: Person, now: dt.datetime) -> None:
    """It was not mixed after all: each part is back in its lot. Refused once any of it was used.

    Within the caller's transaction, with the session locked. The tip stays one that has touched several.
    """
    view = lot_view(mixture)
    if mixture.semen_batch is None or mixture.state == LotState.DISCARDED:
        return
    if view.left != view.balance.mixed_in or view.balance.stored or view.balance.collected:
        raise Refusal(
            _("Of %(lot)s something was given, read or taken out already. Take that back first.") % {"lot": mixture},
            rule="mixture_in_use",
        )
    into = mixture.movements.filter(kind=MovementKind.MIXED_IN, undone_at__isnull=True)
    before = {str(row.other_lot): row.volume_tenths for row in into.select_related("other_lot")}
    into.update(undone_at=now)
    LotMovement.objects.filter(other_lot=mixture, kind=MovementKind.MIXED_OUT, undone_at__isnull=True).update(
        undone_at=now
    )
    batch = mixture.semen_batch
    mixture.semen_batch, mixture.state = None, LotState.DISCARDED
    mixture.save(update_fields=["semen_batch", "state"])
    semen_batch_withdraw(batch, by=by, now=now)
    audit_record(
        mixture,
        action="lot.undo",
        by=by,
        now=now,
        cooperative=mixture.session.season.cooperative,
        before={"parts": before},
    )


def mixtures_follow(mixtures: Iterable[SemenLot], *, by: Person, now: dt.datetime) -> None:
    """Mixtures, and what was made of them, have the shares that their parts have by now."""
    for mixture in mixtures:
        if mixture.semen_batch is not None:
            semen_batch_correct(mixture.semen_batch, shares=_shares_by_now(mixture), by=by, now=now)
            mixtures_follow(mixtures_of(mixture), by=by, now=now)


def mixtures_of(lot: SemenLot) -> list[SemenLot]:
    """Mixtures that some of this lot went into."""
    into = LotMovement.objects.filter(other_lot=lot, kind=MovementKind.MIXED_IN, undone_at__isnull=True).values("lot")
    return list(SemenLot.objects.filter(pk__in=into).select_related("semen_batch__cooperative"))


def _shares_by_now(mixture: SemenLot) -> list[Share]:
    rows = mixture.movements.filter(kind=MovementKind.MIXED_IN, undone_at__isnull=True).select_related("other_lot")
    parts = {row.other_lot: row.volume_tenths for row in rows if row.other_lot is not None}
    return _shares(parts, {lot.pk: lot_view(lot) for lot in parts})


def _shares(parts: Mapping[SemenLot, int], views: Mapping[int, LotView]) -> list[Share]:
    semen = add_up([semen_of_dose(volume, semen_by_drone_queen(views[lot.pk])) for lot, volume in parts.items()])
    queens = Queen.objects.in_bulk(semen)
    return [Share(queens[pk], volume_tenths=part.volume, drones=part.drones) for pk, part in semen.items()]
