"""The rest of a large cooperative's running season: more benches, drones, batches and requests, written in bulk.

They are there before its last plan is worked out, which has to find places for all of them.
"""

import datetime as dt
from itertools import count

from breeding.models import EvaluationRun, Heading, Merit, Queen, QueenStatus
from scheduling.models import (
    BatchQueen,
    Bench,
    BenchSession,
    Booking,
    BookingSource,
    CountKind,
    DroneCohort,
    DroneCount,
    DroneSource,
    QueenBatch,
    Season,
)
from scheduling.planning.timing import local_to_utc
from scheduling.services.practice.names import BIRDS, STONES
from scheduling.services.practice.past_rows import write
from scheduling.services.practice.world import World
from scheduling.services.reminders import reminders_refresh_batch
from scheduling.services.sources import LETTERS

DAY, HOUR = -3, 12  # after the last requests of the plot, before its last plan
BATCHES, SOURCES, BENCHES = 200, 40, 6
BENCH_ROUNDS = (4, 9, 14, 19)  # first bench days of each bench, from today; one bench a day later than the other
PLACES, VIRGINS, CELLS = 16, 8, 15
GRAFTS = range(-19, 4)  # days on which they graft, from today
CHOSEN = 3  # sources accepted with each request


def tell_crowd(world: World, run: EvaluationRun) -> None:
    world.timeline.at(DAY, HOUR, lambda now: _crowd(world, run, now))


def _crowd(world: World, run: EvaluationRun, now: dt.datetime) -> None:
    merits = list(
        Merit.objects.filter(run=run, queen__status=QueenStatus.MATED)
        .exclude(queen__in=DroneSource.objects.filter(season=world.season).values("drone_queen"))
        .select_related("queen__owner", "queen__line")
        .order_by("-merit", "queen__label")[: 4 * SOURCES + BATCHES]
    )
    _benches(world, now)
    sources = _sources(world, merits[:SOURCES], now)
    batches = _batches(world, merits[SOURCES:], now)
    _requests(world, batches, sources, {merit.queen_id: merit.merit for merit in merits}, now)
    for batch in batches:
        reminders_refresh_batch(batch, now=now)


def _benches(world: World, now: dt.datetime) -> None:
    line = world.timeline
    benches = write(
        Bench, (Bench(cooperative=world.people.cooperative, name=f"Bench {number}") for number in range(3, 3 + BENCHES))
    )
    write(
        BenchSession,
        (
            BenchSession(
                season=world.season,
                bench=bench,
                day=line.day(first + late + offset),
                starts_at=local_to_utc(line.day(first + late + offset), dt.time(8), line.zone),
                ends_at=local_to_utc(line.day(first + late + offset), dt.time(13), line.zone),
                operator=world.people.offices["operator2"],
                places=0 if offset else PLACES,
                operator_minutes=60 if offset else 300,
                collect_drones=0 if offset else 360,
                co2_capacity=24,
            )
            for late, bench in enumerate(benches)
            for first in BENCH_ROUNDS
            for offset in (-1, 0, 1)
        ),
    )


def _sources(world: World, merits: list[Merit], now: dt.datetime) -> list[DroneSource]:
    line = world.timeline
    taken = set(DroneSource.objects.filter(season=world.season).values_list("letter", flat=True))
    letters = (letter for letter in LETTERS if letter not in taken)
    where = dict(
        Heading.objects.filter(queen__in=[merit.queen_id for merit in merits], until=None).values_list(
            "queen", "colony__apiary"
        )
    )
    sources = write(
        DroneSource,
        (
            DroneSource(
                season=world.season,
                member=merit.queen.owner,
                apiary_id=where.get(merit.queen_id),
                drone_queen=merit.queen,
                name=f"{STONES[place % len(STONES)]} {place // len(STONES) + 2}",
                letter=next(letters),
                health_certificate=f"Certificate {place}",
                health_valid_until=line.day(150),
                offered_at=now,
            )
            for place, merit in enumerate(merits)
        ),
    )
    cohorts = write(
        DroneCohort,
        (
            DroneCohort(
                source=source,
                number=number,
                promised_comb_on=line.day(comb),
                comb_in_on=line.day(comb),
                laid_on=line.day(comb + 2),
                capped_on=line.day(comb + 11) if comb + 11 <= DAY else None,
                emerged_on=line.day(comb + 25) if comb + 25 <= DAY else None,
            )
            for place, source in enumerate(sources)
            for number, comb in ((1, -44 + place % 12), (2, -29 + place % 10))
        ),
    )
    counted = [cohort for cohort in cohorts if cohort.capped_on is not None and cohort.capped_on <= line.day(DAY - 4)]
    write(
        DroneCount,
        (
            DroneCount(
                cohort=cohort,
                kind=CountKind.CAPPED,
                counted_on=cohort.capped_on + dt.timedelta(days=4),
                number=900 + 31 * (place % 15),
                recorded_at=now,
            )
            for place, cohort in enumerate(counted)
            if cohort.capped_on is not None
        ),
    )
    return sources


