"""Bench days of the practice season: opened, worked at, closed; and what was found in the nucs later."""

import datetime as dt
from collections.abc import Iterator
from decimal import Decimal

from accounts.models import Person
from scheduling.models import (
    BatchQueen,
    Bench,
    BenchPlace,
    BenchSession,
    BenchState,
    Dose,
    DroneSource,
    Finding,
    MovementKind,
    Pattern,
    PlaceState,
    PlanPool,
    QueenBatch,
    SemenLot,
    TallyOutcome,
)
from scheduling.planning.facts import Settings
from scheduling.queries.lots import lot_view
from scheduling.queries.season import settings_of
from scheduling.services.bench_queens import bench_set_aside, co2_start, co2_stop, dose_give
from scheduling.services.bench_session import session_close, session_start
from scheduling.services.checks import check_record
from scheduling.services.lots import lot_open, lot_read, lot_take_out, lot_tally
from scheduling.services.mixtures import lots_mix
from scheduling.services.practice.names import BENCHES
from scheduling.services.practice.plot import SESSIONS, SessionPlot
from scheduling.services.practice.world import World
from scheduling.services.sessions import bench_add, session_cancel, session_open

OPENED_BEFORE = 30
LEAK_BACK = 9  # the dose of a bench day that leaks
CHECKS = (7, 10, 19)  # days after the bench day on which nucs are opened
SPARE_TENTHS = 14  # collected beyond the doses, thrown away at the end


class Clock:
    """The moments at a bench, one after the other; never past `end`."""

    def __init__(self, start: dt.datetime, step: dt.timedelta, end: dt.datetime) -> None:
        self._next, self._step, self._end = start, step, end

    def tick(self, steps: float = 1) -> dt.datetime:
        moment, self._next = self._next, self._next + self._step * steps
        return min(moment, self._end)


def tell_sessions(world: World) -> None:
    benches: list[Bench] = []
    first = min(plot.day for plot in SESSIONS) - OPENED_BEFORE - 5

    def add_benches(now: dt.datetime) -> None:
        for name, place in BENCHES:
            benches.append(bench_add(world.people.cooperative, name=name, place=place, by=world.coordinator, now=now))

    world.timeline.at(first, 9, add_benches)
    for plot in SESSIONS:
        _tell_session(world, plot, benches)


def _tell_session(world: World, plot: SessionPlot, benches: list[Bench]) -> None:
    line = world.timeline

    def open_it(now: dt.datetime) -> None:
        starts, ends = _hours(world, plot)
        world.sessions[plot.key] = session_open(
            world.season,
            bench=benches[plot.bench],
            day=line.day(plot.day),
            starts=starts,
            ends=ends,
            places=plot.places,
            operator_minutes=300 if plot.places else 60,
            collect_drones=360 if plot.places else 0,
            co2_capacity=24,
            operator=world.operator if plot.bench == 0 else world.people.offices["operator2"],
            by=world.coordinator,
            now=now,
        )

    opened = min(plot.day - OPENED_BEFORE, -9) if plot.opened is None else plot.opened
    line.at(opened, 10, open_it)
    if plot.end == "cancelled":
        line.at(
            -21,
            11,
            lambda now: session_cancel(
                world.sessions[plot.key], reason="The cider house is needed that day.", by=world.coordinator, now=now
            ),
        )
    if plot.end in {"closed", "running"}:
        line.at(plot.day, _hours(world, plot)[0].hour, lambda now: _work(world, plot, now))
    if plot.end == "closed" and plot.places:
        for days in CHECKS:
            line.at(plot.day + days, 18, lambda now: _check(world, plot, now))


def _hours(world: World, plot: SessionPlot) -> tuple[dt.time, dt.time]:
    """Wall clock. Today's bench has just begun, whatever the time."""
    if plot.end != "running":
        return (dt.time(8), dt.time(13)) if plot.places else (dt.time(9), dt.time(10))
    hour = world.timeline.moment(0, 23, 59).astimezone(world.timeline.tz).hour
    begun = min(max(hour - 1, 0), 17)
    return dt.time(begun), dt.time(begun + 5)


