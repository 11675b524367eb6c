"""Caps and targets of sources, the effective number of sources, the mean kinship that the matings leave."""

import pytest
from django.test import Client
from django.urls import reverse

from accounts.models import AuditEntry, Role
from accounts.refusals import Refusal
from breeding.models import Queen, QueenStatus
from breeding.queries.kinship import ceiling_after, kinship_of
from scheduling.models import DroneSource, Plan, SeasonSetting
from scheduling.planning.checker import check
from scheduling.planning.problem import Source
from scheduling.planning.problem_file import problem_from_json, problem_to_json
from scheduling.queries.compare import comparison
from scheduling.queries.kinship import season_kinship
from scheduling.queries.plan_rows import pure_plan
from scheduling.queries.problem import problem_of
from scheduling.queries.repair import changed_facts
from scheduling.queries.shares import shares_of
from scheduling.queries.worked_out import facts_mark
from scheduling.services.plan_publish import plan_publish
from scheduling.services.source_shares import WantedShare, source_shares_set
from tests.factories import (
    NOW,
    BookingSourceFactory,
    DroneCohortFactory,
    DroneCountFactory,
    DroneSourceFactory,
    MatingFactory,
    QueenFactory,
    RoleGrantFactory,
)
from tests.scheduling.plan_world import PlanWorld

pytestmark = pytest.mark.django_db


class TwoSources(PlanWorld):
    """Everybody accepts both sources; each alone could serve all."""

    def __init__(self) -> None:
        super().__init__()
        self.other: DroneSource = DroneSourceFactory(season=self.season, name="Tarn")
        cohort = DroneCohortFactory(source=self.other, comb_in_on=self.source.cohorts.get().comb_in_on)
        DroneCountFactory(cohort=cohort, kind="capped", number=1500)
        for name in ("Rowan 1", "Alder 1"):
            BookingSourceFactory(booking=self.ask(name), source=self.other, merit=0.2, inbreeding=0.0, viability=0.95)

    def set(self, cap: int | None = None, target: int | None = None, *, source: DroneSource | None = None) -> None:
        wanted = {(source or self.source).pk: WantedShare(cap, target)}
        source_shares_set(self.season, wanted, by=self.by, now=NOW)
        self.source.refresh_from_db()


@pytest.fixture
def world() -> TwoSources:
    return TwoSources()


@pytest.fixture
def coordinator(world: TwoSources, client: Client, monkeypatch: pytest.MonkeyPatch) -> Client:
    RoleGrantFactory(person=world.by, cooperative=world.season.cooperative, role=Role.COORDINATOR)
    monkeypatch.setattr("django.utils.timezone.now", lambda: NOW)
    client.force_login(world.by)
    return client


def refused(rule: str) -> "pytest.RaisesExc[Refusal]":
    return pytest.raises(Refusal, check=lambda refusal: refusal.rule == rule)


def pure(world: TwoSources, source: DroneSource) -> Source:
    return next(s for s in problem_of(world.season, now=NOW).sources if s.id == str(source.pk))


def test_a_cap_reaches_the_planner_and_every_plan_keeps_it(world: TwoSources) -> None:
    world.set(cap=300)
    assert [pure(world, source).share_cap_permille for source in (world.source, world.other)] == [300, None]
    plan = world.work_out()
    shares = shares_of(world.season, plan)
    assert plan.result["served"] == 10
    assert {row.source: (row.given, row.cap) for row in shares.rows} == {
        world.source: (300, 300),
        world.other: (700, None),
    }
    assert shares.effective == pytest.approx(1 / (0.3**2 + 0.7**2))


def test_a_plan_that_breaks_a_cap_set_since_is_not_published_and_the_board_says_why(world: TwoSources) -> None:
    plan = world.work_out()
    most = max(shares_of(world.season, plan).rows, key=lambda row: row.given)
    world.set(cap=100, source=most.source)
    problem = problem_of(world.season, now=NOW)
    assert plan.facts_mark != facts_mark(problem)
    assert [violation.rule for violation in check(problem, pure_plan(plan, problem))] == ["share"]
    assert changed_facts(plan, problem) == [f"{most.source} may give at most 10 % of all semen by now."]
    with refused("share"):
        plan_publish(plan, by=world.by, now=NOW)


def test_a_change_is_written_once_with_before_and_after(world: TwoSources) -> None:
    world.set(cap=400, target=250)
    world.set(cap=400, target=250)
    [entry] = AuditEntry.objects.filter(action="source.shares")
    assert (entry.before, entry.after) == (
        {"share_cap_permille": None, "share_target_permille": None},
        {"share_cap_permille": 400, "share_target_permille": 250},
    )
    world.set()
    assert (world.source.share_cap_permille, world.source.share_target_permille) == (None, None)


def test_shares_that_no_plan_could_keep_are_refused(world: TwoSources) -> None:
    with refused("share_target_over_cap"):
        world.set(cap=300, target=400)
    SeasonSetting.objects.create(season=world.season, key="max_source_share", value="0.6", changed_at=NOW)
    with refused("share_target_over_cap"):
        world.set(target=700)
    with refused("share_caps_too_small"):
        world.set(cap=300)  # 30 % and 60 % are no whole
    world.set(target=600)
    with refused("share_targets_over_all"):
        world.set(target=500, source=world.other)
    world.season.closed_at = NOW
    world.season.save(update_fields=["closed_at"])
    with refused("season_closed"):
        world.set(cap=500)


