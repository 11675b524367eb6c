"""A season that falls into parts is worked out as parts, by one worker or several, with the same plan."""

import datetime as dt

import pytest

from accounts.models import Job
from accounts.services.jobs import job_ask_stop, job_run
from scheduling.models import Booking, Plan
from scheduling.planning import solver
from scheduling.services import plan_parts
from scheduling.services.plan_ask import plan_ask
from tests.factories import (
    NOW,
    BenchFactory,
    BenchSessionFactory,
    BookingFactory,
    BookingSourceFactory,
    DroneCohortFactory,
    DroneCountFactory,
    DroneSourceFactory,
    MemberPersonFactory,
    QueenBatchFactory,
)
from tests.scheduling.plan_world import PlanWorld

pytestmark = pytest.mark.django_db


class Apart(PlanWorld):
    """Two benches far from each other, each with a source of its own that comes to it alone."""

    def __init__(self) -> None:
        super().__init__()
        self.ask("Rowan")
        bench = BenchFactory(cooperative=self.season.cooperative, name="Far bench")
        BenchSessionFactory(season=self.season, bench=bench, day=dt.date(2026, 6, 12), places=6)
        far = DroneSourceFactory(season=self.season, name="Far away")
        cohort = DroneCohortFactory(source=far, comb_in_on=dt.date(2026, 4, 28))
        DroneCountFactory(cohort=cohort, kind="capped", counted_on=dt.date(2026, 5, 12), number=1500)
        far.benches.set([bench])
        self.source.benches.set([self.sessions[0].bench])
        batch = QueenBatchFactory(season=self.season, name="Heron", grafted_on=dt.date(2026, 5, 22))
        MemberPersonFactory(member=batch.member)
        booking: Booking = BookingFactory(batch=batch, queens=8, asked_at=NOW)
        BookingSourceFactory(booking=booking, source=far, merit=0.5, inbreeding=0.02, viability=0.93)

    def ask_plan(self) -> tuple[Plan, Job]:
        plan = plan_ask(self.season, by=self.by, now=NOW, seconds=2)
        assert plan.job is not None
        return plan, plan.job


def ready(job: Job) -> Job:
    job.refresh_from_db()
    assert (job.state, job.problem) == ("ready", "")
    return job


def placed(plan: Plan) -> list[tuple[str, int]]:
    rows = plan.placements.select_related("session__bench", "booking__batch").order_by("booking__batch__name", "pk")
    return [(f"{row.booking.batch.name} at {row.session.bench.name}", row.queens) for row in rows]


@pytest.fixture
def world() -> Apart:
    return Apart()


def test_one_worker_works_out_all_parts_and_puts_them_together(world: Apart) -> None:
    plan, job = world.ask_plan()
    assert job_run(job.pk, now=NOW)
    assert ready(job).result == {"plan": plan.pk, "served": 11, "requested": 13}
    assert [(part.state, part.arguments["parent"]) for part in Job.objects.filter(kind="plan_part")] == [
        ("ready", job.pk),
        ("ready", job.pk),
    ]
    plan.refresh_from_db()
    assert (plan.state, plan.result["status"], plan.result["bound_served"]) == ("to_check", "optimal", 11)


def test_a_part_worked_out_by_somebody_else_gives_the_same_plan(world: Apart, monkeypatch: pytest.MonkeyPatch) -> None:
    first, job = world.ask_plan()
    assert job_run(job.pk, now=NOW)
    Job.objects.filter(kind="plan_part").delete()
    own_run = job_run
    by_others: list[int] = []

    def other_worker_first(pk: int, *, now: dt.datetime) -> bool:
        """Another worker takes the part up just before this one would."""
        if not by_others:
            by_others.append(pk)
            assert own_run(pk, now=now)
        return own_run(pk, now=now)

    monkeypatch.setattr(plan_parts, "job_run", other_worker_first)
    second, again = world.ask_plan()
    assert job_run(again.pk, now=NOW)
    assert len(by_others) == 1
    assert placed(second) == placed(first)


def test_a_run_taken_over_by_another_worker_asks_for_no_part_twice(
    world: Apart, monkeypatch: pytest.MonkeyPatch
) -> None:
    _plan, job = world.ask_plan()

    class Died(BaseException):
        """The machine goes down between two parts."""

    runs: list[int] = []
    own_run = job_run

    def die_after_one(pk: int, *, now: dt.datetime) -> bool:
        if runs:
            raise Died
        runs.append(pk)
        return own_run(pk, now=now)

    monkeypatch.setattr(plan_parts, "job_run", die_after_one)
    with pytest.raises(Died):
        job_run(job.pk, now=NOW)
    monkeypatch.undo()
    assert not job_run(job.pk, now=NOW), "still held"
    Job.objects.filter(pk=job.pk).update(lease_until=NOW - dt.timedelta(seconds=1))
    assert job_run(job.pk, now=NOW)
    assert ready(job).result["served"] == 11
    assert Job.objects.filter(kind="plan_part").count() == 2
    assert set(Job.objects.filter(kind="plan_part").values_list("attempts", flat=True)) == {1}


def test_a_wish_to_stop_reaches_the_parts(world: Apart) -> None:
    _plan, job = world.ask_plan()
    own_solve = solver.solve
    asked: list[bool] = []

    def solve(*args: object, **kwargs: object) -> object:
        if not asked:
            job_ask_stop(job, by=world.by, now=NOW)
        asked.append(kwargs["should_stop"]())  # type: ignore[operator]
        return own_solve(*args, **kwargs)  # type: ignore[arg-type]

    patch = pytest.MonkeyPatch()
    patch.setattr(plan_parts, "solve", solve)
    job_run(job.pk, now=NOW)
    patch.undo()
    assert asked == [True, True]
    job.refresh_from_db()
    assert job.state in {"ready", "stopped"}


def test_a_part_that_breaks_ends_the_run_and_changes_nothing(world: Apart, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*args: object, **kwargs: object) -> object:
        raise ValueError("no such thing")

    plan, job = world.ask_plan()
    monkeypatch.setattr(plan_parts, "solve", broken)
    assert job_run(job.pk, now=NOW)
    job.refresh_from_db()
    assert (job.state, "Something in the program broke" in str(job.problem)) == ("stopped", True)
    plan.refresh_from_db()
    assert not plan.placements.exists()


def test_a_season_in_one_piece_is_one_job(world: Apart) -> None:
    whole = PlanWorld()
    whole.ask("Swift")
    whole.work_out()
    assert not Job.objects.filter(kind="plan_part").exists()
