"""Every table that can be taken away, where everything that people name begins like a formula."""

import csv
import datetime as dt
import io
import json
from typing import cast

import pytest
from django.db.models import F, Model, Value
from django.db.models.functions import Concat
from django.http import HttpResponse
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, reverse
from django.utils import timezone
from openpyxl import Workbook, load_workbook

from accounts import tables
from accounts.models import AuditEntry, Member, Person
from accounts.tables import RISKY_STARTS, Table, safe_cell, xlsx_write
from breeding.models import EvaluationRun, Line, Queen, Score
from breeding.queries import stock_tables
from scheduling.models import Bench, DroneSource, QueenBatch
from tests.breeding.bred import breed
from tests.factories import NOW, DroneCohortFactory, DroneCountFactory, HeadingFactory, LineFactory, ScoreFactory
from tests.scheduling.test_outcomes import Outcomes

pytestmark = pytest.mark.django_db

NAMED_BY_PEOPLE: list[tuple[type[Model], str]] = [
    (Queen, "label"), (Line, "name"), (Member, "name"), (Person, "name"), (DroneSource, "name"),
    (QueenBatch, "name"), (Bench, "name"), (AuditEntry, "by_name"),
]  # fmt: skip
# Address after the name of the route: whatever has one table or several.
TABLES = {
    "breeding:standing_csv": [""],
    "breeding:trend_csv": [""],
    "breeding:crosses_csv": [""],
    "breeding:contributions_csv": ["?ceiling=20&queens=24"],
    "breeding:stock_csv": ["colonies", "queens", "scores"],
    "accounts:members_csv": [""],
    "accounts:history_csv": [""],
    "scheduling:ledger_csv": [""],
    "scheduling:bookings_csv": [""],
    "scheduling:requests_csv": [""],
    "scheduling:season_csv": ["batches", "counts", "bench-days"],
    "scheduling:outcomes_csv": ["groups", "laying", "living", "sessions", "drones", "queens"],
}
TABLES_OF_NAMES = {
    "breeding:standing_csv", "breeding:crosses_csv", "scheduling:bookings_csv", "scheduling:requests_csv",
    "accounts:members_csv", "accounts:history_csv", "scheduling:ledger_csv",
}  # fmt: skip
NAMELESS = {"sessions"}  # days and counts, nothing that anybody named
ALL = [(name, table) for name, some in TABLES.items() for table in some]


@pytest.fixture
def client(monkeypatch: pytest.MonkeyPatch) -> Client:
    monkeypatch.setattr(timezone, "now", lambda: NOW + dt.timedelta(days=40))
    seen = Outcomes().looked()
    run = breed(seen.batch.member).run
    found = {"years": [2023, 2024], "queens": [4, 8], "value": [-0.25, 1.5], "error": [0.5, 1e-05]}
    EvaluationRun.objects.filter(pk=run.pk).update(findings={"trend": {"=honey": found}})
    heading = HeadingFactory(colony__apiary__member=seen.batch.member, queen__owner=seen.batch.member)
    ScoreFactory(colony=heading.colony, queen=heading.queen)
    DroneCountFactory(cohort=DroneCohortFactory(source=DroneSource.objects.earliest("pk")))
    Queen.objects.update(line=LineFactory(cooperative=run.cooperative))
    for model, field in NAMED_BY_PEOPLE:
        model._default_manager.update(**{field: Concat(Value("=HYPERLINK(1)"), F(field))})
    client = Client()
    client.force_login(seen.coordinator)
    return client


def cells_of(client: Client, name: str, table: str) -> list[list[str]]:
    if table and not table.startswith("?"):
        address = reverse(name, args=[table]) + "?by=source"
    else:
        address = reverse(name) + table
    answer = client.get(address)
    assert answer.status_code == 200
    assert answer["Content-Type"] == "text/csv; charset=utf-8"
    return list(csv.reader(io.StringIO(answer.getvalue().decode("utf-8-sig"))))


def other_kind(client: Client, name: str, table: str, kind: str) -> HttpResponse:
    is_named = bool(table) and not table.startswith("?")
    query = "?by=source" if is_named else table or "?"
    answer = client.get(f"{reverse(name, args=[table] if is_named else [])}{query}&file={kind}")
    assert answer.status_code == 200
    assert answer["Content-Disposition"].endswith(f'.{kind}"')
    return cast(HttpResponse, answer)


def is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def risky(rows: list[list[str]]) -> set[str]:
    return {cell for row in rows for cell in row if cell.startswith(RISKY_STARTS) and not is_number(cell)}


def test_every_table_of_the_app_is_tried_here() -> None:
    names = {
        f"{part.app_name}:{pattern.name}"
        for part in get_resolver().url_patterns
        if isinstance(part, URLResolver)
        for pattern in part.url_patterns
        if isinstance(pattern, URLPattern) and str(pattern.name).endswith("_csv")
    }
    assert names == set(TABLES)


