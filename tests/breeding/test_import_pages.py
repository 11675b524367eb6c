"""Bringing in a table as a person does it, page by page."""

import io
from collections.abc import Callable

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse
from openpyxl import load_workbook

from accounts.models import Job, Person
from breeding.models import Queen, Score, TableImport
from breeding.services.imports import importing
from breeding.services.queens import queen_register
from tests.bombs import xlsx_of
from tests.breeding.conftest import Stock
from tests.breeding.test_imports import QUEENS, SCORES
from tests.factories import NOW, PersonFactory, RoleGrantFactory

pytestmark = pytest.mark.django_db
MATCHED_QUEENS = {"queen": "0", "mother": "1", "emerged_on": "2", "line": "3", "mark_number": "4"}
MATCHED_SCORES = {
    "apiary": "0", "colony": "1", "trait": "2", "scored_on": "3", "value": "4", "part": "5", "whole": "6",
    "method": "7",
}  # fmt: skip


@pytest.fixture
def client(client_of: Callable[[str], Client]) -> Client:
    return client_of("owner")


def sent(client: Client, kind: str, content: bytes, name: str = "table.csv") -> TableImport:
    answer = client.post(reverse("breeding:import_new", args=[kind]), {"file": SimpleUploadedFile(name, content)})
    assert answer.status_code == 302, answer.content
    return TableImport.objects.latest("pk")


def page(client: Client, imported: TableImport, name: str = "import", **data: str) -> str:
    address = reverse(f"breeding:{name}", args=[imported.pk])
    answer = client.post(address, data, follow=True) if data else client.get(address, follow=True)
    assert answer.status_code == 200
    return answer.content.decode()


def test_from_the_file_to_the_stock_and_back(client: Client, stock: Stock) -> None:
    imported = sent(client, "queens", QUEENS.encode())
    assert "Which column of table.csv is which?" in page(client, imported)
    looked_at = page(client, imported, "import_columns", for_member=str(stock.owner.pk), **MATCHED_QUEENS)
    assert "Ready: look at it, then import" in looked_at
    assert "2 queens" in looked_at
    version = TableImport.objects.get().version
    assert "table.csv is imported" in page(client, imported, "import_commit", seen=str(version))
    assert Queen.objects.filter(label__startswith="Rowan 3", owner=stock.owner).count() == 2
    assert "table.csv is undone" in page(client, imported, "import_undo", now="1")
    assert not Queen.objects.filter(label__startswith="Rowan 3").exists()
    assert "table.csv" in client.get(reverse("breeding:imports")).content.decode()


def test_a_spreadsheet_file_comes_in_as_a_csv_file_does(client: Client, stock: Stock) -> None:
    rows = [line.split(";") for line in SCORES.splitlines()]
    imported = sent(client, "scores", xlsx_of(rows), "scores.xlsx")
    page(client, imported, "import_columns", for_member=str(stock.owner.pk), **MATCHED_SCORES)
    page(client, imported, "import_commit", seen=str(TableImport.objects.get().version))
    assert Score.objects.count() == 4


def test_what_is_wrong_stands_by_line_and_column_and_can_be_taken_away(client: Client, stock: Stock) -> None:
    imported = sent(client, "queens", b"Queen,Mother,Emerged on\n<b>A</b>,Nobody,soon\nB,Nobody,2026-05-05\n")
    member = str(stock.owner.pk)
    looked_at = page(client, imported, "import_columns", for_member=member, queen="0", mother="1", emerged_on="2")
    assert "2 things to mend before anything is imported" in looked_at
    assert "There is no queen Nobody, her mother." in looked_at
    assert "&lt;b&gt;A&lt;/b&gt;" in looked_at
    assert "Import all of it" not in looked_at
    table = client.get(reverse("breeding:import_problems", args=[imported.pk])).content.decode("utf-8-sig")
    assert table.splitlines()[0] == "Line,Column,What is so"
    assert [line.split(",")[:2] for line in table.splitlines()[1:]] == [["2", "Emerged on"], ["3", "Mother"]]
    queen_register(stock.owner, label="Nobody", by=None, now=NOW)
    assert "1 thing to mend" in page(client, imported, "import_recheck", now="1")


