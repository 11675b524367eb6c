"""Every page of the stock as owner, colleague, coordinator, breeder, stranger and anonymous."""

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client
from django.urls import get_resolver, reverse
from django.utils import timezone

from accounts.access import Viewer
from accounts.models import Job
from accounts.services.guest_links import guest_link_make
from breeding.models import Score, TableImport
from breeding.services.crosses import cross_remove, cross_save
from breeding.services.imports.importing import import_match, import_upload
from breeding.services.merges import queen_merge
from tests.breeding.conftest import Stock
from tests.factories import NOW, PersonFactory, QueenFactory

pytestmark = pytest.mark.django_db

SIGN_IN, ELSEWHERE = "sign in", "no cooperative"
EVERYONE = {"owner": 200, "colleague": 200, "coordinator": 200, "breeder": 200, "other cooperative": 200}
SEEN = {**EVERYONE, "other cooperative": 404}
OWN = {"owner": 200, "colleague": 403, "coordinator": 200, "breeder": 403, "other cooperative": 404}
IMPORT = {"owner": 404, "colleague": 404, "coordinator": 200, "breeder": 404, "other cooperative": 404}
OUTSIDE = {"nobody": ELSEWHERE, "anonymous": SIGN_IN}

PAGES: dict[str, tuple[str, dict[str, int]]] = {
    "stock": ("", EVERYONE),
    "stock_csv": ("table", EVERYONE),
    "standing": ("", EVERYONE),
    "standing_csv": ("", EVERYONE),
    "compare": ("", EVERYONE),
    "crosses": ("", EVERYONE),
    "crosses_csv": ("", EVERYONE),
    "cross": ("", EVERYONE),
    "planned_crosses": ("", EVERYONE),
    "population": ("", EVERYONE),
    "trend": ("", EVERYONE),
    "contributions": ("", {**EVERYONE, "owner": 403, "colleague": 403}),
    "queen_add": ("", {**EVERYONE, "breeder": 403}),
    "colony_add": ("", EVERYONE),
    "queen": ("queen", SEEN),
    "pedigree": ("queen", SEEN),
    "queen_edit": ("queen", OWN),
    "mating": ("queen", OWN),
    "queen_gone": ("queen", OWN),
    "queen_guests": ("queen", OWN),
    "duplicates": ("", EVERYONE),
    "queen_merge": ("two queens", {**OWN, "breeder": 200}),
    "guest_card": ("card", {**dict.fromkeys(EVERYONE, 200), "nobody": 200, "anonymous": 200}),
    "colony": ("colony", SEEN),
    "requeen": ("colony", OWN),
    "colony_end": ("colony", OWN),
    "scores": ("colony", OWN),
    "score_sheet": ("", EVERYONE),
    "score_correct": ("score", OWN),
    "evaluation": ("job", SEEN),
    "evaluation_steps": ("job", SEEN),
    "variances": ("", EVERYONE),
    "weights": ("", EVERYONE),
    "imports": ("", EVERYONE),
    "import_new": ("import kind", EVERYONE),
    "import_template": ("import kind", EVERYONE),
    "import": ("import", IMPORT),
    "import_steps": ("import", IMPORT),
    "import_columns": ("import", IMPORT),
    "import_problems": ("import", IMPORT),
    "estimate": ("estimate job", SEEN),
    "estimate_steps": ("estimate job", SEEN),
}
DECIDE = {"owner": 403, "colleague": 403, "coordinator": 302, "breeder": 302, "other cooperative": 302}
PAGES["evaluation_new"] = ("", {who: 200 if code == 302 else code for who, code in DECIDE.items()})
PAGES["trend_csv"] = ("", dict.fromkeys(DECIDE, 302))  # without a run it leads to its page
PAGES["contributions_csv"] = ("", DECIDE)  # without a plan it leads to its page
IMPORT_ACT = {who: 302 if code == 200 else code for who, code in IMPORT.items()}
ACTS: dict[str, tuple[str, dict[str, int]]] = {
    "cross_add": ("", DECIDE),
    "contributions_save": ("", DECIDE),
    "planned_remove": ("cross", {**DECIDE, "other cooperative": 404}),
    "planned_restore": ("removed cross", {**DECIDE, "other cooperative": 404}),
    "estimate_start": ("", DECIDE),
    "estimate_stop": ("estimate job", {**DECIDE, "other cooperative": 404}),
    "variances_take": ("", DECIDE),
    "queen_guest_end": ("queen link", {who: 302 if code == 200 else code for who, code in OWN.items()}),
    "queen_unmerge": ("merge", {**DECIDE, "owner": 302, "other cooperative": 404}),
    "queens_apart": ("two queens", {**DECIDE, "owner": 302, "other cooperative": 404}),
    "queens_apart_undo": ("two queens", {**DECIDE, "owner": 302, "other cooperative": 404}),
    "queen_back": ("queen", {who: 302 if code == 200 else code for who, code in OWN.items()}),
    "score_withdraw": ("score", {who: 302 if code == 200 else code for who, code in OWN.items()}),
    "score_restore": ("score", {who: 302 if code == 200 else code for who, code in OWN.items()}),
    "import_recheck": ("import", IMPORT_ACT),
    "import_commit": ("import", IMPORT_ACT),
    "import_undo": ("import", IMPORT_ACT),
    "import_set_aside": ("import", IMPORT_ACT),
    "nightly": ("", DECIDE),
    "evaluation_start": (
        "",
        {"owner": 403, "colleague": 403, "coordinator": 302, "breeder": 302, "other cooperative": 302},
    ),
    "evaluation_stop": (
        "job",
        {"owner": 403, "colleague": 403, "coordinator": 302, "breeder": 302, "other cooperative": 404},
    ),
}


