"""The plan of contributions and the page of the population: figures, limits, refusals, what is saved."""

import csv
import io
from collections.abc import Callable
from typing import Any
from unittest import mock

import pytest
from django.core.cache import cache
from django.test import Client
from django.urls import reverse
from django.utils.html import strip_tags

from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from breeding.models import EvaluationRun, PlannedCross, Queen
from breeding.queries import contribution_kernel, contributions
from breeding.queries.contributions import Wish, contribution_plan, mother_candidates, source_candidates
from breeding.queries.population import population_of
from breeding.services.queens import queen_register
from tests.breeding.bred import Bred, breed
from tests.breeding.conftest import Stock
from tests.factories import NOW, MemberFactory, QueenFactory

pytestmark = pytest.mark.django_db
ClientOf = Callable[[str], Client]


@pytest.fixture(autouse=True)
def _empty_cache() -> None:
    cache.clear()
    contributions._planned.cache_clear()


@pytest.fixture
def bred() -> Bred:
    return breed(MemberFactory())


@pytest.fixture
def stocked(stock: Stock) -> Bred:
    """The same within the stock that the clients look at."""
    return breed(stock.owner, trait=stock.traits["gentleness"])


def _plan(bred: Bred, **wish: Any) -> Any:
    run = bred.run
    return contribution_plan(run, mother_candidates(run), source_candidates(run), Wish(**wish))


def test_a_plan_adds_up_stays_below_its_ceiling_and_gains_with_it(bred: Bred) -> None:
    low, high = _plan(bred, ceiling=0.16), _plan(bred, ceiling=0.25)
    for plan in (low, high):
        assert plan.status == "optimal"
        assert plan.coancestry <= plan.target * (1 + 1e-6)
        for uses in (plan.mothers, plan.sources):
            assert sum(use.number for use in uses) == 40
            assert sum(use.share for use in uses) == pytest.approx(1, abs=1e-4)
        assert sum(pair.number for pair in plan.allocated.pairs) == 40
        by_mother = {use.candidate.queen: use.number for use in plan.mothers}
        for mother, number in by_mother.items():
            assert sum(pair.number for pair in plan.allocated.pairs if pair.mother == mother) == number
        assert plan.allocated.mean <= plan.allocated.at_random + 1e-12 or not plan.allocated.all_sound
        assert [gain for _, gain in plan.curve] == sorted(gain for _, gain in plan.curve)
        assert plan.whole[1] == pytest.approx(plan.gain, abs=0.05)
    assert low.gain < high.gain
    assert low.equal == high.equal


def test_a_rate_is_counted_from_the_coancestry_between_the_candidates(bred: Bred) -> None:
    plan = _plan(bred, rate=0.05)
    assert plan.now is not None
    assert plan.target == pytest.approx(plan.now + 0.05 * (1 - plan.now))


def test_an_impossible_ceiling_is_said_with_the_least_there_is(bred: Bred) -> None:
    plan = _plan(bred, ceiling=0.01)
    assert (plan.status, plan.mothers, plan.allocated, plan.whole) == ("infeasible", [], None, None)
    assert f"{100 * plan.least:.1f} %" in plan.message
    assert plan.least_rate == pytest.approx((plan.least - plan.now) / (1 - plan.now))
    again = _plan(bred, ceiling=plan.least * 1.001)
    assert again.status == "optimal"


def test_limits_in_queens_hold_on_each_path_by_itself(bred: Bred) -> None:
    plan = _plan(bred, ceiling=0.3, queens=20, mother_most=8, source_least=4)
    assert max(use.number for use in plan.mothers) <= 8
    assert min(use.number for use in plan.sources) >= 4
    assert max(use.number for use in plan.sources) > 8  # the mothers' limit is not theirs
    for wish, field in (
        ({"mother_most": 1}, "mother_most"),
        ({"source_most": 5, "source_least": 6}, "source_least"),
        ({"mother_least": 41}, "mother_least"),
    ):
        with pytest.raises(Refusal) as refused:
            _plan(bred, **wish)
        assert refused.value.field == field


def test_mothers_meet_sources_for_viability_too(bred: Bred) -> None:
    plan = _plan(bred, ceiling=0.2, goal="viability")
    assert plan.allocated.mean >= plan.allocated.at_random - 1e-12 or not plan.allocated.all_sound


def test_the_page_works_out_the_usual_plan_draws_it_and_saves_its_crosses(client_of: ClientOf, stocked: Bred) -> None:
    client = client_of("breeder")
    address = reverse("breeding:contributions")
    text = client.get(address, {"ceiling": "20", "queens": "24"}).content.decode()
    for part in ("What merit costs in coancestry", "this plan", "Who meets whom", "Queens to raise", "lowest possible"):
        assert part in text, part
    rows = list(
        csv.DictReader(
            io.StringIO(
                client.get(reverse("breeding:contributions_csv"), {"ceiling": "20", "queens": "24"})
                .content.decode()
                .lstrip("\ufeff")
            )
        )
    )
    for part in ("mother", "source", "cross"):
        assert sum(int(row["queens"]) for row in rows if row["part"] == part) == 24
    year = text.split('id="season_year"')[1].split('option value="')[1].split('"')[0]
    response = client.post(
        reverse("breeding:contributions_save"), {"ceiling": "20", "queens": "24", "season_year": year}
    )
    assert response["Location"] == reverse("breeding:planned_crosses")
    pairs = {(row["mother"], row["source"]) for row in rows if row["part"] == "cross"}
    assert {(cross.mother.label, cross.shares.get().drone_queen.label) for cross in PlannedCross.objects.all()} == pairs