# One stock for all tables of a test: making it takes longer than reading them.
def test_no_text_of_any_table_begins_like_a_formula(client: Client) -> None:
    rows = {(name, table): cells_of(client, name, table) for name, table in ALL}
    assert [of for of, found in rows.items() if len(found) < 2] == []
    assert {of: risky(found) for of, found in rows.items() if risky(found)} == {}
    guarded = {of for of, found in rows.items() if any("'=" in cell for row in found for cell in row)}
    assert guarded == {(name, table) for name, table in ALL if table not in NAMELESS}


def test_without_the_guard_each_of_them_would_hold_one(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tables, "safe_cell", lambda cell: cell)
    safe = {table for name, table in ALL if not risky(cells_of(client, name, table))}
    assert safe == NAMELESS


def test_every_table_is_the_same_as_spreadsheet_file_without_a_formula(client: Client) -> None:
    named = set()
    for name, table in ALL:
        sheet = load_workbook(io.BytesIO(other_kind(client, name, table, "xlsx").getvalue())).active
        assert sheet is not None
        cells = [cell for row in sheet.iter_rows() for cell in row]
        assert {cell.data_type for cell in cells} <= {"s", "n", "d"}, (name, table)
        if any(isinstance(cell.value, str) and cell.value.startswith("=HYPERLINK") for cell in cells):
            named.add((name, table))
        lengths = [len(row) for row in sheet.iter_rows()]
        assert lengths == [len(row) for row in cells_of(client, name, table)], (name, table)
    assert named == {(name, table) for name, table in ALL if table not in {*NAMELESS, ""} or name in TABLES_OF_NAMES}


def test_every_table_is_the_same_as_json_with_texts_as_they_are(client: Client) -> None:
    for name, table in ALL:
        found = json.loads(other_kind(client, name, table, "json").getvalue())
        lines = [found["columns"], *found["rows"]]
        as_csv = [["" if cell is None else str(safe_cell(cell)) for cell in line] for line in lines]
        assert as_csv == cells_of(client, name, table), (name, table)


def test_a_kind_of_file_that_there_is_not_is_not_found(client: Client) -> None:
    assert client.get(reverse("breeding:standing_csv") + "?file=exe").status_code == 404


def test_a_text_that_begins_like_a_formula_would_be_one_were_its_type_not_said() -> None:
    """The control: openpyxl takes it for a formula by itself."""
    book = Workbook()
    assert book.active is not None
    cell = book.active.cell(1, 1, "=2+5")
    assert cell.data_type == "f"


def test_whatever_stands_in_a_text_can_be_written() -> None:
    made = io.BytesIO()
    texts = ["\0=1", "#N/A", "\x1f", "é", "=1", "-2"]
    xlsx_write(Table("a" * 40, ["text"], [*([text] for text in texts), [dt.date(2026, 5, 1)], [None], [-1.5]]), made)
    sheet = load_workbook(made).active
    assert sheet is not None
    found = [row[0].value for row in sheet.iter_rows(min_row=2)]
    assert found == ["\ufffd=1", "#N/A", "\ufffd", "é", "=1", "-2", dt.datetime(2026, 5, 1), None, -1.5]  # noqa: DTZ001
    assert [row[0].data_type for row in sheet.iter_rows(min_row=2)][:6] == ["s"] * 6


def test_a_table_that_is_longer_than_a_sheet_goes_on_in_the_next(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tables, "MOST_ROWS", 4)
    made = io.BytesIO()
    xlsx_write(Table("scores", ["number"], [[number] for number in range(7)]), made)
    book = load_workbook(made)
    assert book.sheetnames == ["scores", "scores 2", "scores 3"]
    found = [[row[0].value for row in sheet.iter_rows()] for sheet in book.worksheets]
    assert found == [["number", 0, 1, 2], ["number", 3, 4, 5], ["number", 6]]


def test_scores_are_the_same_however_many_are_asked_for_at_once(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    [score] = Score.objects.all()[:1]
    for day in (1, 2, 3):
        ScoreFactory(colony=score.colony, queen=score.queen, scored_on=NOW.date() - dt.timedelta(days=day))
    whole = cells_of(client, "breeding:stock_csv", "scores")
    assert len(whole) > 4
    for part in (1, 2, 3):
        monkeypatch.setattr(stock_tables, "PART", part)
        assert cells_of(client, "breeding:stock_csv", "scores") == whole, part


def test_numbers_below_zero_stay_numbers(client: Client) -> None:
    rows = cells_of(client, "breeding:trend_csv", "")
    assert rows[1] == ["'=honey", "2023", "4", "-0.25", "0.5"]
    assert rows[2][3:] == ["1.5", "1e-05"]


@pytest.mark.parametrize("text", ["=2+5", "@x", "-1", "+1", "\tx", "\rx", "\0=1"])
def test_a_text_that_begins_like_a_formula_gets_an_apostrophe(text: str) -> None:
    assert safe_cell(text) == f"'{text}"


@pytest.mark.parametrize("cell", ["x=1", "", " =1", -1, -1.5, dt.date(2026, 5, 1), None])
def test_everything_else_stays_as_it_is(cell: str | float | dt.date | None) -> None:
    assert safe_cell(cell) == cell


class _Named:
    def __str__(self) -> str:
        return "=2+5"


def test_what_only_reads_as_a_text_is_guarded_too() -> None:
    assert safe_cell(_Named()) == "'=2+5"
