"""A published plan repaired: what has changed, three choices, taken into a sketch, published as the next number."""

import datetime as dt
from collections.abc import Iterable

import pytest
from django.test import Client
from django.urls import reverse

from accounts.models import AuditEntry, Job, Role
from accounts.refusals import Refusal
from accounts.services.jobs import job_ask_stop, job_run
from scheduling.models import BenchPlace, BenchSession, DroneSource, PlaceState, Plan, PlanState
from scheduling.queries.plans import member_changes, plan_in_force
from scheduling.queries.problem import problem_of
from scheduling.queries.repair import changed_facts, choices_of, repair_choices
from scheduling.services.plan_ask import repair_ask
from scheduling.services.plan_publish import plan_publish
from scheduling.services.plan_repair import repair_choose
from scheduling.services.plans import plan_discard, plan_sketch_from
from scheduling.services.sessions import session_cancel
from tests.factories import NOW, RoleGrantFactory
from tests.scheduling.plan_world import PlanWorld

pytestmark = pytest.mark.django_db


class Published(PlanWorld):
    """Two bench days of six places; Rowan and Alder have five places each, spread over both."""

    def __init__(self) -> None:
        super().__init__(places=6)
        self.rowan, self.alder = self.ask("Rowan 1"), self.ask("Alder 1", minutes=1)
        self.plan = self.publish()

    def where(self, plan: Plan) -> dict[tuple[str, int], int]:
        return {(str(row.booking.batch), row.session.day.day): row.queens for row in plan.placements.all()}

    def closed_day(self) -> BenchSession:
        """The day with the fewest queens."""
        queens = dict.fromkeys(self.sessions, 0)
        for row in self.plan.placements.select_related("session"):
            queens[row.session] += row.queens
        return min(queens, key=lambda session: (queens[session], session.day))

    def repair(self, *, sessions: Iterable[BenchSession] = (), sources: Iterable[DroneSource] = ()) -> Plan:
        plan = repair_ask(self.season, sessions=sessions, sources=sources, by=self.by, now=NOW)
        assert plan.job is not None
        assert job_run(plan.job.pk, now=NOW)
        job = Job.objects.get(pk=plan.job.pk)
        assert (job.state, job.problem) == ("ready", "")
        return Plan.objects.select_related("job", "based_on", "season__cooperative").get(pk=plan.pk)


@pytest.fixture
def world() -> Published:
    return Published()


@pytest.fixture
def coordinator(world: Published, client: Client, monkeypatch: pytest.MonkeyPatch) -> Client:
    RoleGrantFactory(person=world.by, cooperative=world.season.cooperative, role=Role.COORDINATOR)
    monkeypatch.setattr("django.utils.timezone.now", lambda: NOW)
    client.force_login(world.by)
    return client


def refused(rule: str) -> "pytest.RaisesExc[Refusal]":
    return pytest.raises(Refusal, check=lambda refusal: refusal.rule == rule)


def test_where_nothing_changed_nobody_moves(world: Published) -> None:
    sketch = world.repair()
    assert world.where(sketch) == world.where(world.plan)
    assert [(choice["names"], choice["moved"]) for choice in choices_of(sketch)] == [
        (["fewest", "balanced", "most"], 0)
    ]
    assert (sketch.state, sketch.based_on, sketch.base_version) == (PlanState.TO_CHECK, world.plan, world.plan.version)
    assert member_changes(sketch, world.plan) == []
    assert changed_facts(world.plan, problem_of(world.season, now=NOW)) == []


def test_a_day_that_is_not_held_moves_only_its_own_queens(world: Published) -> None:
    closed = world.closed_day()
    stays = next(session for session in world.sessions if session != closed)
    before = world.where(world.plan)
    lost = sum(n for (_, day), n in before.items() if day == closed.day.day)
    sketch = world.repair(sessions=[closed])
    after = world.where(sketch)
    assert {day for _, day in after} == {stays.day.day}
    assert all(after[key] >= n for key, n in before.items() if key[1] == stays.day.day)
    assert sum(after.values()) == 6
    choice = choices_of(sketch)[0]
    assert (choice["moved"], choice["told"], choice["served"]) == (lost, 10, 6)
    assert sum(row.queens for row in sketch.unserved.all()) == 4
    # The facts themselves say nothing of the day yet: the sketch is up to date, and nobody hears that there is room.
    assert {reason["key"] for row in sketch.unserved.all() for reason in row.reasons}.isdisjoint({"room"})