def test_the_planner_is_told_the_targets_and_they_count_as_facts(world: TwoSources) -> None:
    before = problem_of(world.season, now=NOW)
    assert not before.aims_at_shares
    world.set(target=250)
    after = problem_of(world.season, now=NOW)
    found = {source.id: source.share_target_permille for source in after.sources}
    assert found == {str(world.source.pk): 250, str(world.other.pk): None}
    assert problem_from_json(problem_to_json(after)) == after
    assert facts_mark(after) != facts_mark(before)


def test_how_far_a_plan_is_from_its_targets(world: TwoSources) -> None:
    plan = world.work_out()
    given = {row.source.pk: row.given for row in shares_of(world.season, plan).rows}
    assert shares_of(world.season, plan).off_target_percent is None
    world.set(target=500)
    world.set(target=500, source=world.other)
    expected = (abs(given[world.source.pk] - 500) + abs(given[world.other.pk] - 500)) / 20
    assert shares_of(world.season, plan).off_target_percent == expected


def test_the_kinship_of_a_plan_is_the_mean_coancestry_of_its_mothers_and_drone_queens(world: TwoSources) -> None:
    plan = world.work_out()
    [found] = season_kinship(world.season, [plan])
    assert found is not None
    # Unrelated, not inbred; mothers open-mated with 12 unrelated drones. Of the next generation half is of the two
    # mothers' daughters, f(W, W) = a_WW / 2 = 7/48 each, half of the sources' own genes, f = 1/2 each.
    volumes = {row.source.drone_queen_id: row.given / 1000 for row in shares_of(world.season, plan).rows}
    mothers = 2 * 0.25**2 * 7 / 48
    sources = sum((share / 2) ** 2 for share in volumes.values()) / 2
    assert found.expected == pytest.approx(mothers + sources, abs=1e-3)
    assert (found.now, found.ceiling, found.is_over) == (0, 0.01, True)


def test_related_sources_raise_the_kinship(world: TwoSources) -> None:
    plan = world.work_out()
    [before] = season_kinship(world.season, [plan])
    mother: Queen = QueenFactory(owner=world.source.member, status=QueenStatus.MATED)
    MatingFactory(queen=mother)
    drone_queens = [source.drone_queen_id for source in (world.source, world.other)]
    Queen.objects.filter(pk__in=drone_queens).update(mother=mother)
    [after] = season_kinship(world.season, [plan])
    assert before is not None
    assert after is not None
    shares = [row.given / 1000 for row in shares_of(world.season, plan).rows]
    # Half sisters and better: daughters of one open-mated queen have a = 7/24, so f = 7/48 between them.
    assert after.expected - before.expected == pytest.approx(2 * 0.25 * shares[0] * shares[1] * 7 / 48, abs=1e-3)
    assert after.now is not None
    assert after.ceiling == pytest.approx(after.now + 0.01 * (1 - after.now))


def test_what_is_inseminated_already_counts_and_a_plan_without_matings_has_no_kinship(world: TwoSources) -> None:
    empty = Plan.objects.create(season=world.season, state="sketch", created_at=NOW)
    assert season_kinship(world.season, [empty]) == [None]
    plan = world.publish()
    plan.bench_places.filter(booking=world.bookings[0]).update(state="done")
    [found] = season_kinship(world.season, [empty])
    assert found is not None
    sources = {place.source.drone_queen_id: 1.0 for place in plan.bench_places.filter(state="done") if place.source}
    mothers = {world.bookings[0].batch.mother_id: 1.0}
    assert len(sources) == 1
    assert found.expected == pytest.approx(kinship_of(list(mothers), list(sources), [(mothers, sources)]).of_uses[0])


def test_the_ceiling_is_the_rise_of_what_is_not_yet_alike() -> None:
    assert ceiling_after(0.1, 0.01) == pytest.approx(0.109)
    assert ceiling_after(1, 0.05) == 1


def test_the_comparison_names_targets_and_kinship(world: TwoSources) -> None:
    world.set(target=400)
    first, second = world.work_out(), world.work_out()
    found = comparison(world.season, first, second, problem_of(world.season, now=NOW))
    assert {row.source: row.target for row in found.sources}[world.source] == 400
    assert [side.kinship for side in found.sides] == season_kinship(world.season, [first, second])


def test_the_form_takes_per_cents_with_comma_and_keeps_what_was_typed(world: TwoSources, coordinator: Client) -> None:
    world.work_out()
    address = reverse("scheduling:source_shares")
    board = coordinator.get(reverse("scheduling:board")).content.decode()
    assert address in board
    plan = world.season.plans.get()
    assert f'href="{address}?plan={plan.pk}#kinship"' in board, "the page reads it in when it is scrolled to"
    assert '<p id="kinship">' in coordinator.get(address, {"plan": plan.pk}).content.decode()
    assert "Predicted mean kinship" in coordinator.get(address, {"plan": "99999"}).content.decode()
    cap, target = f"cap_{world.source.pk}", f"target_{world.source.pk}"
    wrong = coordinator.post(address, {cap: "30", target: "40,5"})
    page = wrong.content.decode()
    assert (wrong.status_code, "shall give 40.5 % and may give at most 30 %" in page, 'value="40,5"' in page) == (
        422,
        True,
        True,
    )
    done = coordinator.post(address, {cap: "62,5", target: "40"})
    assert done.headers["Location"] == address
    world.source.refresh_from_db()
    assert (world.source.share_cap_permille, world.source.share_target_permille) == (625, 400)
    assert 'value="62.5"' in coordinator.get(address).content.decode()
    assert coordinator.post(address, {cap: "101"}).status_code == 422
