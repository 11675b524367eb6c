"""Cross planner, its detail and the planned crosses: who sees what, what is shown, what bad input gets."""

import csv
import io
from collections.abc import Callable

import pytest
from django.core.cache import cache
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils.html import strip_tags

from breeding.models import EvaluationRun, Merit, PlannedCross, TraitValue
from breeding.queries import cross_kernel
from breeding.services.crosses import cross_save
from tests.breeding.bred import Bred, breed
from tests.breeding.conftest import PEOPLE, Stock
from tests.factories import NOW, QueenFactory, SeasonFactory

pytestmark = pytest.mark.django_db
ClientOf = Callable[[str], Client]


@pytest.fixture(autouse=True)
def _empty_cache() -> None:
    cache.clear()
    cross_kernel.crosses_forget()


@pytest.fixture
def bred(stock: Stock) -> Bred:
    return breed(stock.owner, trait=stock.traits["gentleness"])


def _page(client: Client, name: str, **query: str) -> str:
    response = client.get(reverse(f"breeding:{name}"), query)
    assert response.status_code == 200, response.status_code
    return response.content.decode()


PAGES = ["crosses", "crosses_csv", "cross", "planned_crosses", "population", "contributions", "contributions_csv"]


@pytest.mark.parametrize("who", PEOPLE)
def test_every_member_sees_crosses_and_population_and_planners_the_contributions(
    client_of: ClientOf, bred: Bred, who: str
) -> None:
    client = client_of(who)
    for name in PAGES:
        status = client.get(reverse(f"breeding:{name}")).status_code
        # without tags, since the token of a form is drawn at random and now and then holds the label
        text = strip_tags(client.get(reverse(f"breeding:{name}")).content.decode())
        if who in ("anonymous", "nobody"):
            assert status in (302, 403), (name, status)
            assert "D7" not in text
        elif name.startswith("contributions") and who in ("owner", "colleague"):
            assert status == 403
        elif who == "other cooperative":
            assert status in (200, 302)
            assert "D7" not in text
        else:
            assert status == 200


def test_the_best_mothers_meet_the_best_sources_by_default(client_of: ClientOf, bred: Bred) -> None:
    text = _page(client_of("owner"), "crosses")
    contributions = reverse("breeding:contributions")  # for breeders and the coordinator alone
    assert (contributions in text, contributions in _page(client_of("breeder"), "crosses")) == (False, True)
    assert "D7 × D6" in text
    assert "crosses are without a warning" in text
    assert 'data-heat="4"' in text
    assert text.count('data-heat="') == 12 * 12  # all mated: their daughters may meet their own drones, too
    assert "breeding/crosses" not in text


def test_named_queens_are_compared_by_what_was_asked(client_of: ClientOf, bred: Bred) -> None:
    client = client_of("owner")
    text = _page(client, "crosses", mothers="d0, D1", sources="F0\nF3", by="inbreeding")
    assert text.count('data-heat="') == 4
    assert "Chance that a worker got the same gene twice" in text
    rows = list(
        csv.DictReader(io.StringIO(_page(client, "crosses_csv", mothers="d0, D1", sources="F0\nF3").lstrip("\ufeff")))
    )
    assert {(row["mother"], row["source"]) for row in rows} == {(m, s) for m in ("D0", "D1") for s in ("F0", "F3")}
    # daughters of D0, herself a daughter of F0: f(daughter, F0) = 1/4 · 1/2 ·(1 + …) at least 1/8
    by_pair = {(row["mother"], row["source"]): float(row["inbreeding"]) for row in rows}
    assert by_pair["D0", "F0"] >= 0.125
    assert by_pair["D0", "F3"] == 0


def test_unknown_labels_are_named_and_what_was_typed_is_kept(client_of: ClientOf, bred: Bred) -> None:
    text = _page(client_of("owner"), "crosses", mothers="D0, Nobody 7", drones="0")
    assert "There is no queen Nobody 7" in text
    assert ">\nD0, Nobody 7</textarea>" in text.replace("\r", "")
    assert "data-heat" not in text
    too_many = ", ".join(f"Q{n}" for n in range(61))
    assert "Name at most 60" in _page(client_of("colleague"), "crosses", mothers=too_many)


