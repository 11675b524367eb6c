"""Two plans beside each other: who gains, who loses, bound, gap, shares, sources, moves."""

import pytest
from django.test import Client
from django.urls import reverse

from accounts.models import Role
from scheduling.models import BenchSession, DroneSource, Plan, PlanState
from scheduling.queries.compare import Comparison, comparable_plans, comparison, usual_pair
from scheduling.queries.problem import problem_of
from scheduling.services.plans import plan_discard, plan_move, plan_sketch_from, plan_take_out
from tests.factories import NOW, BookingSourceFactory, DroneCohortFactory, DroneCountFactory, RoleGrantFactory
from tests.scheduling.plan_world import PlanWorld

pytestmark = pytest.mark.django_db


class Two(PlanWorld):
    """A published plan with ten queens, and a sketch from it in which Rowan has lost some."""

    def __init__(self) -> None:
        super().__init__()
        self.rowan, self.alder = self.ask("Rowan 1"), self.ask("Alder 1", minutes=1)
        self.plan = self.publish()
        self.sketch = plan_sketch_from(self.plan, by=self.by, now=NOW)

    def without_rowan(self) -> Plan:
        for placement in self.sketch.placements.filter(booking=self.rowan):
            plan_take_out(self.sketch, placement=placement, by=self.by, now=NOW)
        self.sketch.refresh_from_db()
        return self.sketch

    def compare(self, first: Plan, second: Plan) -> Comparison:
        return comparison(self.season, first, second, problem_of(self.season, now=NOW))


@pytest.fixture
def world() -> Two:
    return Two()


@pytest.fixture
def coordinator(world: Two, client: Client, monkeypatch: pytest.MonkeyPatch) -> Client:
    RoleGrantFactory(person=world.by, cooperative=world.season.cooperative, role=Role.COORDINATOR)
    monkeypatch.setattr("django.utils.timezone.now", lambda: NOW)
    client.force_login(world.by)
    return client


def test_two_equal_plans_differ_in_nothing(world: Two) -> None:
    found = world.compare(world.plan, world.sketch)
    assert (found.losing, found.gaining, found.moving, found.unchanged) == ([], [], [], 2)
    assert [(side.measures.served, side.moved, side.broken) for side in found.sides] == [(10, 0, []), (10, 0, [])]
    assert found.finding == f"{world.sketch} serves as many queens as {world.plan}"


def test_who_loses_is_named_with_queens_before_and_after(world: Two) -> None:
    found = world.compare(world.plan, world.without_rowan())
    assert [(row.member, row.asked, row.first, row.second, row.difference) for row in found.losing] == [
        (world.rowan.member, 5, 5, 0, -5)
    ]
    assert (found.gaining, found.moving, found.unchanged, found.told) == ([], [], 1, 10)
    first, second = found.sides
    assert (first.moved, second.moved) == (0, 5)
    assert (first.lowest_percent, second.lowest_percent, second.tenth_percent) == (100, 0, 0)
    assert (second.bound, second.gap_percent) == (10, 50)
    assert found.finding == f"{world.sketch} serves 5 queens fewer than {world.plan}"
    back = world.compare(world.sketch, world.plan)
    assert [(row.member, row.difference) for row in back.gaining] == [(world.rowan.member, 5)]
    assert back.finding == f"{world.plan} serves 5 queens more than {world.sketch}"


def test_who_only_moves_is_told_apart_from_who_loses(world: Two) -> None:
    placement = world.sketch.placements.filter(booking=world.alder).first()
    assert placement is not None
    target = next(session for session in world.sessions if session != placement.session)
    plan_move(
        world.sketch,
        booking=world.alder,
        session=target,
        source=world.source,
        queens=2,
        taken_from=placement,
        by=world.by,
        now=NOW,
    )
    found = world.compare(world.plan, world.sketch)
    assert [(row.member, row.difference, row.stay_elsewhere) for row in found.moving] == [(world.alder.member, 0, 2)]
    assert (found.second.moved, found.unchanged) == (2, 1)