def test_a_repair_is_published_as_the_next_plan_and_the_day_can_then_be_called_off(world: Published) -> None:
    closed = world.closed_day()
    with refused("session_places_given"):
        session_cancel(closed, reason="Nobody is there", by=world.by, now=NOW)
    sketch = world.repair(sessions=[closed])
    told = member_changes(sketch, world.plan)
    assert told
    published = plan_publish(sketch, version=sketch.version, by=world.by, now=NOW)
    assert (published.number, plan_in_force(world.season)) == (2, published)
    assert not BenchPlace.objects.filter(session=closed, state=PlaceState.HELD).exists()
    session_cancel(closed, reason="Nobody is there", by=world.by, now=NOW)


def test_a_source_that_is_gone_leaves_nobody_with_it_and_says_so(world: Published) -> None:
    sketch = world.repair(sources=[world.source])
    assert list(sketch.placements.all()) == []
    shown = repair_choices(sketch, problem_of(world.season, now=NOW))
    assert [(choice.moved, choice.served, len(choice.losses)) for choice in shown] == [(10, 0, 2)]
    assert all(world.source.name in change.old for change in shown[0].losses)


def test_what_has_changed_is_said_in_one_sentence_each(world: Published) -> None:
    DroneSource.objects.update(hold_since=NOW.date(), hold_reason="Waiting for the laboratory.")
    world.ask("Hazel 1", queens=2)
    found = changed_facts(world.plan, problem_of(world.season, now=NOW))
    assert found == [
        f"{world.source.name} has no drones to count on any more.",
        "Hazel 1: 2 queens are asked anew.",
    ]


def test_a_session_that_has_begun_is_no_day_lost(world: Published) -> None:
    BenchSession.objects.filter(pk=world.closed_day().pk).update(state="running")
    found = changed_facts(world.plan, problem_of(world.season, now=NOW))
    assert [sentence for sentence in found if "nobody is inseminated" in sentence] == []
    BenchSession.objects.filter(pk=world.closed_day().pk).update(state="cancelled")
    found = changed_facts(world.plan, problem_of(world.season, now=NOW))
    assert len([sentence for sentence in found if "nobody is inseminated" in sentence]) == 1


def test_without_a_published_plan_there_is_none_to_repair() -> None:
    world = PlanWorld()
    world.ask("Rowan 1")
    with refused("repair_no_plan"):
        repair_ask(world.season, by=world.by, now=NOW)


def test_asking_while_one_is_worked_out_gives_the_same(world: Published) -> None:
    first = repair_ask(world.season, by=world.by, now=NOW)
    assert repair_ask(world.season, by=world.by, now=NOW) == first


def test_a_stop_before_it_began_changes_nothing(world: Published) -> None:
    plan = repair_ask(world.season, by=world.by, now=NOW)
    assert plan.job is not None
    job_ask_stop(plan.job, by=world.by, now=NOW)
    assert job_run(plan.job.pk, now=NOW)
    plan.job.refresh_from_db()
    assert plan.job.state == "stopped"
    assert plan_in_force(world.season) == world.plan


def test_a_repair_begun_before_another_plan_cannot_be_published(world: Published) -> None:
    sketch = world.repair()
    plan_publish(plan_sketch_from(world.plan, by=world.by, now=NOW), by=world.by, now=NOW)
    sketch.refresh_from_db()
    with refused("plan_not_sketch"):
        plan_publish(sketch, by=world.by, now=NOW)


def with_another_choice(sketch: Plan) -> Plan:
    """Beside the fewest moves, the same plan without Rowan's queens, as a choice that can be told apart."""
    job = sketch.job
    assert job is not None
    first = job.result["choices"][0]
    rowan = first["plan"]["assign"][0]["booking"]
    assign = [placement for placement in first["plan"]["assign"] if placement["booking"] != rowan]
    queens: dict[tuple[str, int], int] = {}
    for placement in assign:
        place = (placement["bench"], placement["day"])
        queens[place] = queens.get(place, 0) + placement["queens"]
    co2 = [{"bench": bench, "day": day, "before": 0, "after": n} for (bench, day), n in queens.items()]
    other = {**first, "names": ["most"], "moved": 5, "plan": {**first["plan"], "assign": assign, "co2": co2}}
    job.result = {**job.result, "choices": [{**first, "names": ["fewest", "balanced"]}, other]}
    job.save(update_fields=["result"])
    return sketch