JOBS = {"job": "evaluation", "estimate job": "estimate"}


def an_import(stock: Stock) -> TableImport:
    """Of somebody who has left: the coordinator alone sees it."""
    viewer = Viewer(PersonFactory(), stock.cooperative, frozenset(), frozenset())
    made = import_upload(viewer, kind="queens", file_name="q.csv", content=b"Queen,Member\nA,Fellside\n", now=NOW)
    return import_match(made, matched=made.matched, member=None, day_order="", viewer=viewer, now=NOW)


def _address(name: str, kind: str, stock: Stock) -> str:
    things: dict[str, Any] = {"queen": stock.queen, "colony": stock.colony, "score": stock.score}
    if kind == "table":
        return reverse(f"breeding:{name}", args=["queens"])
    if kind == "import kind":
        return reverse(f"breeding:{name}", args=["queens"])
    if kind == "import":
        things[kind] = an_import(stock)
    if kind in JOBS:
        things[kind] = Job.objects.create(cooperative=stock.cooperative, kind=JOBS[kind], requested_at=NOW)
    if kind.endswith("cross"):
        planned = cross_save(
            stock.cooperative, mother=stock.queen, shares={stock.queen: 1}, season_year=NOW.year, by=None, now=NOW
        )
        things[kind] = planned if kind == "cross" else cross_remove(planned, by=None, now=NOW)
    if kind in {"two queens", "merge"}:
        twin = QueenFactory(owner=stock.owner, label="Rowan-01")
        if kind == "two queens":
            return reverse(f"breeding:{name}", args=[stock.queen.pk, twin.pk])
        things[kind] = queen_merge(stock.queen, twin, by=None, now=timezone.now())
    if kind in {"card", "queen link"}:
        by, now = PersonFactory(), timezone.now()
        made, token = guest_link_make(stock.queen, name="Buyer", days=30, cooperative=stock.cooperative, by=by, now=now)
        return reverse(f"breeding:{name}", args=[token] if kind == "card" else [stock.queen.pk, made.pk])
    return reverse(f"breeding:{name}", args=[things[kind].pk] if kind else [])


def test_every_route_of_the_app_stands_in_the_tables() -> None:
    resolvers: list[Any] = [part for part in get_resolver().url_patterns if getattr(part, "app_name", "") == "breeding"]
    names = {pattern.name for resolver in resolvers for pattern in resolver.url_patterns}
    assert names == {*PAGES, *ACTS}


@pytest.mark.parametrize(
    ("name", "who", "expected"),
    [(name, who, code) for name, (_, codes) in PAGES.items() for who, code in {**OUTSIDE, **codes}.items()],
)
def test_who_may_open_which_page(
    client_of: Callable[[str], Client], stock: Stock, name: str, who: str, expected: int | str
) -> None:
    response = client_of(who).get(_address(name, PAGES[name][0], stock))
    if isinstance(expected, str):
        target = "accounts:sign_in" if expected == SIGN_IN else "accounts:no_cooperative"
        assert (response.status_code, response["Location"].split("?")[0]) == (302, reverse(target))
    else:
        assert response.status_code == expected


@pytest.mark.parametrize(
    ("name", "who", "expected"),
    [(name, who, code) for name, (_, codes) in ACTS.items() for who, code in {**codes, **OUTSIDE}.items()],
)
def test_who_may_do_what(
    client_of: Callable[[str], Client], stock: Stock, name: str, who: str, expected: int | str
) -> None:
    address = _address(name, ACTS[name][0], stock)
    client = client_of(who)
    assert client.get(address).status_code in ({405} if isinstance(expected, int) else {302, 405})
    response = client.post(address)
    assert response.status_code == (expected if isinstance(expected, int) else 302)
    if name == "score_withdraw":
        withdrawn = Score.objects.filter(pk=stock.score.pk, withdrawn_at__isnull=False).exists()
        assert withdrawn is (who in {"owner", "coordinator"})


@pytest.mark.parametrize("who", ["colleague", "breeder"])
def test_posting_to_a_page_one_may_only_read_changes_nothing(
    client_of: Callable[[str], Client], stock: Stock, who: str
) -> None:
    client = client_of(who)
    assert (
        client.post(reverse("breeding:queen_gone", args=[stock.queen.pk]), {"gone_on": "2026-01-01"}).status_code == 403
    )
    stock.queen.refresh_from_db()
    assert stock.queen.status == "mated"


def test_lists_show_nothing_of_another_cooperative(client_of: Callable[[str], Client], stock: Stock) -> None:
    elsewhere = QueenFactory(label="Elsewhere 9")
    page = client_of("owner").get(reverse("breeding:stock"), {"whose": "all"}).content.decode()
    assert "Rowan 1" in page
    assert elsewhere.label not in page
    stranger = client_of("other cooperative").get(reverse("breeding:stock"), {"whose": "all"}).content.decode()
    assert "Rowan 1" not in stranger


def test_labels_of_another_cooperative_are_not_known_in_forms(client_of: Callable[[str], Client], stock: Stock) -> None:
    QueenFactory(label="Elsewhere 9")
    page = client_of("breeder").get(reverse("breeding:cross"), {"mother": "Elsewhere 9"}).content.decode()
    assert "There is no queen Elsewhere 9." in page