def _batches(world: World, mothers: list[Merit], now: dt.datetime) -> list[QueenBatch]:
    line, named = world.timeline, len(BIRDS)
    members = world.people.members[12:]

    def fact(graft: int, days: int) -> dt.date | None:
        return line.day(graft + days) if graft + days <= DAY else None

    rows = []
    for place, merit in zip(range(BATCHES), mothers, strict=False):
        graft = GRAFTS[place % len(GRAFTS)]
        rows.append(
            QueenBatch(
                season=world.season,
                member=members[place % len(members)],
                mother=merit.queen,
                name=f"{BIRDS[place % named]} {place // named + 2}",
                wanted_bench_on=line.day(graft + 20),
                planned_graft_on=line.day(graft),
                grafted_on=fact(graft, 0),
                cells_grafted=CELLS if graft <= DAY else None,
                counted_on=fact(graft, 1),
                cells_started=CELLS - 3 if fact(graft, 1) else None,
                sealed_on=fact(graft, 5),
                caged_on=fact(graft, 10),
                emerged_on=fact(graft, 12),
                virgins_emerged=VIRGINS if fact(graft, 12) else None,
                excluder_on=fact(graft, 12),
                created_at=now,
            )
        )
    batches = write(QueenBatch, rows)
    emerged = [batch for batch in batches if batch.emerged_on is not None]
    queens = write(
        Queen,
        (
            Queen(
                cooperative=world.people.cooperative,
                owner=batch.member,
                label=f"{batch.name}-{number}",
                mother=batch.mother,
                line=batch.mother.line,
                birth_year=batch.emerged_on.year,
                emerged_on=batch.emerged_on,
                created_at=now,
            )
            for batch in emerged
            if batch.emerged_on is not None
            for number in range(1, VIRGINS + 1)
        ),
    )
    numbers = count()
    write(
        BatchQueen,
        (
            BatchQueen(batch=batch, queen=queens[next(numbers)], number=number, excluder_confirmed_on=batch.excluder_on)
            for batch in emerged
            for number in range(1, VIRGINS + 1)
        ),
    )
    return batches


def _requests(
    world: World, batches: list[QueenBatch], sources: list[DroneSource], merits: dict[int, float], now: dt.datetime
) -> None:
    season: Season = world.season
    asking = [batch for batch in batches if batch.grafted_on is not None]
    bookings = write(
        Booking,
        (
            Booking(
                season=season,
                member=batch.member,
                batch=batch,
                queens=4 + place % 4,
                asked_at=now,
                asked_by=world.keeper_of(batch.member),
            )
            for place, batch in enumerate(asking)
        ),
    )
    rows = []
    for place, booking in enumerate(bookings):
        mother = booking.batch.mother
        apart = [source for source in sources if source.drone_queen.line_id != mother.line_id]
        first = 5 * place % len(apart)
        for source in [*apart[first:], *apart[:first]][:CHOSEN]:
            merit = (merits[mother.pk] + merits[source.drone_queen_id]) / 2
            rows.append(BookingSource(booking=booking, source=source, merit=merit))
    write(BookingSource, rows)
