"""Members and the history as tables to take away: what the page shows, whole, in parts while it is read."""

import csv
import datetime as dt
import io
import json
from collections.abc import Callable, Iterator
from typing import Any
from unittest import mock

import pytest
from django.http import StreamingHttpResponse
from django.test import Client
from django.urls import reverse
from django.utils import translation
from openpyxl import load_workbook

from accounts.models import AuditEntry, Person
from accounts.queries import history
from accounts.services.apiaries import apiary_change
from accounts.services.members import member_change
from accounts.tables import Table, table_streamed
from tests.accounts.conftest import House
from tests.factories import NOW, MemberFactory

pytestmark = pytest.mark.django_db
ClientOf = Callable[[str], Client]


def taken(client: Client, name: str, *args: object, kind: str = "json") -> list[dict[str, Any]]:
    answer = client.get(reverse(f"accounts:{name}", args=args), {"file": kind})
    assert answer.status_code == 200
    found = json.loads(answer.getvalue())
    return [dict(zip(found["columns"], row, strict=True)) for row in found["rows"]]


def test_members_come_with_how_each_person_is_reached_and_persons_without_member_after_them(
    client_of: ClientOf, house: House
) -> None:
    Person.objects.filter(pk=house["owner"].pk).update(phone="+49 30 1234")
    house.member.deputy = house["stranger"]
    house.member.save()
    MemberFactory(cooperative=house.cooperative, name="Nobody's")
    rows = taken(client_of("coordinator"), "members_csv")
    assert [(row["member"], row["person"], row["roles"]) for row in rows] == [
        ("Fellside", "colleague", ""), ("Fellside", "owner", ""), ("Moorside", "stranger", ""),
        ("Nobody's", None, None), (None, "breeder", "breeder"), (None, "coordinator", "coordinator"),
    ]  # fmt: skip
    assert (rows[1]["email"], rows[1]["phone"], rows[1]["deputy"]) == ("owner@example.org", "+49 30 1234", "stranger")
    page = client_of("coordinator").get(reverse("accounts:members")).content.decode()
    assert f'href="{reverse("accounts:members_csv")}?file=xlsx"' in page


def changed(house: House, times: int) -> None:
    for number in range(times):
        apiary_change(
            house.apiary, name=f"Orchard {number}", place="", registration_number="", time_zone="", by=house["owner"],
            now=NOW + dt.timedelta(seconds=number // 2),
        )  # fmt: skip


def test_the_history_is_whole_in_the_order_of_the_page_however_it_is_parted(
    client_of: ClientOf, house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    changed(house, 7)  # pairs of one moment, so that parts end inside of one
    whole = taken(client_of("coordinator"), "history_csv")
    assert [row["at"] for row in whole] == sorted((row["at"] for row in whole), reverse=True)
    assert len(whole) == AuditEntry.objects.filter(cooperative=house.cooperative).count() == 7
    assert whole[0] | {"at": ""} == {
        "at": "",
        "by": "owner",
        "subject_type": "accounts.apiary",
        "subject_id": house.apiary.pk,
        "subject": "Orchard 6",
        "action": "apiary.change",
        "what": "changed",
        "changes": "name: Orchard 5 → Orchard 6",
        "note": "",
    }
    for size in (1, 2, 3, 7):
        monkeypatch.setattr(history, "PART", size)
        assert taken(client_of("coordinator"), "history_csv") == whole, size


def test_the_history_of_one_thing_is_of_that_thing_alone(client_of: ClientOf, house: House) -> None:
    changed(house, 2)
    member_change(house.member, name="Fellside", deputy=house["stranger"], by=house["owner"], now=NOW)
    rows = taken(client_of("colleague"), "history_csv", "accounts.apiary", house.apiary.pk)
    assert {(row["subject_type"], row["subject_id"]) for row in rows} == {("accounts.apiary", house.apiary.pk)}
    assert len(rows) == 2
    address = reverse("accounts:history_csv", args=["accounts.apiary", house.apiary.pk])
    page = client_of("colleague").get(reverse("accounts:history", args=["accounts.apiary", house.apiary.pk]))
    assert f'href="{address}"' in page.content.decode()


def test_what_was_done_elsewhere_is_not_in_it(client_of: ClientOf, house: House) -> None:
    changed(house, 1)
    assert taken(client_of("other cooperative"), "history_csv") == []


def test_the_history_is_the_same_as_spreadsheet_and_as_csv(client_of: ClientOf, house: House) -> None:
    changed(house, 3)
    address, client = reverse("accounts:history_csv"), client_of("coordinator")
    as_csv, as_sheet = client.get(address), client.get(address, {"file": "xlsx"})
    assert [isinstance(answer, StreamingHttpResponse) for answer in (as_csv, as_sheet)] == [True, True]
    assert as_csv["Content-Disposition"] == 'attachment; filename="history.csv"'
    assert as_sheet["Content-Disposition"] == 'attachment; filename="history.xlsx"'
    rows = list(csv.reader(io.StringIO(as_csv.getvalue().decode("utf-8-sig"))))
    sheet = load_workbook(io.BytesIO(as_sheet.getvalue())).active
    assert sheet is not None
    found = [["" if cell is None else str(cell) for cell in row] for row in sheet.iter_rows(values_only=True)]
    assert (len(rows), found) == (4, rows)
    assert client.get(address, {"file": "exe"}).status_code == 404


def test_rows_are_written_in_the_language_of_whoever_asked_though_they_go_out_later(
    client_of: ClientOf, house: House
) -> None:
    changed(house, 1)
    Person.objects.filter(pk=house["coordinator"].pk).update(language="de")
    with translation.override("fr"):  # of the next one whom this thread answers
        [row] = taken(client_of("coordinator"), "history_csv")
    assert row["what"] == "geändert"


def test_rows_are_asked_for_only_as_they_go_out(rf: Any) -> None:
    asked: list[int] = []

    def rows() -> Iterator[list[int]]:
        for number in range(1000):
            asked.append(number)
            yield [number]

    with mock.patch("accounts.tables.LINES_AT_ONCE", 10):
        answer = table_streamed(rf.get("/"), Table("numbers", ["n"], rows()))
        assert asked == []
        next(iter(answer))
    assert len(asked) < 20