def test_another_choice_is_taken_into_the_sketch_and_nobody_is_told(world: Published) -> None:
    sketch = with_another_choice(world.repair())
    chosen = repair_choose(sketch, name="most", version=sketch.version, by=world.by, now=NOW)
    assert sum(row.queens for row in chosen.placements.all()) == 5
    assert (chosen.version, chosen.state, chosen.number) == (sketch.version + 1, PlanState.TO_CHECK, None)
    assert AuditEntry.objects.filter(action="plan.repair_choose").count() == 1
    assert [c.current for c in repair_choices(chosen, problem_of(world.season, now=NOW))] == [False, True]
    with refused("plan_version"):
        repair_choose(sketch, name="fewest", version=sketch.version, by=world.by, now=NOW)
    back = repair_choose(chosen, name="balanced", version=chosen.version, by=world.by, now=NOW)
    assert world.where(back) == world.where(world.plan)


def test_a_choice_that_does_not_hold_any_more_is_refused(world: Published) -> None:
    sketch = world.repair()
    with refused("repair_choice"):
        repair_choose(
            plan_sketch_from(world.plan, by=world.by, now=NOW), name="most", version=None, by=world.by, now=NOW
        )
    with refused("repair_day"):
        repair_choose(sketch, name="most", version=None, by=world.by, now=NOW + dt.timedelta(days=1))
    DroneSource.objects.update(hold_since=NOW.date(), hold_reason="Waiting for the laboratory.")
    with refused("excluded"):
        repair_choose(sketch, name="most", version=None, by=world.by, now=NOW)
    plan_discard(sketch, by=world.by, now=NOW)
    with refused("plan_not_sketch"):
        repair_choose(sketch, name="most", version=None, by=world.by, now=NOW)


def test_the_pages_lead_from_the_board_to_a_sketch(world: Published, coordinator: Client) -> None:
    world.ask("Hazel 1", queens=2)
    board = coordinator.get(reverse("scheduling:board")).content.decode()
    changed = reverse("scheduling:plan_changed", args=[world.plan.pk])
    assert changed in board
    page = coordinator.get(changed).content.decode()
    assert "Hazel 1: 2 queens are asked anew." in page
    asked = coordinator.post(changed, {"sessions": [world.closed_day().pk]})
    job = Job.objects.get(kind="plan", state="in_line")
    plan = Plan.objects.get(job=job)
    run = reverse("scheduling:plan_run", args=[plan.pk])
    assert asked.headers["Location"] == run
    assert "fewest moves" in coordinator.get(run).content.decode()
    assert job_run(job.pk, now=NOW)
    choices = reverse("scheduling:plan_repair", args=[plan.pk])
    assert coordinator.get(run).headers["Location"] == choices
    shown = coordinator.get(choices).content.decode()
    assert "Lose a place" in shown
    assert "This stands in the sketch now." in shown
    assert reverse("scheduling:session_cancel", args=[world.closed_day().pk]) in shown
    taken = coordinator.post(choices, {"choice": "fewest", "version": plan.version})
    assert taken.headers["Location"] == reverse("scheduling:plan", args=[plan.pk])
    assert "This sketch is a repair." in coordinator.get(reverse("scheduling:board")).content.decode()


def test_a_plan_that_is_no_repair_has_no_choices_page(world: Published, coordinator: Client) -> None:
    plan = reverse("scheduling:plan", args=[world.plan.pk])
    assert coordinator.get(reverse("scheduling:plan_repair", args=[world.plan.pk])).headers["Location"] == plan
    sketch = plan_sketch_from(world.plan, by=world.by, now=NOW)
    changed = coordinator.get(reverse("scheduling:plan_changed", args=[sketch.pk]))
    assert changed.headers["Location"] == reverse("scheduling:plan", args=[sketch.pk])


@pytest.mark.parametrize("name", ["plan_changed", "plan_repair"])
def test_only_the_coordinator_sees_them(world: Published, client: Client, name: str) -> None:
    client.force_login(world.person(world.rowan))
    assert client.get(reverse(f"scheduling:{name}", args=[world.plan.pk])).status_code == 403
