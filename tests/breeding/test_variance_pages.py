"""Own variances on their page: what it says, to whom, and what is adopted from it."""

import re
from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from accounts.models import Job
from accounts.services.jobs import job_run
from breeding.queries.variance_words import trait_words
from breeding.queries.variances import adoption_in_use
from tests.breeding.conftest import Stock
from tests.breeding.variances import kept, made
from tests.factories import NOW, CooperativeFactory

pytestmark = pytest.mark.django_db

# Words


def words_of(page: str) -> str:
    """What stands on a page to be read: where the season rule draws the present moment may be at 120.77."""
    return re.sub(r"<svg.*?</svg>|<[^>]*>", " ", page, flags=re.DOTALL)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "The data show both effects."),
        ({"tests": [{"against": "queen", "statistic": 0.4, "p": 0.42}]}, "by the queens' part alone (p = 0.42)"),
        ({"records": 120}, "From 120 results only"),
        ({"h2_queen": [0.1, 0.09]}, "Very unsure for queens"),
        ({"permanent": [0.12, 0.05]}, "makes 0.12 ± 0.05 of the variance"),
        ({"effects": "worker", "h2_queen": None, "colonies": 40, "mated": 300}, "40 of 300 colonies have results"),
        ({"status": "not_apart"}, "cannot tell the parts of the variance apart"),
        ({"status": "not_converged", "rounds": 100}, "no end in 100 rounds"),
        ({"status": "few", "records": 1, "needed": 50}, "1 result; a search is started from 50 on."),
    ],
)
def test_each_ending_is_said_in_words(changes: dict[str, Any], said: str) -> None:
    assert said in " ".join(trait_words(kept(**changes)))


@pytest.mark.parametrize(
    ("term", "kind", "effects", "said"),
    [
        ("genetic", "variance", [0], "the workers' variance reaches 0"),
        ("genetic", "variance", [1], "the queens' variance reaches 0"),
        ("genetic", "correlation", [0, 1], "the correlation of worker and queen effect reaches −1"),
        ("permanent", "variance", [0], "the lasting effect of the colony reaches 0"),
        ("residual", "residual", [0], "nothing is left to chance"),
    ],
)
def test_an_edge_is_said_in_words(term: str, kind: str, effects: list[int], said: str) -> None:
    edges = [{"term": term, "kind": kind, "effects": effects}]
    assert trait_words(kept(status="edge", edges=edges)) == [f"Not estimable with these data: {said}."]


# Pages


def test_without_estimates_the_page_shows_the_starting_values(client_of: Callable[[str], Client], stock: Stock) -> None:
    page = client_of("owner").get(reverse("breeding:variances")).content.decode()
    assert "Evaluations use the starting values" in page
    assert "Honey yield" in page
    assert "Overwintering" not in page  # takes no part
    assert "Estimate from our own results" not in page
    assert "Estimate from our own results" in client_of("breeder").get(reverse("breeding:variances")).content.decode()


def test_estimates_stand_beside_the_start_and_are_adopted_from_the_page(
    client_of: Callable[[str], Client], stock: Stock
) -> None:
    made(stock.cooperative, {"honey_yield": kept(), "gentleness": kept(status="not_apart")})
    client = client_of("breeder")
    page = client.get(reverse("breeding:variances")).content.decode()
    assert "0.30 ± 0.10" in page
    assert "start 0.25" in page
    assert 'value="honey_yield"' in page
    assert 'value="gentleness"' not in page
    sent = {"estimate": "1", "seen": "", "traits": ["honey_yield"]}
    client.post(reverse("breeding:variances_take"), sent)
    page = client.get(reverse("breeding:variances")).content.decode()
    assert "Evaluations use estimates 1 for Honey yield" in page
    assert "Back to the starting values" in page
    now = adoption_in_use(stock.cooperative)
    assert now is not None
    client.post(reverse("breeding:variances_take"), {"seen": str(now.pk)})
    assert "Evaluations use the starting values" in client.get(reverse("breeding:variances")).content.decode()