def test_without_an_evaluation_inbreeding_and_viability_are_compared(client_of: ClientOf, bred: Bred) -> None:
    EvaluationRun.objects.all().delete()
    text = _page(client_of("owner"), "crosses")
    assert "There is no evaluation yet, so no merit is shown." in text
    assert "Merit of the daughters</a>" not in text
    assert "data-heat" in text


def test_an_empty_stock_says_what_will_be_here(client_of: ClientOf, stock: Stock) -> None:
    for queen in (stock.queen, stock.queen.mother):
        assert queen is not None
        type(queen).objects.filter(pk=queen.pk).update(status="gone")
    assert "Nobody to cross yet" in _page(client_of("owner"), "crosses")
    assert "No cross is planned yet" in _page(client_of("colleague"), "planned_crosses")
    assert "Name a mother and at least one drone source" in _page(client_of("coordinator"), "cross")


def test_one_cross_with_everything_that_can_be_said(client_of: ClientOf, bred: Bred) -> None:
    text = _page(client_of("breeder"), "cross", mother="D0", source_1="F0", drones="12")
    assert "12 drones for each queen" in text
    assert "The parents are close." in text
    assert "Plan this cross" in text
    assert "merit of the daughters, genetic SD" in text
    known = _page(client_of("owner"), "cross", mother="D0", source_1="F0", genotypes="F0: 3 7\nD0: 3 7")
    assert "brood cells would stay empty" in known
    assert "Plan this cross" not in known
    mixture = _page(
        client_of("colleague"), "cross", mother="D0", source_1="F0", share_1="6", source_2="F3", share_2="2"
    )
    assert "F0 75 %, F3 25 %" in mixture


@pytest.mark.parametrize(
    ("query", "text"),
    [
        ({"mother": "Nobody", "source_1": "F0"}, "There is no queen Nobody."),
        ({"mother": "D0"}, "This field is required."),
        ({"mother": "D0", "source_1": "F0", "genotypes": "F0: 3 3"}, "needs two different alleles"),
        ({"mother": "D0", "source_1": "F0", "genotypes": "F0 3 7"}, "There is no queen"),
        ({"mother": "D0", "source_1": "F0", "drones": "9999"}, "200"),
    ],
)
def test_what_cannot_be_read_is_said_beside_its_field(
    client_of: ClientOf, bred: Bred, query: dict[str, str], text: str
) -> None:
    page = _page(client_of("owner"), "cross", **query)
    assert text in page
    assert 'role="alert"' in page
    assert "brood viability</p>" not in page


def test_a_queen_younger_than_the_evaluation_without_a_known_mother_has_no_merit(
    client_of: ClientOf, stock: Stock, bred: Bred
) -> None:
    QueenFactory(owner=stock.owner, label="New")
    text = _page(client_of("owner"), "cross", mother="New", source_1="F0")
    assert "not in the latest evaluation" in text
    assert "virgin and is inseminated herself" in text


def _save(client: Client, **data: str) -> object:
    return client.post(
        reverse("breeding:cross_add"), {"mother": "D0", "source_1": "F3", "season_year": str(NOW.year), **data}
    )


def test_a_cross_is_saved_from_its_page_removed_and_brought_back(
    client_of: ClientOf, stock: Stock, bred: Bred, settings: object
) -> None:
    client = client_of("breeder")
    this_year = _years(_page(client, "cross", mother="D0", source_1="F3"))[0]
    response = _save(client, season_year=this_year, note="early")
    assert response["Location"] == reverse("breeding:planned_crosses")  # type: ignore[index]
    saved = PlannedCross.objects.get()
    text = _page(client, "planned_crosses")
    assert "D0 × F3" in text
    assert "early" in text
    assert f"{reverse('scheduling:batch_add')}?mother={bred.daughters[0].label}" not in text  # a breeder of no member
    response = client.post(reverse("breeding:planned_remove", args=[saved.pk]), follow=True)
    assert not PlannedCross.objects.exists()
    undo = response.context["messages"]._loaded_messages[0].extra_tags.removeprefix("undo:")
    client.post(undo)
    assert PlannedCross.objects.get().mother == bred.daughters[0]


