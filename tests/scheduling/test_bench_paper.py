"""The paper twin: a sheet with every row, labels with a code that leads to the queen."""

import re

import pytest
from django.test import Client
from django.urls import reverse

from accounts.models import Person, Role
from scheduling.models import BenchPlace, BenchSession
from scheduling.services.mixtures import lots_mix
from tests.factories import NOW, PersonFactory, RoleGrantFactory
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


@pytest.mark.parametrize(
    ("code", "shown"),
    [
        ("en-gb", "bench Tue 9 June, 09:30"),
        ("de", "Besamung Di 9. Juni, 09:30"),
        ("fr", "poste mar 9 juin, 09:30"),
        ("es", "mesa: mar 9 de junio, 09:30"),
    ],
)
def test_a_label_writes_the_day_as_whoever_prints_it_does(
    bench: Bench, operator: Client, code: str, shown: str
) -> None:
    Person.objects.filter(pk=bench.by.pk).update(language=code)
    page = operator.get(reverse("scheduling:bench_labels", args=[bench.session.pk])).content.decode()
    assert set(re.findall(r"<p>((?:bench|Besamung|poste|mesa:) [^<]+)</p>", page)) == {shown}


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


def test_a_place_of_a_mixture_names_each_of_its_sources_on_screen_and_paper(bench: Bench, operator: Client) -> None:
    bench.source.name, bench.other.name = "Ling", "Fell"
    bench.source.save()
    bench.other.save()
    mixture = bench.places[0].plan.pools.create(session=bench.session, name="P1")
    for source in (bench.source, bench.other):
        mixture.parts.create(source=source, volume_tenths=120)
    BenchPlace.objects.filter(pk=bench.places[1].pk).update(source=None, pool=mixture)
    BenchPlace.objects.filter(pk=bench.places[2].pk).update(source=None)
    for page, least in (("sheet", 1), ("labels", 0), ("session", 2)):
        shown = operator.get(reverse(f"scheduling:bench_{page}", args=[bench.session.pk])).content.decode()
        assert "None" not in shown
        assert shown.count("Fell") >= max(1, least)
    labels = operator.get(reverse("scheduling:bench_labels", args=[bench.session.pk])).content.decode()
    assert re.findall(r"<p>drones: ([^<]+)</p>", labels) == ["Ling", "Ling and Fell"]
    BenchSession.objects.filter(pk=bench.session.pk).update(state="open")
    prepare = operator.get(reverse("scheduling:bench_session", args=[bench.session.pk])).content.decode()
    assert "Fell" in prepare
    assert "None" not in prepare
    assert "–·" not in prepare


def test_the_end_says_how_much_of_each_lot_went_into_mixtures(bench: Bench, operator: Client) -> None:
    parts = {bench.lot(): 75, bench.lot(source=bench.other, tip="T2"): 50}
    lots_mix(bench.session, parts=parts, tip="M1", by=bench.by, now=NOW)
    page = operator.get(reverse("scheduling:bench_close", args=[bench.session.pk])).content.decode()
    rows = re.findall(r"<tr>(.*?)</tr>", page, re.DOTALL)[1:]
    cells = [re.findall(r'<td class="num"[^>]*>([^<]+)</td>', row) for row in rows]
    assert [one[:3] for one in cells] == [
        ["20 µl", "0 µl", "7.5 µl"],
        ["20 µl", "0 µl", "5 µl"],
        ["12.5 µl", "0 µl", "0 µl"],
    ]