def test_bad_input_stands_beside_its_field_and_nothing_is_worked_out(client_of: ClientOf, stocked: Bred) -> None:
    client = client_of("coordinator")
    address = reverse("breeding:contributions")
    for query, said in (
        ({"rate": "x"}, 'role="alert"'),
        ({"ceiling": "0"}, "above 0 %"),
        ({"mothers": "Nobody"}, "There is no queen Nobody"),
        ({"mother_most": "1", "queens": "40"}, "Allow more."),
    ):
        text = client.get(address, query).content.decode()
        assert said in text, query
        assert "Who meets whom" not in text
    response = client.post(reverse("breeding:contributions_save"), {"rate": "x", "season_year": "2025"})
    assert response.status_code == 302
    assert not PlannedCross.objects.exists()
    assert client.get(reverse("breeding:contributions_csv"), {"rate": "x"}).status_code == 302


def test_an_impossible_ceiling_and_unknown_candidates_are_explained(
    client_of: ClientOf, stock: Stock, stocked: Bred
) -> None:
    QueenFactory(owner=stock.owner, label="Newcomer")
    client = client_of("breeder")
    address = reverse("breeding:contributions")
    text = client.get(address, {"ceiling": "1"}).content.decode()
    assert "These candidates cannot stay below" in text
    assert "Allow more coancestry, name more candidates" in text
    assert "Plan these crosses" not in text
    text = client.get(address, {"mothers": "D0, D1, Newcomer", "ceiling": "40"}).content.decode()
    assert "Some named queens take no part." in text
    assert "Newcomer" in text


def test_without_an_evaluation_the_page_says_what_it_needs(client_of: ClientOf, stock: Stock) -> None:
    EvaluationRun.objects.all().delete()
    assert (
        "Contributions need an evaluation first"
        in client_of("breeder").get(reverse("breeding:contributions")).content.decode()
    )


def test_population_by_hand(bred: Bred) -> None:
    """Founders of 2021 unrelated; daughters of 2024: mothers and both drone sources known one back."""
    found = population_of(bred.run.cooperative)
    assert found is not None
    assert (found.queens, found.reference) == (12, 12)
    assert [(year.year, year.queens) for year in found.years] == [(2021, 4), (2024, 8)]
    assert found.years[0].coancestry == 0
    assert (found.years[0].inbreeding, found.years[1].inbreeding) == (0, 0)
    # 8 of 12 know their mothers (half of the pedigree); whom their open-mated mothers met nobody knows.
    assert found.completeness[0] == pytest.approx(8 / 12 * 0.5)
    assert found.completeness[1] == 0
    assert found.known_generations == pytest.approx(8 / 12 * 0.5)
    # two pairs each of four mothers' half sisters: a = 1/4 + 1/(2·12), f half of it, in 4 of 28 pairs
    assert found.years[1].coancestry == pytest.approx((0.25 + 0.5 / 12) / 2 * 4 / 28)
    assert (found.interval_mothers, found.interval_drones) == (3.0, None)
    assert {ancestor.queen for ancestor in found.main if ancestor.queen} >= set(bred.founders)


def test_population_follows_what_is_written(bred: Bred) -> None:
    before = population_of(bred.run.cooperative)
    assert population_of(bred.run.cooperative) == before
    mother = bred.daughters[0]
    queen_register(mother.owner, label="E", birth_year=2025, mother=mother, by=None, now=NOW)
    after = population_of(bred.run.cooperative)
    assert after is not None
    assert after.years[-1].year == 2025


def test_the_page_of_the_population_and_its_empty_state(client_of: ClientOf, stocked: Bred) -> None:
    address = reverse("breeding:population")
    text = client_of("owner").get(address).content.decode()
    for part in ("Inbreeding and coancestry by year", "Effective founders", "Generations back", "ln(1 − coancestry)"):
        assert part in text, part
    stranger = strip_tags(client_of("other cooperative").get(address).content.decode())
    assert "No pedigree yet" in stranger
    assert "F0" not in stranger
    Queen.objects.update(birth_year=None)
    cache.clear()
    assert "No year of birth is known" in client_of("colleague").get(address).content.decode()


def test_a_plan_is_worked_out_again_after_a_write_and_for_another_wish(bred: Bred) -> None:
    run = bred.run
    mothers, sources = mother_candidates(run), source_candidates(run)
    with mock.patch.object(contribution_kernel, "plan", wraps=contribution_kernel.plan) as worked_out:
        first = contribution_plan(run, mothers, sources, Wish())
        assert contribution_plan(run, mother_candidates(run), source_candidates(run), Wish()) is first
        assert worked_out.call_count == 1
        contribution_plan(run, mothers, sources, Wish(queens=12))
        assert worked_out.call_count == 2
        queen = bred.founders[0]
        audit_record(queen, action="queen.edit", cooperative=run.cooperative, by=None, now=NOW)
        assert contribution_plan(run, mothers, sources, Wish()) is not first
        assert worked_out.call_count == 3