def _years(text: str) -> list[str]:
    part = text.split('id="season_year"')[1].split("</select>")[0]
    return [piece.split('"')[0] for piece in part.split('option value="')[1:]]


@pytest.mark.parametrize("who", PEOPLE)
def test_breeders_and_the_coordinator_write_down_and_remove(client_of: ClientOf, bred: Bred, who: str) -> None:
    saved = cross_save(
        bred.run.cooperative, mother=bred.daughters[1], shares={bred.founders[0]: 1}, season_year=NOW.year, by=None,
        now=NOW,
    )  # fmt: skip
    client = client_of(who)
    response = _save(client)
    removed = client.post(reverse("breeding:planned_remove", args=[saved.pk]))
    if who in ("breeder", "coordinator"):
        assert (response.status_code, removed.status_code) == (302, 302)  # type: ignore[attr-defined]
        assert not PlannedCross.objects.filter(pk=saved.pk).exists()
    else:
        assert response.status_code in (302, 403)  # type: ignore[attr-defined]
        assert removed.status_code in (302, 403, 404)
        assert list(PlannedCross.objects.all()) == [saved]


def test_a_member_is_led_to_plan_a_batch(client_of: ClientOf, bred: Bred) -> None:
    cross_save(
        bred.run.cooperative, mother=bred.daughters[1], shares={bred.founders[0]: 1}, season_year=NOW.year, by=None,
        now=NOW,
    )  # fmt: skip
    client = client_of("owner")
    address = f"{reverse('scheduling:batch_add')}?mother={bred.daughters[1].label}"
    assert address in _page(client, "planned_crosses")
    SeasonFactory(cooperative=bred.run.cooperative)
    assert f'name="mother" value="{bred.daughters[1].label}"' in client.get(address).content.decode()


def test_what_cannot_be_saved_says_why_and_keeps_the_question(client_of: ClientOf, bred: Bred) -> None:
    client = client_of("breeder")
    response = client.post(
        reverse("breeding:cross_add"), {"mother": "D0", "source_1": "F3", "season_year": "1951"}, follow=True
    )
    assert "A cross is planned for" in response.content.decode()
    assert "D0 × F3" in response.content.decode()
    assert not PlannedCross.objects.exists()


@pytest.mark.parametrize("number", [1, 3])
def test_the_list_of_planned_crosses_costs_the_same_queries(client_of: ClientOf, bred: Bred, number: int) -> None:
    for n in range(number):
        for shares in ({bred.founders[n]: 1, bred.founders[3]: 1}, {bred.founders[n]: 1}):
            cross_save(
                bred.run.cooperative, mother=bred.daughters[n], shares=shares, season_year=NOW.year, by=None, now=NOW
            )
    client = client_of("owner")
    _page(client, "planned_crosses")
    with CaptureQueriesContext(connection) as queries:
        _page(client, "planned_crosses")
    # The pedigree is read generation by generation: its depth counts, not how many crosses there are.
    assert len(queries) <= 75, len(queries)


def test_values_of_another_run_are_not_mixed_in(client_of: ClientOf, bred: Bred) -> None:
    old = TraitValue.objects.filter(run=bred.run).first()
    assert old is not None
    newer = EvaluationRun.objects.create(
        cooperative=bred.run.cooperative, number=2, made_at=NOW, records_until=NOW.date(), queens=0, records=0,
        solver={}, parameters=bred.run.parameters,
    )  # fmt: skip
    assert not Merit.objects.filter(run=newer).exists()
    text = _page(client_of("owner"), "cross", mother="D0", source_1="F3")
    assert "not in the latest evaluation" in text
