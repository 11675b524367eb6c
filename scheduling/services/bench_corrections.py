"""Corrections of a closed session besides a dose: drones of a lot, parts of a pool, its semen, gas, a queen's fate.

Each marks the earlier rows as taken back and writes new ones beside them; what follows from them is written anew.
"""

import datetime as dt
from collections.abc import Mapping
from zoneinfo import ZoneInfo

from django.utils.translation import gettext as _

from accounts.models import Person
from accounts.refusals import Refusal
from scheduling.models import (
    BatchQueen,
    BenchPlace,
    BenchSession,
    BenchState,
    Co2Treatment,
    DroneSource,
    DroneTally,
    LotState,
    MovementKind,
    PlaceState,
    SemenLot,
    TallyOutcome,
)
from scheduling.queries.lots import lot_views
from scheduling.queries.words import volume_words
from scheduling.services.bench_correct import Change, session_correct
from scheduling.services.bench_guard import local_day
from scheduling.services.bench_queens import (
    bench_set_aside,
    bench_take_back,
    co2_rule_of,
    queen_away,
    queen_there,
)
from scheduling.services.lots import MOST_DRONES, ages_of_drones, lot_parts_write, lot_take_out
from scheduling.services.mixtures import mixtures_follow, mixtures_of

OUT = {MovementKind.STORED, MovementKind.DISCARDED, MovementKind.LOST}


def tally_correct(
    lot: SemenLot, *, outcome: str, drones: int, reason: str, by: Person, now: dt.datetime
) -> BenchSession:
    """How many drones of a lot had this outcome. Mixtures made of it and matings follow."""
    if outcome not in TallyOutcome.values:
        raise Refusal(_("Choose what the drone gave."), field="outcome")
    if not 0 <= drones <= 2000:
        raise Refusal(_("Enter 0 to 2000 drones."), field="drones")

    def act(session: BenchSession) -> Change:
        rows = lot.tallies.filter(outcome=outcome, undone_at__isnull=True)
        before = sum(rows.values_list("drones", flat=True))
        last = rows.order_by("-at").values_list("at", flat=True).first()
        rows.update(undone_at=now)
        if drones:
            DroneTally.objects.create(lot=lot, outcome=outcome, drones=drones, at=last or _end(session), by=by)
        mixtures_follow(mixtures_of(lot), by=by, now=now)
        return Change(f"{lot}: {TallyOutcome(outcome).label}", str(before), str(drones))

    return session_correct(lot.session, reason=reason, act=act, by=by, now=now)


def pool_correct(
    lot: SemenLot, *, parts: Mapping[DroneSource, int], reason: str, by: Person, now: dt.datetime
) -> BenchSession:
    """Of which sources a pool really was, and how many drones of each. Mixtures made of it and matings follow.

    A hold or a certificate that ran out does not stand in the way: this says what was, when it is needed most.
    """
    if not parts or not all(1 <= drones <= MOST_DRONES for drones in parts.values()):
        raise Refusal(_("Enter 1 to 2000 drones of each source."), rule="pool_drones")

    def act(session: BenchSession) -> Change:
        rows = list(lot.parts.filter(undone_at__isnull=True).select_related("source"))
        if not rows:
            raise Refusal(_("%(lot)s is not of a pool.") % {"lot": lot}, field="lot", rule="lot_not_pool")
        for source in parts:
            if source.season_id != session.season_id:
                raise Refusal(_("%(source)s is not offered this season.") % {"source": source}, rule="source_unknown")
        before = {row.source: row.drones for row in rows}
        fresh = SemenLot.objects.get(pk=lot.pk)
        fresh.parts.filter(undone_at__isnull=True).update(undone_at=now)
        lot_parts_write(fresh, parts)
        fresh.drones_from_days, fresh.drones_to_days = ages_of_drones(parts, session)
        fresh.save(update_fields=["drones_from_days", "drones_to_days"])
        mixtures_follow(mixtures_of(fresh), by=by, now=now)
        return Change(str(lot), _pool_words(before), _pool_words(parts))

    return session_correct(lot.session, reason=reason, act=act, by=by, now=now)


def lot_out_correct(
    lot: SemenLot, *, kind: str, volume_tenths: int, reason: str, by: Person, now: dt.datetime
) -> BenchSession:
    """How much of a lot was really stored, discarded or lost at its session. 0: none of it."""
    if kind not in OUT:
        raise Refusal(_("Choose what happened to it."), field="kind")

    def act(session: BenchSession) -> Change:
        fresh = SemenLot.objects.get(pk=lot.pk)
        earlier = fresh.movements.filter(kind=kind, undone_at__isnull=True, at__lt=_end(session))
        before = sum(earlier.values_list("volume_tenths", flat=True))
        at = earlier.order_by("at").values_list("at", flat=True).first() or _end(session)
        earlier.update(undone_at=now)
        if kind == MovementKind.STORED:
            fresh.state, fresh.closed_at = LotState.OPEN, None
            fresh.save(update_fields=["state", "closed_at"])
        if volume_tenths:
            lot_take_out(fresh, kind=kind, volume_tenths=volume_tenths, reason=reason.strip(), by=by, now=at)
        _refuse_more_given_than_stored(fresh)
        return Change(f"{lot}: {MovementKind(kind).label}", volume_words(before), volume_words(volume_tenths))

    return session_correct(lot.session, reason=reason, act=act, by=by, now=now)


