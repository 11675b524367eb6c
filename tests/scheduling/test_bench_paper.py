"""The paper twin: a sheet with every row, labels with a code that leads to the queen."""

import re

import pytest
from django.test import Client
from django.urls import reverse

from accounts.models import Role
from tests.factories import PersonFactory, RoleGrantFactory
from tests.scheduling.test_bench import Bench
from viz.qr import draw_qr

pytestmark = pytest.mark.django_db


@pytest.fixture
def bench() -> Bench:
    one = Bench()
    RoleGrantFactory(person=one.by, cooperative=one.session.season.cooperative, role=Role.OPERATOR)
    return one


@pytest.fixture
def operator(bench: Bench, client: Client) -> Client:
    client.force_login(bench.by)
    return client


def test_the_sheet_has_a_row_for_every_place_in_order(bench: Bench, operator: Client) -> None:
    page = operator.get(reverse("scheduling:bench_sheet", args=[bench.session.pk])).content.decode()
    found = re.findall(r'<th scope="row"><span class="code">([^<]+)</span>', page)
    assert found == [str(queen) for queen in bench.queens]
    assert page.count("☐ ☐ ☐") == 3
    assert '<svg xmlns="http://www.w3.org/2000/svg"' in page


@pytest.mark.parametrize("roll", ["0", "1"])
def test_every_virgin_has_a_label_with_her_own_code(bench: Bench, operator: Client, roll: str) -> None:
    page = operator.get(reverse("scheduling:bench_labels", args=[bench.session.pk]), {"roll": roll}).content.decode()
    codes = re.findall(r'<svg xmlns="http://www.w3.org/2000/svg"[^>]*class="qr">.*?</svg>', page)
    assert len(set(codes)) == 3
    assert codes[0] == draw_qr(f"HTTP://127.0.0.1:8000/Q/{bench.queens[0].queen_id}")
    assert ("roll-page" in page) is (roll == "1")


def test_a_code_leads_to_the_queen_and_to_the_session(bench: Bench, operator: Client) -> None:
    queen = bench.queens[0].queen
    assert operator.get(f"/Q/{queen.pk}").headers["Location"] == reverse("breeding:queen", args=[queen.pk])
    assert operator.get(f"/B/{bench.session.pk}/").headers["Location"] == f"/bench/{bench.session.pk}/"


@pytest.mark.parametrize("name", ["bench_sheet", "bench_labels"])
def test_paper_is_for_who_works_at_the_bench(bench: Bench, client: Client, name: str) -> None:
    address = reverse(f"scheduling:{name}", args=[bench.session.pk])
    breeder = PersonFactory()
    RoleGrantFactory(person=breeder, cooperative=bench.session.season.cooperative, role=Role.BREEDER)
    client.force_login(breeder)
    assert client.get(address).status_code == 403


def test_a_code_needs_a_text_and_carries_no_style() -> None:
    with pytest.raises(ValueError, match="text"):
        draw_qr("")
    assert "style" not in draw_qr("HTTPS://BROODTIDE.EXAMPLE/Q/1")
