"""The bench days of an earlier practice season: who was inseminated where, with what, and what came of it."""

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal
from itertools import groupby

from breeding.models import Mating
from scheduling.models import (
    Bench,
    BenchPlace,
    BenchSession,
    Booking,
    BookingMode,
    BookingSource,
    BookingState,
    Co2Treatment,
    Dose,
    DroneSource,
    DroneTally,
    Finding,
    LotMovement,
    LotState,
    MovementKind,
    Pattern,
    Placement,
    PlaceState,
    Plan,
    PlanPool,
    PlanPoolPart,
    PlanState,
    QueenCheck,
    SemenLot,
    SessionState,
    TallyOutcome,
)
from scheduling.planning.timing import elapsed_after
from scheduling.services.practice.past_rows import PastSeason, write

PLACES = 20  # at one bench and day
EGGS_DAYS, BROOD_DAYS = 8, 19
TENTHS_PER_DRONE = 9
GAS_BEFORE, GAS_AFTER = Decimal("0.05"), Decimal("0.02")  # hours around the dose


@dataclass(frozen=True)
class _Turn:
    """One queen's turn at one bench."""

    mating: Mating
    shares: list[tuple[DroneSource, int]]  # tenths of a µl
    session: BenchSession
    position: int


def bench_days_write(past: PastSeason, matings: list[Mating]) -> None:
    turns = _turns(past, matings)
    plan = Plan.objects.create(
        season=past.season,
        number=1,
        state=PlanState.CLOSED,
        created_at=past.moment(dt.date(past.season.year, 6, 1)),
        published_at=past.moment(dt.date(past.season.year, 6, 2)),
        published_by=past.people.offices["coordinator"],
        result={"served": len(turns), "requested": len(turns)},
    )
    bookings = _bookings(past, turns)
    places = _places(past, plan, bookings, turns)
    _semen(past, turns, places)
    _afterwards(past, turns)


def _turns(past: PastSeason, matings: list[Mating]) -> list[_Turn]:
    """The day's queens over the benches, twenty at each, sisters beside each other."""
    wanted = [(mating, shares) for mating in matings if (shares := _shares(past, mating))]
    rows: list[BenchSession] = []
    found: list[tuple[Mating, list[tuple[DroneSource, int]], int, int]] = []
    for day, group in groupby(wanted, key=lambda row: row[0].mated_on):
        assert day is not None
        for place, (mating, shares) in enumerate(group):
            bench, position = divmod(place, PLACES)
            if bench >= len(past.benches):
                break
            if position == 0:
                rows.append(_session(past, past.benches[bench], day))
            found.append((mating, shares, len(rows) - 1, position + 1))
    sessions = write(BenchSession, rows)
    return [_Turn(mating, shares, sessions[index], position) for mating, shares, index, position in found]


def _shares(past: PastSeason, mating: Mating) -> list[tuple[DroneSource, int]]:
    """Nothing when one of the sources has no row of its own."""
    shares = list(mating.shares.all())
    if not all(share.drone_queen_id in past.sources and share.volume_tenths for share in shares):
        return []
    return [(past.sources[share.drone_queen_id], share.volume_tenths or 0) for share in shares]


def _session(past: PastSeason, bench: Bench, day: dt.date) -> BenchSession:
    ends = past.moment(day, dt.time(14))
    return BenchSession(
        season=past.season,
        bench=bench,
        day=day,
        starts_at=past.moment(day),
        ends_at=ends,
        operator=past.operator,
        places=PLACES,
        operator_minutes=300,
        collect_drones=360,
        co2_capacity=2 * PLACES,
        state=SessionState.CLOSED,
        opened_at=past.moment(day),
        closed_at=ends,
        closed_by=past.operator,
        cautions_read_at=past.moment(day),
        cautions_read_by=past.operator,
    )


def _bookings(past: PastSeason, turns: list[_Turn]) -> dict[int, Booking]:
    """By batch: one request for all of its queens that came to a bench."""
    by_batch: dict[int, list[_Turn]] = {}
    for turn in turns:
        by_batch.setdefault(past.virgins[turn.mating.queen_id].batch_id, []).append(turn)
    batches = {batch.pk: batch for batch in past.batches.values()}
    made = write(
        Booking,
        (
            Booking(
                season=past.season,
                member=batches[pk].member,
                batch=batches[pk],
                queens=len(group),
                dose_tenths=80,
                mode=BookingMode.POOL if len(group[0].shares) > 1 else BookingMode.EACH,
                state=BookingState.DONE,
                wished_session=group[0].session,
                asked_at=batches[pk].created_at,
            )
            for pk, group in by_batch.items()
        ),
    )
    write(
        BookingSource,
        (
            BookingSource(booking=booking, source_id=source)
            for booking, group in zip(made, by_batch.values(), strict=True)
            for source in sorted({source.pk for turn in group for source, _tenths in turn.shares})
        ),
    )
    return {booking.batch_id: booking for booking in made}


