"""Earlier seasons of the large practice cooperative, told backwards from its stock and written in bulk.

Each queen of the stock that was inseminated has her batch, her place at a bench, the semen she got and what was seen of
her brood; what she got is what her mating says. Bulk rows carry no history of their own: one row says they were made.
"""

import datetime as dt
from collections.abc import Iterable

from accounts.services.audit import audit_record
from breeding.models import Mating, MatingKind, Queen
from scheduling.models import (
    BatchQueen,
    Bench,
    BenchState,
    CountKind,
    DroneCohort,
    DroneCount,
    DroneSource,
    QueenBatch,
    Reminder,
    ReminderState,
    Season,
)
from scheduling.planning.timing import elapsed_after, local_to_utc
from scheduling.reminder_kinds import KINDS
from scheduling.services.practice.past_bench import bench_days_write
from scheduling.services.practice.past_rows import OFFICE_HOUR, PastSeason, write
from scheduling.services.practice.people import People
from scheduling.services.sources import LETTERS

AT_THE_BENCH = (MatingKind.DPQ, MatingKind.POOL, MatingKind.SINGLE_DRONE)
COMB_DAYS, CAPPED_DAYS, COUNT_DAYS = 46, 11, 15
GRAFT_DAYS, SEALED_DAYS, CAGED_DAYS = 12, 5, 10


def past_make(people: People, *, years: Iterable[int], benches: list[Bench], now: dt.datetime) -> list[Season]:
    """A closed season for each of `years`, oldest first."""
    made = []
    for year in years:
        season = Season.objects.create(
            cooperative=people.cooperative,
            year=year,
            starts_on=dt.date(year, 4, 1),
            ends_on=dt.date(year, 8, 31),
            closed_at=local_to_utc(dt.date(year, 10, 1), OFFICE_HOUR, people.cooperative.time_zone),
        )
        matings = list(
            Mating.objects.filter(queen__cooperative=people.cooperative, queen__birth_year=year)
            .exclude(queen__mother=None)
            .select_related("queen__mother__owner", "queen__owner")
            .prefetch_related("shares__drone_queen__owner")
            .order_by("mated_on", "queen__mother", "queen")
        )
        past = PastSeason(season, people, benches)
        _rear(past, matings)
        _offer(past, matings)
        bench_days_write(past, [mating for mating in matings if mating.kind in AT_THE_BENCH])
        audit_record(
            season,
            action="practice.past",
            by=None,
            now=now,
            cooperative=people.cooperative,
            after={"batches": len(past.batches), "queens": len(past.virgins), "sources": len(past.sources)},
        )
        made.append(season)
    return made


def _rear(past: PastSeason, matings: list[Mating]) -> None:
    """A batch for each sisterhood, by the name that the sisters share; who was mated elsewhere was set aside."""
    sisters: dict[str, list[Mating]] = {}
    for mating in matings:
        sisters.setdefault(mating.queen.label.rpartition("-")[0], []).append(mating)
    rows = []
    for name, group in sisters.items():
        first = group[0].queen
        assert first.emerged_on is not None
        graft = first.emerged_on - dt.timedelta(days=GRAFT_DAYS)
        rows.append(
            QueenBatch(
                season=past.season,
                member=first.owner,
                mother=first.mother,
                name=name,
                wanted_bench_on=first.emerged_on + dt.timedelta(days=8),
                planned_graft_on=graft,
                grafted_on=graft,
                cells_grafted=len(group) + 9,
                counted_on=graft + dt.timedelta(days=1),
                cells_started=len(group) + 3,
                sealed_on=graft + dt.timedelta(days=SEALED_DAYS),
                caged_on=graft + dt.timedelta(days=CAGED_DAYS),
                emerged_on=first.emerged_on,
                virgins_emerged=len(group),
                excluder_on=first.emerged_on,
                closed_on=dt.date(past.season.year, 9, 15),
                closed_reason="All her queens head colonies or were passed on.",
                created_at=past.moment(graft - dt.timedelta(days=6)),
            )
        )
    past.batches = {batch.name: batch for batch in write(QueenBatch, rows)}
    virgins = [
        BatchQueen(
            batch=past.batches[name],
            queen=mating.queen,
            number=number,
            state=BenchState.SECOND_CO2 if mating.kind in AT_THE_BENCH else BenchState.SET_ASIDE,
            state_reason="" if mating.kind in AT_THE_BENCH else f"Mated elsewhere: {mating.place or 'shared semen'}",
            excluder_confirmed_on=mating.queen.emerged_on,
        )
        for name, group in sisters.items()
        for number, mating in enumerate(group, start=1)
    ]
    past.virgins = {virgin.queen_id: virgin for virgin in write(BatchQueen, virgins)}
    write(Reminder, (_told(past, batch, kind, days) for batch in past.batches.values() for kind, days in TOLD))