def _work(world: World, plot: SessionPlot, now: dt.datetime) -> None:
    session = BenchSession.objects.get(pk=world.sessions[plot.key].pk)
    end = world.timeline.now if plot.end == "running" else session.ends_at
    clock = Clock(now, (end - now) / 900, end)
    session_start(session, cautions_read=True, by=world.operator, now=clock.tick())
    if plot.places:
        _bench_day(world, session, clock, plot)
    else:
        _co2_day(world, session, clock)
    if plot.end == "closed":
        session_close(
            BenchSession.objects.get(pk=session.pk),
            reason_for_rest="Left in the tip",
            by=world.operator,
            now=clock.tick(),
        )


def _co2_day(world: World, session: BenchSession, clock: Clock) -> None:
    """The other treatment: of tomorrow's queens before it, of yesterday's after it."""
    others = BenchPlace.objects.filter(session__bench=session.bench).exclude(state=PlaceState.FREED)
    tomorrow = others.filter(session__day=session.day + dt.timedelta(days=1), co2_before=True)
    yesterday = others.filter(session__day=session.day - dt.timedelta(days=1), co2_before=False, state=PlaceState.DONE)
    for place in [*tomorrow, *yesterday]:
        if place.batch_queen is not None:
            _gas(session, place.batch_queen, clock, with_insemination=False, by=world.operator)


def _gas(session: BenchSession, queen: BatchQueen, clock: Clock, *, with_insemination: bool, by: Person) -> None:
    co2_start(session, batch_queen=queen, with_insemination=with_insemination, by=by, now=clock.tick(4))
    co2_stop(session, batch_queen=queen, by=by, now=clock.tick())


def _bench_day(world: World, session: BenchSession, clock: Clock, plot: SessionPlot) -> None:
    places = list(_held(session))
    settings = settings_of(world.season)
    groups: dict[tuple[int | None, int | None], list[BenchPlace]] = {}
    for place in places:
        groups.setdefault((place.source_id, place.pool_id), []).append(place)
    done = 0
    for number, group in enumerate(groups.values(), start=1):
        lot = _lot_for(world, session, group, settings, clock, tip=f"T{number}")
        for place in group:
            if plot.end == "running" and done >= len(places) // 2:
                _on_the_hook(world, session, place, clock)
                return
            done += 1
            if done == plot.aside:
                bench_set_aside(place, reason="One wing torn", lost=False, by=world.operator, now=clock.tick())
            else:
                _inseminate(world, session, place, lot, clock, leak_back=done == LEAK_BACK)
        _throw_away_rest(world, lot, clock)


def _held(session: BenchSession) -> Iterator[BenchPlace]:
    places = BenchPlace.objects.filter(session=session, state=PlaceState.HELD, batch_queen__isnull=False)
    yield from places.select_related("batch_queen__queen", "source", "pool").order_by("position")


def _on_the_hook(world: World, session: BenchSession, place: BenchPlace, clock: Clock) -> None:
    assert place.batch_queen is not None
    # The gas is off again: nobody is there to stop it while the practice season waits to be looked at.
    _gas(session, place.batch_queen, clock, with_insemination=True, by=world.operator)


def _lot_for(
    world: World, session: BenchSession, group: list[BenchPlace], settings: Settings, clock: Clock, *, tip: str
) -> SemenLot:
    volume = sum(place.dose_tenths for place in group) + SPARE_TENTHS
    if group[0].source is not None:
        return _collected(world, session, group[0].source, volume, settings, clock, tip=tip)
    assert group[0].pool is not None
    return _mixed(world, session, group[0].pool, volume, settings, clock, tip=tip)


