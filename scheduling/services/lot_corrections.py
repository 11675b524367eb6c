"""Corrections of what a lot of a closed session is: its source, its tip, the parts of a mixture.

As the others, each says what was: the earlier rows stay, marked, or stand in the audit row with the reason. A hold or
a certificate that ran out does not stand in the way, and her dose stays on record with the source it really was of.
"""

import datetime as dt
from collections.abc import Mapping

from django.utils.translation import gettext as _

from accounts.models import Person
from accounts.refusals import Refusal
from scheduling.models import BenchSession, Dose, DroneSource, LotMovement, MovementKind, SemenLot, TipChange
from scheduling.queries.lots import lot_view
from scheduling.queries.trace import lots_with_mixtures
from scheduling.queries.words import volume_words
from scheduling.services.bench_correct import Change, session_correct
from scheduling.services.lots import ages_of_drones, lot_move
from scheduling.services.mixtures import mixtures_follow, mixtures_of
from scheduling.services.semen_news import other_source_told
from scheduling.services.tips import tip_named, tip_refuse_of_others


def lot_source_correct(
    lot: SemenLot, *, source: DroneSource, reason: str, by: Person, now: dt.datetime
) -> BenchSession:
    """Of which source a lot really was. Its doses, drones, mixtures, matings and second doses follow,
    and whose queens got another source than planned are told.

    Its label stays: it is what stands on the syringe and in the store.
    """

    def act(session: BenchSession) -> Change:
        fresh = SemenLot.objects.select_related("source").get(pk=lot.pk)
        before = fresh.source
        if before is None:
            raise Refusal(_("%(lot)s is of several sources.") % {"lot": lot}, field="lot", rule="lot_not_single")
        if source.season_id != session.season_id:
            raise Refusal(
                _("%(source)s is not offered this season.") % {"source": source}, field="source", rule="source_unknown"
            )
        fresh.source = source
        fresh.drones_from_days, fresh.drones_to_days = ages_of_drones([source], session)
        fresh.save(update_fields=["source", "drones_from_days", "drones_to_days"])
        mixtures_follow(mixtures_of(fresh), by=by, now=now)
        for dose in Dose.objects.filter(lot__in=lots_with_mixtures({fresh.pk}), undone_at__isnull=True):
            other_source_told(dose, why=reason.strip(), by=by, now=now)
        return Change(_("Source of %(lot)s") % {"lot": lot}, str(before), str(source))

    return session_correct(lot.session, reason=reason, act=act, by=by, now=now)


def tip_correct(
    lot: SemenLot, *, change: TipChange | None, tip: str, reason: str, by: Person, now: dt.datetime
) -> BenchSession:
    """Which tip a lot was collected with, or got later at the bench (`change`). One of another source is refused."""

    def act(session: BenchSession) -> Change:
        fresh = SemenLot.objects.select_related("source").get(pk=lot.pk)
        row = SemenLot.objects.get(pk=lot.pk) if change is None else TipChange.objects.get(pk=change.pk)
        before, row.tip = row.tip, tip_named(tip)
        tip_refuse_of_others(session, row.tip, lot=fresh)
        row.save(update_fields=["tip"])
        return Change(_("Tip of %(lot)s") % {"lot": lot}, before, row.tip)

    return session_correct(lot.session if change is None else change.session, reason=reason, act=act, by=by, now=now)


def mixture_correct(
    mixture: SemenLot, *, parts: Mapping[SemenLot, int], reason: str, by: Person, now: dt.datetime
) -> BenchSession:
    """How much of which lots a mixture really was made of, in tenths of a µl. Shares, matings, both balances follow."""
    if len(parts) < 2:
        raise Refusal(_("A mixture needs at least two lots."), field="lot", rule="mixture_of_two")

    def act(session: BenchSession) -> Change:
        fresh = SemenLot.objects.select_related("semen_batch").get(pk=mixture.pk)
        if fresh.semen_batch is None:
            raise Refusal(_("%(lot)s is no mixture.") % {"lot": mixture}, field="lot", rule="lot_not_mixture")
        rows = list(
            fresh.movements.filter(kind=MovementKind.MIXED_IN, undone_at__isnull=True).select_related("other_lot")
        )
        before = {row.other_lot: row.volume_tenths for row in rows if row.other_lot is not None}
        at = min((row.at for row in rows), default=fresh.opened_at)
        out = LotMovement.objects.filter(other_lot=fresh, kind=MovementKind.MIXED_OUT, undone_at__isnull=True)
        (out | LotMovement.objects.filter(pk__in=[row.pk for row in rows])).update(undone_at=now)
        for lot, volume in parts.items():
            _refuse_part(lot, volume, fresh)
            lot_move(lot, MovementKind.MIXED_OUT, volume, other=fresh, by=by, now=at)
            lot_move(fresh, MovementKind.MIXED_IN, volume, other=lot, by=by, now=at)
        _refuse_more_used(fresh)
        mixtures_follow([fresh], by=by, now=now)
        return Change(str(fresh), _parts_words(before), _parts_words(parts))

    return session_correct(mixture.session, reason=reason, act=act, by=by, now=now)


def _refuse_part(lot: SemenLot, volume_tenths: int, mixture: SemenLot) -> None:
    if (lot.opened_at, lot.pk) >= (mixture.opened_at, mixture.pk):
        raise Refusal(
            _("%(lot)s was opened after %(mixture)s.") % {"lot": lot, "mixture": mixture},
            field=f"lot{lot.pk}",
            rule="part_of_itself",
        )
    left = lot_view(lot).free
    if not 0 < volume_tenths <= left:
        raise Refusal(
            _("%(lot)s holds %(left)s. Enter more than 0 and not more than that.")
            % {"lot": lot, "left": volume_words(max(0, left))},
            field=f"lot{lot.pk}",
            rule="lot_holds_less",
        )


def _refuse_more_used(mixture: SemenLot) -> None:
    balance = lot_view(mixture).balance
    if balance.left < 0:
        raise Refusal(
            _("%(used)s of %(lot)s were given or taken out. Its parts must come to that at least.")
            % {"used": volume_words(balance.used), "lot": mixture},
            field="lot",
            rule="mixture_used",
        )


def _parts_words(parts: Mapping[SemenLot, int]) -> str:
    ordered = sorted(parts.items(), key=lambda part: part[0].label)
    return ", ".join(f"{lot} {volume_words(volume)}" for lot, volume in ordered)
