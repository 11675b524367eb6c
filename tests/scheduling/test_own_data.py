"""Everything of mine: all of one's own, nothing of a neighbour, nothing of another cooperative."""

import csv
import io
import json
import zipfile
from collections.abc import Iterator
from dataclasses import replace
from typing import Any
from unittest import mock

import pytest
from django.apps import apps
from django.test import Client
from django.urls import reverse

from accounts.access import Viewer, viewer_of
from accounts.audit_words import THINGS
from accounts.models import Apiary, AuditEntry, Member, Person, Role
from accounts.services.tokens import token_make
from scheduling.queries.own_data import NEVER, own_tables
from scheduling.services.own_data import HOLDS, own_data_take
from tests.factories import (
    ApiaryFactory,
    BookingFactory,
    ColonyFactory,
    MemberPersonFactory,
    QueenFactory,
    ReminderFactory,
    RoleGrantFactory,
    ScoreFactory,
)
from tests.scheduling.world import NOW, World, make_world

pytestmark = pytest.mark.django_db

# Nobody's own: the cooperative's, the machine's, or what a member's rows are worked out from.
OF_THE_COOPERATIVE = {
    "accounts.Cooperative", "accounts.Gateway", "accounts.Invitation", "accounts.Job", "accounts.Slowdown",
    "accounts.ApiAnswer", "accounts.Webhook", "accounts.WebhookDelivery", "breeding.QueenMerge", "breeding.QueensApart",
    "breeding.TableImport", "breeding.Line", "breeding.PlannedCross", "breeding.CrossShare", "breeding.Trait",
    "breeding.EvaluationRun", "breeding.EvaluationHabit", "breeding.EvaluationState", "breeding.SemenBatch",
    "breeding.SemenBatchShare", "breeding.VarianceEstimate", "breeding.VarianceAdoption", "scheduling.Season",
    "scheduling.SeasonSetting", "scheduling.Bench", "scheduling.BenchSession", "scheduling.Plan",
    "scheduling.PlanPool", "scheduling.PlanPoolPart", "scheduling.Unserved", "scheduling.DroneCall",
    "scheduling.SemenLot", "scheduling.LotPart", "scheduling.TipChange", "scheduling.DroneTally",
    "scheduling.LotMovement", "scheduling.BenchEntry", "scheduling.FeedEntry", "scheduling.Heartbeat",
    "scheduling.LotMark",
}  # fmt: skip


@pytest.fixture(autouse=True)
def now_is_now() -> Iterator[None]:
    with mock.patch("accounts.http.timezone.now", return_value=NOW):
        yield


def furnish(world: World, member: Member, person: Person, word: str) -> None:
    """A row of each kind that names `word`."""
    Person.objects.filter(pk=person.pk).update(name=f"{word} person", email=f"{word}@example.org", phone=f"{word} 7")
    Member.objects.filter(pk=member.pk).update(name=f"{word} member")
    apiary: Apiary = ApiaryFactory(member=member, name=f"{word} apiary", place=f"{word} place")
    queen = QueenFactory(owner=member, label=f"{word} queen", note=f"={word}")
    colony = ColonyFactory(apiary=apiary, name=f"{word} colony")
    ScoreFactory(colony=colony, queen=queen, note=f"{word} score")
    batch = world.batch(member=member, virgins=2, name=f"{word} batch")
    world.source(member=member, name=f"{word} source")
    BookingFactory(batch=batch, member=member, queens=2, note=f"{word} request")
    ReminderFactory(member=member, title=f"{word} reminder")


@pytest.fixture
def owner(world: World) -> Person:
    """The own member, a neighbour in the same cooperative, and somebody of another one."""
    furnish(world, world.member, world.owner, "Own")
    neighbour = world.other_member()
    furnish(world, neighbour, world.person(member=neighbour), "Neighbour")
    other = make_world()
    furnish(other, other.member, other.owner, "Elsewhere")
    return Person.objects.get(pk=world.owner.pk)


KINDS = ["person", "member", "apiary", "place", "queen", "colony", "score", "batch", "source", "request", "reminder"]


def viewed(person: Person) -> Viewer:
    viewer = viewer_of(person)
    assert viewer is not None
    return viewer


def taken(viewer: Viewer) -> zipfile.ZipFile:
    made = io.BytesIO()
    own_data_take(viewer, made, now=NOW)
    return zipfile.ZipFile(made)


def text_of(archive: zipfile.ZipFile) -> str:
    return "\n".join(archive.read(name).decode("utf-8-sig") for name in archive.namelist())


def rows_of(archive: zipfile.ZipFile, name: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(archive.read(f"csv/{name}.csv").decode("utf-8-sig"), newline="")))


def test_it_holds_all_of_ones_own_and_nothing_of_anybody_else(owner: Person) -> None:
    text = text_of(taken(viewed(owner)))
    assert [kind for kind in KINDS if f"Own {kind}" not in text] == []
    assert "Neighbour" not in text
    assert "Elsewhere" not in text