def test_sources_are_weighed_by_their_semen(world: Two) -> None:
    ling = second_source(world)
    placement = world.sketch.placements.filter(booking=world.alder).first()
    assert placement is not None
    plan_move(
        world.sketch,
        booking=world.alder,
        session=placement.session,
        source=ling,
        queens=2,
        taken_from=placement,
        by=world.by,
        now=NOW,
    )
    found = world.compare(world.plan, world.sketch)
    shares = {row.source: (row.first, row.second) for row in found.sources}
    assert shares == {world.source: (1000, 800), ling: (0, 200)}
    assert [round(side.effective_sources, 3) for side in found.sides] == [1, round(1 / (0.8**2 + 0.2**2), 3)]


def second_source(world: Two) -> DroneSource:
    from tests.factories import DroneSourceFactory

    source: DroneSource = DroneSourceFactory(season=world.season, name="Ling")
    cohort = DroneCohortFactory(source=source, comb_in_on=world.source.cohorts.get().comb_in_on)
    DroneCountFactory(cohort=cohort, kind="capped", number=1500)
    for booking in world.bookings:
        BookingSourceFactory(booking=booking, source=source, merit=0.4, inbreeding=0.02, viability=0.93)
    return source


def test_a_plan_that_does_not_hold_any_more_says_so(world: Two) -> None:
    BenchSession.objects.update(places=2)
    found = world.compare(world.plan, world.sketch)
    assert [bool(side.broken) for side in found.sides] == [True, True]
    assert "is full" in found.first.broken[0]


def test_the_usual_pair_is_the_plan_in_force_and_the_newest_sketch(world: Two) -> None:
    assert usual_pair(world.season) == (world.plan, world.sketch)
    plan_discard(world.sketch, by=world.by, now=NOW)
    assert list(comparable_plans(world.season)) == [world.plan]
    assert usual_pair(world.season) == (world.plan, None)
    first, second = world.work_out(), world.work_out()
    Plan.objects.filter(pk=world.plan.pk).update(state=PlanState.CLOSED)
    assert usual_pair(world.season) == (first, second)


def test_the_board_leads_to_the_list_and_the_list_to_the_comparison(world: Two, coordinator: Client) -> None:
    sketch = world.without_rowan()
    board = coordinator.get(reverse("scheduling:board")).content.decode()
    assert reverse("scheduling:plans") in board
    listed = coordinator.get(reverse("scheduling:plans")).content.decode()
    assert f">{world.plan}</a>" in listed
    assert f">{sketch}</a>" in listed
    address = reverse("scheduling:plans_compare")
    page = coordinator.get(address).content.decode()
    assert "serves 5 queens fewer" in page
    assert world.rowan.member.name in page
    turned = coordinator.get(address, {"first": sketch.pk, "second": world.plan.pk}).content.decode()
    assert "serves 5 queens more" in turned


def test_a_plan_is_not_compared_with_itself_nor_with_one_of_another_cooperative(
    world: Two, coordinator: Client
) -> None:
    address = reverse("scheduling:plans_compare")
    same = coordinator.get(address, {"first": world.plan.pk, "second": world.plan.pk})
    assert (same.status_code, "Choose another plan than the first." in same.content.decode()) == (422, True)
    other = PlanWorld()
    other.ask("Hazel 1")
    strange = other.work_out()
    answer = coordinator.get(address, {"first": world.plan.pk, "second": strange.pk})
    assert (answer.status_code, str(strange) in answer.content.decode()) == (422, False)


def test_with_one_plan_there_is_nothing_to_compare(world: Two, coordinator: Client) -> None:
    plan_discard(world.sketch, by=world.by, now=NOW)
    page = coordinator.get(reverse("scheduling:plans_compare")).content.decode()
    assert "There are no two plans yet" in page