def co2_correct(
    place: BenchPlace,
    *,
    treatment: Co2Treatment | None,
    started_at: dt.datetime | None,
    ended_at: dt.datetime | None,
    with_insemination: bool,
    reason: str,
    by: Person,
    now: dt.datetime,
) -> BenchSession:
    """When her gas was really on and off; None and None: this treatment was not given. What is due after it follows."""
    if (started_at is None) != (ended_at is None):
        raise Refusal(_("Enter both moments, or none of them."), field="ended_at")
    if treatment is None and started_at is None:
        raise Refusal(_("Enter when the gas was on and off."), field="started_at")
    if started_at is not None and ended_at is not None:
        if not started_at < ended_at <= now:
            raise Refusal(_("The gas goes off after it went on, and not in the future."), field="ended_at")
        if local_day(started_at, place.session) != place.session.day:
            raise Refusal(_("Enter moments of the bench day."), field="started_at")

    def act(session: BenchSession) -> Change:
        queen = place.batch_queen
        if queen is None:
            raise Refusal(_("There is no queen on this place."), rule="place_without_queen")
        before, gas = _("nothing"), 100
        if treatment is not None:
            before, gas = _gas_words(treatment.started_at, treatment.ended_at, session), treatment.gas_percent
            Co2Treatment.objects.filter(pk=treatment.pk).update(undone_at=now)
        if started_at is not None:
            Co2Treatment.objects.create(
                batch_queen=queen,
                session=session,
                with_insemination=with_insemination,
                started_at=started_at,
                ended_at=ended_at,
                gas_percent=gas,
                given_by=by,
            )
        co2_rule_of(queen)
        return Change(f"{queen}: CO2", before, _gas_words(started_at, ended_at, session))

    return session_correct(place.session, reason=reason, act=act, by=by, now=now)


def fate_correct(
    session: BenchSession, *, queen: BatchQueen, fate: str, reason: str, by: Person, now: dt.datetime
) -> BenchSession:
    """What became of her at the bench: `there`, `set_aside` or `lost`.

    Also of a queen whose place went on to another: that place stays the other's, hers is not given twice.
    """
    if fate not in {"there", BenchState.SET_ASIDE, BenchState.LOST}:
        raise Refusal(_("Choose what became of her."), field="fate")

    def act(session: BenchSession) -> Change:
        fresh = BatchQueen.objects.select_related("queen").get(pk=queen.pk)
        before, lost, at = fresh.get_state_display(), fate == BenchState.LOST, _end(session)
        place = session.bench_places.exclude(state=PlaceState.FREED).filter(batch_queen=fresh).first()
        if place is not None:
            fresh = bench_take_back(place, by=by, now=at)
            if fate != "there":
                fresh = bench_set_aside(place, reason=reason, lost=lost, by=by, now=at)
        elif fresh.gave_place_up_at_id == session.pk:
            _refuse_gone_on(fresh, session)
            fresh = queen_there(fresh, session=session, by=by, now=at)
            co2_rule_of(fresh)
            if fate != "there":
                fresh = queen_away(fresh, session=session, reason=reason, lost=lost, by=by, now=at)
        else:
            raise Refusal(
                _("%(queen)s had no place at this session.") % {"queen": fresh}, field="queen", rule="queen_unknown"
            )
        return Change(str(fresh), str(before), str(fresh.get_state_display()))

    return session_correct(session, reason=reason, act=act, by=by, now=now)


def _refuse_gone_on(queen: BatchQueen, session: BenchSession) -> None:
    """Since then she was at the bench again: what became of her is told there."""
    dose = queen.doses.filter(undone_at__isnull=True).exclude(session=session).select_related("session__bench").first()
    if dose is not None:
        raise Refusal(
            _("%(queen)s was inseminated at %(session)s. Correct there what became of her.")
            % {"queen": queen, "session": dose.session},
            field="queen",
            rule="queen_dealt_with",
        )


def _pool_words(parts: Mapping[DroneSource, int]) -> str:
    ordered = sorted(parts.items(), key=lambda part: part[0].letter)
    return ", ".join(f"{source.name} {drones}" for source, drones in ordered)


def _end(session: BenchSession) -> dt.datetime:
    """The last moment before the session's rests were booked: they are told apart by theirs."""
    assert session.closed_at is not None
    return session.closed_at - dt.timedelta(seconds=1)


def _refuse_more_given_than_stored(lot: SemenLot) -> None:
    view = lot_views(SemenLot.objects.filter(pk=lot.pk))[0]
    if view.balance.from_store > view.balance.stored:
        raise Refusal(
            _("%(given)s were given from what was stored of %(lot)s. Enter that or more.")
            % {"given": volume_words(view.balance.from_store), "lot": lot},
            field="volume",
            rule="given_from_store",
        )


def _gas_words(started_at: dt.datetime | None, ended_at: dt.datetime | None, session: BenchSession) -> str:
    if started_at is None:
        return _("nothing")
    zone = ZoneInfo(session.season.cooperative.time_zone)
    off = f"{ended_at.astimezone(zone):%H:%M:%S}" if ended_at else "–"
    return f"{started_at.astimezone(zone):%H:%M:%S} – {off}"