def test_what_is_looked_for_would_be_found(owner: Person) -> None:
    """The control: were the neighbour's member among the viewer's, its rows would be in it."""
    neighbour = Member.objects.get(name="Neighbour member")
    text = text_of(taken(replace(viewed(owner), member_ids=frozenset({neighbour.pk}))))
    of_members = [kind for kind in KINDS if kind != "person"]
    assert [kind for kind in of_members if f"Neighbour {kind}" not in text] == []


@pytest.mark.parametrize("role", [Role.COORDINATOR, Role.BREEDER, Role.OPERATOR])
def test_whoever_sees_more_takes_no_more_along(owner: Person, world: World, role: str) -> None:
    RoleGrantFactory(person=owner, cooperative=world.cooperative, role=role)
    text = text_of(taken(viewed(owner)))
    assert "Own request" in text
    assert "Neighbour" not in text
    assert "Elsewhere" not in text


def test_of_somebody_in_two_cooperatives_each_gives_its_own(owner: Person) -> None:
    away = Member.objects.get(name="Elsewhere member")
    MemberPersonFactory(member=away, person=owner)
    first = viewer_of(owner, away.cooperative_id)
    assert first is not None
    text = text_of(taken(first))
    assert "Elsewhere batch" in text
    assert "Own batch" not in text


def test_csv_and_json_say_the_same_and_only_csv_guards_formulas(owner: Person) -> None:
    archive = taken(viewed(owner))
    names = {name.removeprefix("csv/").removesuffix(".csv") for name in archive.namelist() if name.startswith("csv/")}
    assert names == {own.name for own in own_tables(viewed(owner))}
    for name in names:
        found: dict[str, Any] = json.loads(archive.read(f"json/{name}.json"))
        assert len(found["rows"]) == len(rows_of(archive, name)), name
    queens = json.loads(archive.read("json/queens.json"))
    note = queens["columns"].index("note")
    assert "=Own" in [row[note] for row in queens["rows"]]
    assert "'=Own" in [row["note"] for row in rows_of(archive, "queens")]


def test_things_that_ones_own_point_to_stand_with_their_name(owner: Person) -> None:
    [batch] = rows_of(taken(viewed(owner)), "batches")
    assert batch["name"] == "Own batch"
    assert batch["member_name"] == "Own member"
    assert batch["season_year"] == "2026"


def test_no_key_and_no_password_is_in_it(owner: Person) -> None:
    viewer = viewed(owner)
    token, _key = token_make(viewer, name="Scale", scopes=["read"], days=None, now=NOW)
    text = text_of(taken(viewer))
    assert "Scale" in text
    assert token.token_hash not in text
    assert owner.password not in text
    for own in own_tables(viewer):
        assert NEVER.isdisjoint(own.table().head), own.name


def test_every_table_is_in_it_or_nobodys_own(owner: Person) -> None:
    known = {own.rows.model._meta.label for own in own_tables(viewed(owner))} | OF_THE_COOPERATIVE
    every = {
        model._meta.label
        for app in ("accounts", "breeding", "scheduling")
        for model in apps.get_app_config(app).get_models()
    }
    assert every - known == set()


def test_every_table_has_words_on_the_page_that_explains_them(owner: Person) -> None:
    assert {
        own.name for own in own_tables(viewed(owner)) if own.name not in HOLDS and own.subject_type not in THINGS
    } == set()


def test_the_button_gives_the_file_and_the_history_says_so(owner: Person) -> None:
    client = Client()
    client.force_login(owner)
    page = client.get(reverse("scheduling:own_data")).content.decode()
    assert "Own member" in page
    assert "Neighbour" not in page
    assert client.get(reverse("scheduling:own_data_file")).status_code == 405
    assert not AuditEntry.objects.filter(action="person.data_take").exists()
    answer = client.post(reverse("scheduling:own_data_file"))
    assert answer["Content-Disposition"] == 'attachment; filename="everything-2026-06-08.zip"'
    assert "no-store" in answer["Cache-Control"]
    archive = zipfile.ZipFile(io.BytesIO(b"".join(answer)))
    assert archive.testzip() is None
    entry = AuditEntry.objects.get(action="person.data_take")
    assert (entry.subject_id, entry.by, entry.cooperative) == (owner.pk, owner, viewed(owner).cooperative)
    assert "queens (" in archive.read("README.txt").decode()


def test_the_page_of_words_is_in_the_readers_language(owner: Person) -> None:
    Person.objects.filter(pk=owner.pk).update(language="de")
    client = Client()
    client.force_login(owner)
    answer = client.post(reverse("scheduling:own_data_file"))
    words = zipfile.ZipFile(io.BytesIO(b"".join(answer))).read("README.txt").decode()
    assert words.startswith("Alles von Own person")


@pytest.mark.parametrize(("member", "is_there"), [("Own member", True), ("Neighbour member", False)])
def test_ones_own_members_page_leads_there(owner: Person, world: World, member: str, is_there: bool) -> None:
    RoleGrantFactory(person=owner, cooperative=world.cooperative, role=Role.COORDINATOR)
    client = Client()
    client.force_login(owner)
    page = client.get(reverse("accounts:member", args=[Member.objects.get(name=member).pk])).content.decode()
    assert (reverse("scheduling:own_data") in page) == is_there
    assert reverse("scheduling:own_data") in client.get(reverse("accounts:settings")).content.decode()