def _collected(
    world: World, session: BenchSession, source: DroneSource, volume: int, settings: Settings, clock: Clock, *, tip: str
) -> SemenLot:
    """Drones until the volume is in the syringe; some give none, as drones do."""
    by = world.operator
    lot = lot_open(BenchSession.objects.get(pk=session.pk), source=source, tip=tip, by=by, now=clock.tick())
    usable = max(1, round(Decimal(volume) / 10 / settings.ul_per_drone))
    tried = round(usable / float(settings.usable_share) * float(world.rng.uniform(0.9, 1.12)))
    rest = max(0, tried - usable)
    counts = {
        TallyOutcome.USABLE: usable,
        TallyOutcome.NONE: rest - rest // 4 - rest // 6,
        TallyOutcome.IMMATURE: rest // 4,
        TallyOutcome.MUCUS: rest // 6,
    }
    for outcome, drones in counts.items():
        if drones:
            lot_tally(lot, outcome=outcome, drones=drones, by=by, now=clock.tick(6))
    lot_read(lot, volume_tenths=volume, by=by, now=clock.tick())
    return lot


def _mixed(
    world: World, session: BenchSession, pool: PlanPool, volume: int, settings: Settings, clock: Clock, *, tip: str
) -> SemenLot:
    parts = list(pool.parts.select_related("source"))
    whole = sum((part.volume_tenths for part in parts), Decimal(0))
    lots = {}
    for number, part in enumerate(parts, start=1):
        share = max(1, round(volume * part.volume_tenths / whole))
        lot = _collected(world, session, part.source, share, settings, clock, tip=f"{tip}{'abcdefgh'[number - 1]}")
        lots[lot] = share
    fresh = BenchSession.objects.get(pk=session.pk)
    return lots_mix(fresh, parts=lots, tip=f"{tip} mix", by=world.operator, now=clock.tick())


def _inseminate(
    world: World, session: BenchSession, place: BenchPlace, lot: SemenLot, clock: Clock, *, leak_back: bool
) -> None:
    by, queen = world.operator, place.batch_queen
    assert queen is not None
    co2_start(session, batch_queen=queen, with_insemination=True, by=by, now=clock.tick(3))
    dose_give(
        place,
        lot=lot,
        volume_tenths=place.dose_tenths,
        leak_back=leak_back,
        override_reason=_override(session, place),
        by=by,
        now=clock.tick(2),
    )
    co2_stop(session, batch_queen=queen, by=by, now=clock.tick())


def _override(session: BenchSession, place: BenchPlace) -> str:
    """A queen whose first gas was missed is inseminated all the same, and it says so."""
    assert place.batch_queen is not None
    given = place.batch_queen.co2_treatments.filter(with_insemination=False, ended_at__isnull=False).exists()
    return "" if given or not place.co2_before else "First gas was missed; the second follows tomorrow."


def _throw_away_rest(world: World, lot: SemenLot, clock: Clock) -> None:
    rest = lot_view(lot).balance.unexplained
    if rest > 0:
        lot_take_out(
            lot,
            kind=MovementKind.DISCARDED,
            volume_tenths=rest,
            reason="rest after the last queen",
            by=world.operator,
            now=clock.tick(),
        )


def _check(world: World, plot: SessionPlot, now: dt.datetime) -> None:
    """Eggs from the seventh day on, sealed brood nine days after the first eggs; not with every queen."""
    today = now.astimezone(world.timeline.tz).date()
    days = (today - world.timeline.day(plot.day)).days
    doses = Dose.objects.filter(session=world.sessions[plot.key], undone_at__isnull=True)
    queens = BatchQueen.objects.filter(doses__in=doses).exclude(state=BenchState.LOST).distinct().order_by("pk")
    for place, queen in enumerate(queens.select_related("batch__member", "queen")):
        finding, pattern = _found(place, days)
        batch: QueenBatch = queen.batch
        check_record(
            queen,
            checked_on=today,
            finding=finding,
            pattern=pattern,
            by=world.keeper_of(batch.member),
            now=now,
        )


def _found(place: int, days: int) -> tuple[str, str]:
    if place % 9 == 4:
        return (Finding.NO_EGGS if days < 19 else Finding.NOT_FOUND), ""
    if days < 10:
        return (Finding.EGGS if place % 3 else Finding.NO_EGGS), ""
    if days < 19:
        return Finding.EGGS, ""
    return Finding.WORKER_BROOD, Pattern.SCATTERED if place % 7 == 5 else Pattern.SOLID
