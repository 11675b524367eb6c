"""Search: what somebody may open, by what is written on it; the same words first."""

import datetime as dt

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from accounts.access import Viewer, viewer_of
from accounts.models import Person, Role
from breeding.models import Queen
from breeding.queries.search import found_queens, walk
from scheduling.models import SemenLot
from scheduling.queries.search import day_of, search
from tests.factories import NOW, BenchFactory, ColonyFactory, LineFactory, MemberFactory, QueenFactory
from tests.scheduling.world import TODAY, World, make_world

pytestmark = pytest.mark.django_db
Names = dict[str, list[str]]


@pytest.fixture
def world() -> World:
    return make_world()


def seen_by(person: Person) -> Viewer:
    viewer = viewer_of(person)
    assert viewer is not None
    return viewer


def names(viewer: Viewer, words: str) -> Names:
    return {kind.kind: [hit.name for hit in kind.hits] for kind in search(viewer, words, today=TODAY)}


def page_of(person: Person, words: str) -> str:
    client = Client()
    client.force_login(person)
    return client.get(reverse("scheduling:search"), {"q": words}).content.decode()


def test_every_kind_is_found_and_kinds_without_anything_are_left_out(world: World) -> None:
    coordinator = world.person(role=Role.COORDINATOR)
    coordinator.name = "Heather Fell"
    coordinator.save()
    member = MemberFactory(cooperative=world.cooperative, name="Heatherside")
    QueenFactory(owner=world.member, label="Heather 7")
    ColonyFactory(apiary=world.apiary, name="by the heather")
    world.batch(name="Heather 1")
    source = world.source(name="Heather", letter="H")
    session = world.session(bench=BenchFactory(cooperative=world.cooperative, name="Heather house"))
    SemenLot.objects.create(session=session, source=source, label="Heather-1", tip="T1", opened_at=NOW)
    viewer = seen_by(coordinator)
    assert names(viewer, "heather") == {
        "queen": ["Heather 7"],
        "colony": [f"{world.apiary} by the heather"],
        "batch": ["Heather 1"],
        "source": ["Heather"],
        "session": ["Tue 9 June 2026"],
        "member": [member.name],
        "person": ["Heather Fell"],
        "lot": ["Heather-1"],
    }
    assert names(viewer, "bracken") == {}
    assert names(viewer, "") == {}


def test_the_same_label_comes_first_then_those_that_begin_so(world: World) -> None:
    for label in ["Old HV-23", "HV-231", "HV-23", "hv-2 3", "HV-239", "KB-1"]:
        QueenFactory(owner=world.member, label=label)
    found = found_queens(seen_by(world.owner), "hv-23")
    assert [(hit.name, hit.exact) for hit in found.hits] == [
        ("HV-23", True), ("HV-231", False), ("HV-239", False), ("Old HV-23", False),
    ]  # fmt: skip


def test_batches_and_sources_are_found_by_the_queen_behind_them_and_by_their_letter(world: World) -> None:
    queen = world.mother(label="KB-087")
    world.batch(name="Rowan 1", mother=queen)
    world.source(name="Ling", letter="D", drone_queen=queen)
    viewer = seen_by(world.owner)
    assert names(viewer, "kb-087") == {"queen": ["KB-087"], "batch": ["Rowan 1"], "source": ["Ling"]}
    exact = {kind.kind: [hit.name for hit in kind.exact] for kind in search(viewer, "d", today=TODAY)}
    assert exact["source"] == ["Ling"]


def test_more_than_are_shown_is_said(world: World) -> None:
    for number in range(12):
        QueenFactory(owner=world.member, label=f"Fell {number:02}")
    found = found_queens(seen_by(world.owner), "fell")
    assert ([hit.name for hit in found.hits], found.more) == ([f"Fell {number:02}" for number in range(8)], True)
    page = page_of(world.owner, "fell")
    assert "More than 8 things match “fell”" in page
    assert "There are more. Write more of the name." in page


@pytest.mark.parametrize(
    ("words", "day"),
    [
        ("2026-06-25", dt.date(2026, 6, 25)),
        ("25 June", dt.date(2026, 6, 25)),
        ("Thu 25 Jun", dt.date(2026, 6, 25)),
        ("25.6.", dt.date(2026, 6, 25)),
        ("25/6", dt.date(2026, 6, 25)),
        ("3 July 2025", dt.date(2025, 7, 3)),
        ("31 June", None),
        ("2026-13-40", None),
        ("HV-231", None),
        ("7", None),
        ("25 Fell", None),
    ],
)
def test_a_day_as_people_write_it(words: str, day: dt.date | None) -> None:
    assert day_of(words, TODAY) == day


