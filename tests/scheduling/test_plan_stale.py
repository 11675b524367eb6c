"""A sketch that was begun from something else than what is in force now is never published."""

from typing import Any

import pytest

from accounts.models import Job
from accounts.refusals import Refusal
from accounts.services.jobs import job_run
from scheduling.models import BenchPlace, Booking, PlaceState, Plan, PlanState
from scheduling.planning.plan import Plan as PurePlan
from scheduling.planning.problem import Problem
from scheduling.planning.solver import solve
from scheduling.queries.plans import plan_in_force
from scheduling.services.bookings import booking_withdraw
from scheduling.services.plan_ask import plan_ask
from scheduling.services.plan_publish import plan_publish
from scheduling.services.plans import plan_sketch_from
from tests.factories import NOW
from tests.scheduling.plan_world import PlanWorld

pytestmark = pytest.mark.django_db


@pytest.fixture
def world() -> PlanWorld:
    world = PlanWorld()
    world.ask("Rowan 1")
    world.ask("Alder 1", minutes=1)
    return world


def refused(rule: str) -> "pytest.RaisesExc[Refusal]":
    return pytest.raises(Refusal, check=lambda refusal: refusal.rule == rule)


@pytest.mark.parametrize("published_before", [False, True])
def test_of_two_finished_runs_from_one_base_only_the_first_is_published(
    world: PlanWorld, published_before: bool
) -> None:
    if published_before:
        world.publish()
    base = plan_in_force(world.season)
    first, second = world.work_out(), world.work_out()
    assert (first.based_on, second.based_on) == (base, base)
    published = plan_publish(first, by=world.by, now=NOW)
    with refused("plan_not_sketch"):
        plan_publish(second, by=world.by, now=NOW)
    Plan.objects.filter(pk=second.pk).update(state=PlanState.TO_CHECK)  # as if it had ended a moment later
    with refused("plan_base"):
        plan_publish(second, by=world.by, now=NOW)
    assert plan_in_force(world.season) == published


def test_a_run_during_which_another_plan_is_published_is_refused(
    world: PlanWorld, monkeypatch: pytest.MonkeyPatch
) -> None:
    ready = world.work_out()

    def published_meanwhile(problem: Problem, **kwargs: Any) -> PurePlan:
        plan = solve(problem, **kwargs)
        plan_publish(ready, by=world.by, now=NOW)
        return plan

    monkeypatch.setattr("scheduling.services.plan_run.solve", published_meanwhile)
    late = world.work_out()
    assert (late.state, late.based_on, plan_in_force(world.season)) == (PlanState.TO_CHECK, None, ready)
    with refused("plan_base"):
        plan_publish(late, by=world.by, now=NOW)
    assert plan_in_force(world.season) == ready


def test_a_place_that_changes_while_the_solver_runs_makes_its_plan_stale(
    world: PlanWorld, monkeypatch: pytest.MonkeyPatch
) -> None:
    base = world.publish()

    def withdrawn_meanwhile(problem: Problem, **kwargs: Any) -> PurePlan:
        plan = solve(problem, **kwargs)
        booking_withdraw(Booking.objects.get(pk=world.bookings[1].pk), by=world.by, now=NOW)
        return plan

    monkeypatch.setattr("scheduling.services.plan_run.solve", withdrawn_meanwhile)
    plan = plan_ask(world.season, by=world.by, now=NOW, seconds=1)
    assert plan.job is not None
    assert job_run(plan.job.pk, now=NOW)
    assert Job.objects.get(pk=plan.job.pk).state == "ready"
    world.run_standby()
    plan.refresh_from_db()
    base.refresh_from_db()
    assert (plan.base_version, base.state) == (1, PlanState.CHANGED)
    assert base.version > 1
    with refused("plan_base"):
        plan_publish(plan, by=world.by, now=NOW)
    assert BenchPlace.objects.filter(booking=world.bookings[0], state=PlaceState.HELD).count() == 5


def test_a_sketch_that_does_not_say_which_version_it_was_begun_from_is_refused(world: PlanWorld) -> None:
    base = world.publish()
    sketch = plan_sketch_from(base, by=world.by, now=NOW)
    Plan.objects.filter(pk=sketch.pk).update(base_version=None)
    with refused("plan_base"):
        plan_publish(sketch, by=world.by, now=NOW)
    assert plan_in_force(world.season) == base