def test_only_what_can_be_trusted_is_ticked_beforehand_and_edges_show_no_figures(
    client_of: Callable[[str], Client], stock: Stock
) -> None:
    edge = kept(status="edge", h2_worker=[0.91, 0.1], edges=[{"term": "genetic", "kind": "variance", "effects": [1]}])
    made(
        stock.cooperative,
        {
            "honey_yield": kept(),
            "gentleness": kept(records=90),
            "calmness": kept(h2_queen=[0.1, 0.3]),
            "swarming": edge,
        },
    )
    response = client_of("breeder").get(reverse("breeding:variances"))
    rows = {row.trait.key: (row.can_adopt, row.is_offered) for row in response.context["rows"]}
    assert rows == {
        "honey_yield": (True, True),
        "gentleness": (True, False),
        "calmness": (True, False),
        "swarming": (False, False),
        "pin_test": (False, False),
    }
    page = response.content.decode()
    assert len(re.findall(r"<input type=\"checkbox\"[^>]* checked", page)) == 1
    assert "0.91" not in words_of(page)


def test_members_see_the_estimates_and_cannot_adopt(client_of: Callable[[str], Client], stock: Stock) -> None:
    made(stock.cooperative, {"honey_yield": kept()})
    client = client_of("owner")
    page = client.get(reverse("breeding:variances")).content.decode()
    assert "0.30 ± 0.10" in page
    assert "Use the ticked" not in page
    sent = {"estimate": "1", "seen": "", "traits": ["honey_yield"]}
    assert client.post(reverse("breeding:variances_take"), sent).status_code == 403
    assert adoption_in_use(stock.cooperative) is None


def test_a_choice_over_somebody_elses_is_refused_on_the_page(client_of: Callable[[str], Client], stock: Stock) -> None:
    made(stock.cooperative, {"honey_yield": kept(), "gentleness": kept()})
    client = client_of("breeder")
    sent = {"estimate": "1", "seen": "", "traits": ["honey_yield"]}
    client.post(reverse("breeding:variances_take"), sent)
    response = client.post(reverse("breeding:variances_take"), {**sent, "traits": ["gentleness"]}, follow=True)
    assert "Somebody chose other variances meanwhile" in response.content.decode()
    now = adoption_in_use(stock.cooperative)
    assert now is not None
    assert now.traits == ["honey_yield"]


@pytest.mark.parametrize("number", ["7", "x", "99999999999"])
def test_an_estimate_that_is_not_there_or_belongs_elsewhere_is_not_found(
    client_of: Callable[[str], Client], stock: Stock, number: str
) -> None:
    made(CooperativeFactory(), {"honey_yield": kept(h2_worker=[0.77, 0.1])})
    client = client_of("breeder")
    page = client.get(reverse("breeding:variances")).content.decode()
    assert "0.77" not in words_of(page)
    assert client.post(reverse("breeding:variances_take"), {"estimate": number, "seen": ""}).status_code == 404


def test_the_work_is_watched_and_leads_to_the_estimates(client_of: Callable[[str], Client], stock: Stock) -> None:
    client = client_of("breeder")
    response = client.post(reverse("breeding:estimate_start"), {"together": "on"})
    job = Job.objects.get(kind="estimate")
    assert response["Location"] == reverse("breeding:estimate", args=[job.pk])
    assert job.arguments["together"] is True
    assert "on its way" in client.get(response["Location"]).content.decode()
    assert "An estimate is running" in client.get(reverse("breeding:variances")).content.decode()
    job_run(job.pk, now=NOW)
    steps = client.get(reverse("breeding:estimate_steps", args=[job.pk]))
    assert steps["HX-Refresh"] == "true"
    assert "No trait has 50 results yet" in steps.content.decode()
    assert "stopped; nothing was changed" in client.get(response["Location"]).content.decode()