def test_a_bench_day_is_found_by_its_date(world: World) -> None:
    world.session(dt.date(2026, 6, 25))
    world.session(dt.date(2026, 6, 27))
    assert names(seen_by(world.owner), "25 June") == {"session": ["Thu 25 June 2026"]}


def test_nobody_finds_what_they_may_not_open(world: World) -> None:
    """Another cooperative's things, other members' and people's pages, what the bench alone may see."""
    other = make_world()
    QueenFactory(owner=other.member, label="Secret 1")
    other.batch(name="Secret 2")
    secret = MemberFactory(cooperative=world.cooperative, name="Secret side")
    session = world.session()
    SemenLot.objects.create(session=session, source=world.source(), label="Secret lot", tip="T1", opened_at=NOW)
    colleague = world.person(member=MemberFactory(cooperative=world.cooperative))
    colleague.name = "Secret Person"
    colleague.save()
    assert names(seen_by(world.owner), "secret") == {}
    assert names(seen_by(world.person(role=Role.OPERATOR)), "secret") == {"lot": ["Secret lot"]}
    assert names(seen_by(world.coordinator()), "secret") == {
        "member": [secret.name], "person": ["Secret Person"], "lot": ["Secret lot"],
    }  # fmt: skip


@pytest.mark.parametrize("role", [None, Role.OPERATOR, Role.BREEDER, Role.COORDINATOR])
def test_everything_that_is_found_opens(world: World, role: str | None) -> None:
    QueenFactory(owner=world.member, label="Ling 1")
    ColonyFactory(apiary=world.apiary, name="Ling 2")
    world.batch(name="Ling 3", virgins=2)
    source = world.source(name="Ling 4")
    session = world.session(bench=BenchFactory(cooperative=world.cooperative, name="Ling 5"))
    SemenLot.objects.create(session=session, source=source, label="Ling-1", tip="T1", opened_at=NOW)
    MemberFactory(cooperative=world.cooperative, name="Ling side")
    person = world.owner if role is None else world.person(role=role)
    client = Client()
    client.force_login(person)
    page = client.get(reverse("scheduling:search"), {"q": "ling"})
    links = [line["url"] for group in page.context["groups"] for line in group["lines"]]
    assert len(links) >= 5
    assert {client.get(link).status_code for link in links} == {200}


def test_pages_are_found_by_their_name(world: World) -> None:
    assert f'href="{reverse("breeding:trend")}"' in page_of(world.owner, "genetic tr").split("<main")[1]


def test_the_page_says_what_was_found(world: World) -> None:
    QueenFactory(owner=world.member, label="HV-23", line=LineFactory(cooperative=world.cooperative, name="Ling"))
    assert "1 thing matches “hv-23”" in page_of(world.owner, "hv-23")
    assert "Exactly “hv-23”" in page_of(world.owner, " hv-23 ")
    assert "Nothing that you may open matches “&lt;b&gt;”" in page_of(world.owner, "<b>")
    assert "What are you looking for?" in page_of(world.owner, "  ")


@pytest.mark.parametrize("rows", [1, 1000])
def test_the_number_of_queries_does_not_grow(world: World, rows: int) -> None:
    Queen.objects.bulk_create(
        Queen(cooperative=world.cooperative, owner=world.member, label=f"Old HV-{number}") for number in range(rows)
    )
    for person, number in [(world.owner, 7), (world.coordinator(), 9)]:
        viewer = seen_by(person)
        with CaptureQueriesContext(connection) as queries:
            search(viewer, "hv", today=TODAY)
        assert len(queries) == number


def test_labels_are_walked_along_their_index(world: World) -> None:
    """On both databases: a large cooperative's queens are not read one by one for a label."""
    for number in range(3):
        QueenFactory(owner=world.member, label=f"HV-{number}")
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SET LOCAL enable_seqscan = off")  # so few rows are cheaper to read whole
            cursor.execute("SET LOCAL enable_sort = off")
    plan = walk(seen_by(world.owner), "hv-1").explain()
    assert "queen_label_unique" in plan
    assert "ORDER BY" not in plan.upper()  # SQLite: no tree built to sort
    assert "Sort" not in plan