TOLD = (("graft", 0), ("cage_cells", CAGED_DAYS), ("excluder_on", GRAFT_DAYS), ("report_emergence", GRAFT_DAYS + 1))


def _told(past: PastSeason, batch: QueenBatch, kind: str, days: int) -> Reminder:
    assert batch.grafted_on is not None
    due_at = past.moment(batch.grafted_on + dt.timedelta(days=days))
    return Reminder(
        cooperative=past.season.cooperative,
        kind=kind,
        subject_type="scheduling.queenbatch",
        subject_id=batch.pk,
        member=batch.member,
        due_at=due_at,
        base_due_at=due_at,
        useful_until=due_at + KINDS[kind].useful_for,
        title=f"{KINDS[kind].label}: {batch.name}",
        link=f"/batches/{batch.pk}/",
        state=ReminderState.DONE,
        created_at=batch.created_at,
        told_at=due_at,
        ended_at=elapsed_after(due_at, 3),
    )


def _offer(past: PastSeason, matings: list[Mating]) -> None:
    """Every drone-producing queen whose drones were used, with one counted comb."""
    used: dict[int, Queen] = {}
    for mating in matings:
        if mating.kind in AT_THE_BENCH:
            used.update({share.drone_queen_id: share.drone_queen for share in mating.shares.all()})
    queens = sorted(used.values(), key=lambda queen: queen.pk)[: len(LETTERS)]
    first = dt.date(past.season.year, 6, 8) - dt.timedelta(days=COMB_DAYS)
    past.sources = {
        source.drone_queen_id: source
        for source in write(
            DroneSource,
            (
                DroneSource(
                    season=past.season,
                    member=queen.owner,
                    drone_queen=queen,
                    name=f"Drones of {queen.label}"[:40],
                    letter=letter,
                    health_certificate=f"Certificate {letter}",
                    health_valid_until=past.season.ends_on,
                    offered_at=past.moment(first - dt.timedelta(days=3)),
                )
                for queen, letter in zip(queens, LETTERS, strict=False)
            ),
        )
    }
    cohorts = write(
        DroneCohort,
        (
            DroneCohort(
                source=source,
                number=1,
                promised_comb_on=first,
                comb_in_on=first,
                laid_on=first + dt.timedelta(days=2),
                capped_on=first + dt.timedelta(days=CAPPED_DAYS),
                emerged_on=first + dt.timedelta(days=25),
                ended_on=dt.date(past.season.year, 8, 1),
            )
            for source in past.sources.values()
        ),
    )
    write(
        DroneCount,
        (
            DroneCount(
                cohort=cohort,
                kind=CountKind.CAPPED,
                counted_on=first + dt.timedelta(days=COUNT_DAYS),
                number=800 + 37 * (place % 16),
                recorded_at=past.moment(first + dt.timedelta(days=COUNT_DAYS)),
            )
            for place, cohort in enumerate(cohorts)
        ),
    )