@pytest.mark.parametrize(
    ("code", "texts"),
    [
        ("de", ["Emerged on: „soon“ ist kein Tag.", "Es gibt keine Königin Nobody, ihre Mutter."]),
        ("fr", ["Il n’y a pas de reine Nobody, sa mère."]),
    ],
)
def test_what_is_wrong_is_read_in_the_language_of_whoever_reads_it(
    client: Client, client_of: Callable[[str], Client], stock: Stock, code: str, texts: list[str]
) -> None:
    imported = sent(client, "queens", b"Queen,Mother,Emerged on\nA,Nobody,soon\nB,Nobody,2026-05-05\n")
    member = str(stock.owner.pk)
    looked_at = page(client, imported, "import_columns", for_member=member, queen="0", mother="1", emerged_on="2")
    assert "“soon” is no day" in looked_at
    coordinator = client_of("coordinator")
    Person.objects.filter(pk=coordinator.session["_auth_user_id"]).update(language=code)
    table = coordinator.get(reverse("breeding:import_problems", args=[imported.pk])).content.decode("utf-8-sig")
    for text in texts:
        assert text in table
        assert text in page(coordinator, imported)


def test_what_the_version_before_found_is_read_as_it_wrote_it(client: Client, stock: Stock) -> None:
    imported = sent(client, "scores", SCORES.encode())
    TableImport.objects.filter(pk=imported.pk).update(state="checked", problems=[[3, "value", "Höchstens 4 Punkte."]])
    assert "Höchstens 4 Punkte." in page(client, imported)
    table = client.get(reverse("breeding:import_problems", args=[imported.pk])).content.decode("utf-8-sig")
    assert table.splitlines()[1:] == ["3,Value,Höchstens 4 Punkte."]


def test_the_same_file_twice_is_told(client: Client, stock: Stock) -> None:
    imported = sent(client, "queens", QUEENS.encode())
    page(client, imported, "import_columns", for_member=str(stock.owner.pk), **MATCHED_QUEENS)
    page(client, imported, "import_commit", seen=str(TableImport.objects.get().version))
    again = sent(client, "queens", QUEENS.encode())
    assert "This very file was imported before." in page(client, again)
    looked_at = page(client, again, "import_columns", for_member=str(stock.owner.pk), **MATCHED_QUEENS)
    assert "All of it is there already" in looked_at
    assert "2 rows stand already" in looked_at


@pytest.mark.parametrize(
    ("content", "text"),
    [
        (b"", "The file is empty."),
        (b"PK\x03\x04 broken", "damaged"),
        (b"a,b\n", "The table is empty."),
        (b"x" * 5_000_001, "larger than 5 MB"),
    ],
)
def test_a_file_that_cannot_be_read_is_refused_beside_the_field(client: Client, content: bytes, text: str) -> None:
    address = reverse("breeding:import_new", args=["queens"])
    answer = client.post(address, {"file": SimpleUploadedFile("a.csv", content)})
    assert answer.status_code == 200
    assert text in answer.content.decode()
    assert not TableImport.objects.exists()
    assert "Choose a file." in client.post(address, {}).content.decode()


def test_a_preview_from_another_tab_is_refused(client: Client, stock: Stock) -> None:
    imported = sent(client, "queens", QUEENS.encode())
    page(client, imported, "import_columns", for_member=str(stock.owner.pk), **MATCHED_QUEENS)
    assert "not the latest any more" in page(client, imported, "import_commit", seen="1")
    assert not Queen.objects.filter(label="Rowan 30").exists()


def test_a_long_one_shows_how_far_it_is_and_calls_for_the_page_when_it_has_ended(
    client: Client, stock: Stock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(importing, "MANY_BYTES", 10)
    imported = sent(client, "queens", QUEENS.encode())
    assert "table.csv is being worked on" in page(client, imported)
    steps = reverse("breeding:import_steps", args=[imported.pk])
    assert "HX-Refresh" not in client.get(steps)
    Job.objects.update(state="stopped", problem="The table is empty.", finished_at=NOW)
    assert client.get(steps)["HX-Refresh"] == "true"
    assert "table.csv could not be read" in page(client, imported)


def test_templates_have_the_headings_alone(client: Client) -> None:
    address = reverse("breeding:import_template", args=["scores"])
    assert client.get(address).content.decode("utf-8-sig").startswith("Member,Apiary,Colony,Trait,")
    sheet = load_workbook(io.BytesIO(client.get(f"{address}?file=xlsx").content)).active
    assert sheet is not None
    assert sheet.max_row == 1
    assert client.get(reverse("breeding:import_template", args=["hats"])).status_code == 404
    assert client.get(reverse("breeding:import_new", args=["hats"])).status_code == 404


def test_an_operator_without_colonies_brings_in_nothing(client_of: Callable[[str], Client], stock: Stock) -> None:
    person = PersonFactory()
    RoleGrantFactory(person=person, cooperative=stock.cooperative, role="operator")
    client = Client()
    client.force_login(person)
    answer: HttpResponse = client.get(reverse("breeding:imports"))  # type: ignore[assignment]
    assert answer.status_code == 403