def _places(past: PastSeason, plan: Plan, bookings: dict[int, Booking], turns: list[_Turn]) -> dict[int, BenchPlace]:
    """By queen. A queen of several sources has their mixture, which the plan names as a pool."""
    booked = {turn.mating.queen_id: bookings[past.virgins[turn.mating.queen_id].batch_id] for turn in turns}
    together: dict[tuple[int, int, tuple[int, ...]], list[_Turn]] = {}
    for turn in turns:
        key = (booked[turn.mating.queen_id].pk, turn.session.pk, tuple(sorted(source.pk for source, _ in turn.shares)))
        together.setdefault(key, []).append(turn)
    mixed = [(key, group) for key, group in together.items() if len(key[2]) > 1]
    pools = write(
        PlanPool, (PlanPool(plan=plan, session_id=key[1], name=f"Mix {n}") for n, (key, _) in enumerate(mixed, start=1))
    )
    parts: list[PlanPoolPart] = []
    for pool, (_key, group) in zip(pools, mixed, strict=True):
        volumes: dict[int, int] = {}
        for turn in group:
            for source, tenths in turn.shares:
                volumes[source.pk] = volumes.get(source.pk, 0) + tenths
        parts += [PlanPoolPart(pool=pool, source_id=pk, volume_tenths=tenths) for pk, tenths in volumes.items()]
    write(PlanPoolPart, parts)
    pool_of = {key: pool for pool, (key, _group) in zip(pools, mixed, strict=True)}
    write(
        Placement,
        (
            Placement(
                plan=plan,
                booking_id=key[0],
                session_id=key[1],
                source_id=None if key in pool_of else key[2][0],
                pool=pool_of.get(key),
                queens=len(group),
                co2_before=len(group),
            )
            for key, group in together.items()
        ),
    )
    rows = [
        BenchPlace(
            session=turn.session,
            position=turn.position,
            plan=plan,
            booking_id=key[0],
            batch_queen=past.virgins[turn.mating.queen_id],
            source_id=None if key in pool_of else key[2][0],
            pool=pool_of.get(key),
            dose_tenths=min(180, sum(tenths for _source, tenths in turn.shares)),
            state=PlaceState.DONE,
        )
        for key, group in together.items()
        for turn in group
    ]
    return {place.batch_queen.queen_id: place for place in write(BenchPlace, rows) if place.batch_queen is not None}


def _semen(past: PastSeason, turns: list[_Turn], places: dict[int, BenchPlace]) -> None:
    """A lot for each source and bench day, as large as its doses; what each queen got is what her mating says."""
    given: dict[tuple[int, int], int] = {}
    days: dict[int, BenchSession] = {}
    for turn in turns:
        days[turn.session.pk] = turn.session
        for source, tenths in turn.shares:
            given[turn.session.pk, source.pk] = given.get((turn.session.pk, source.pk), 0) + tenths
    letters = {source.pk: source.letter for source in past.sources.values()}
    lots = write(
        SemenLot,
        (
            SemenLot(
                session_id=session,
                source_id=source,
                label=f"{days[session].day:%d%m}-{letters[source]}",
                tip=f"T{source % 9 + 1}",
                drones_from_days=(age := 14 + (3 * source + 5 * session) % 11),
                drones_to_days=age + 3,
                opened_at=days[session].starts_at,
                opened_by=past.operator,
                state=LotState.USED_UP,
                closed_at=days[session].ends_at,
            )
            for session, source in given
        ),
    )
    lot_of = {(lot.session_id, lot.source_id): lot for lot in lots}
    write(
        DroneTally,
        (
            DroneTally(lot=lot, outcome=outcome, drones=drones, at=lot.opened_at, by=past.operator)
            for lot, tenths in zip(lots, given.values(), strict=True)
            for outcome, drones in _tallied(tenths)
        ),
    )
    write(
        LotMovement,
        (
            LotMovement(lot=lot, kind=MovementKind.COLLECTED, volume_tenths=tenths, at=lot.opened_at, by=past.operator)
            for lot, tenths in zip(lots, given.values(), strict=True)
        ),
    )
    write(
        Dose,
        (
            Dose(
                place=places[turn.mating.queen_id],
                batch_queen=past.virgins[turn.mating.queen_id],
                session=turn.session,
                lot=lot_of[turn.session.pk, source.pk],
                volume_tenths=tenths,
                given_at=_at(turn),
                given_by=past.operator,
                leak_back=turn.position == PLACES - 1,
            )
            for turn in turns
            for source, tenths in turn.shares
        ),
    )


def _tallied(tenths: int) -> list[tuple[str, int]]:
    usable = max(1, round(tenths / TENTHS_PER_DRONE))
    rest = ((TallyOutcome.NONE, usable // 5), (TallyOutcome.MUCUS, usable // 9))
    return [(TallyOutcome.USABLE, usable), *((outcome, drones) for outcome, drones in rest if drones)]


def _at(turn: _Turn) -> dt.datetime:
    return elapsed_after(turn.session.starts_at, Decimal(turn.position) / 5)


def _afterwards(past: PastSeason, turns: list[_Turn]) -> None:
    """CO2 the day before and at the bench; eggs, then sealed brood, but not of every queen."""
    write(
        Co2Treatment,
        (
            Co2Treatment(
                batch_queen=past.virgins[turn.mating.queen_id],
                session=turn.session if here else None,
                with_insemination=here,
                started_at=elapsed_after(_at(turn), -GAS_BEFORE - (0 if here else 24)),
                ended_at=elapsed_after(_at(turn), GAS_AFTER - (0 if here else 24)),
                given_by=past.operator,
            )
            for turn in turns
            for here in (False, True)
        ),
    )
    checks = []
    for turn in turns:
        number = turn.mating.queen_id % 9
        looks = [(EGGS_DAYS, Finding.EGGS if number else Finding.NO_EGGS, "")]
        if number:
            looks.append((BROOD_DAYS, Finding.WORKER_BROOD, Pattern.SCATTERED if number == 5 else Pattern.SOLID))
        for days, finding, pattern in looks:
            day = turn.session.day + dt.timedelta(days=days)
            checks.append(
                QueenCheck(
                    batch_queen=past.virgins[turn.mating.queen_id],
                    checked_on=day,
                    finding=finding,
                    pattern=pattern,
                    recorded_at=past.moment(day),
                )
            )
    write(QueenCheck, checks)
