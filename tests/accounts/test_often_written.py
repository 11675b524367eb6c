"""Rows whose SQL is kept: the same as the model itself would write."""

import datetime as dt

import pytest
from django.db import IntegrityError, connection, transaction
from django.db.models import Model
from django.test.utils import CaptureQueriesContext

from accounts.models import ApiAnswer, AuditEntry
from accounts.services.often import row_add, row_add_unless_there, row_keep, rows_add
from scheduling.models import Booking
from tests.factories import NOW, BookingFactory, PersonFactory

pytestmark = pytest.mark.django_db


def entry(number: int) -> AuditEntry:
    return AuditEntry(at=NOW, by=PersonFactory(), action="x", subject_type="a.b", subject_id=number, after={"ä": [1]})


def values(row: Model) -> dict[str, object]:
    [found] = type(row)._default_manager.filter(pk=row.pk).values()
    return dict(found)


def test_new_rows_are_written_whole_and_know_their_keys() -> None:
    one, *several = [entry(number) for number in range(4)]
    assert row_add(one) is one
    with CaptureQueriesContext(connection) as asked:
        rows_add(several)
        rows_add([])
    assert len(asked) == 1
    for row, number in zip((one, *several), range(4), strict=True):
        assert values(row) == {
            "id": row.pk, "cooperative_id": None, "at": NOW, "by_id": row.by_id, "by_name": "", "action": "x",
            "subject_type": "a.b", "subject_id": number, "subject_name": "", "before": {}, "after": {"ä": [1]},
            "note": "",
        }  # fmt: skip
        assert not row._state.adding
        assert AuditEntry.objects.get(pk=row.pk) == row


def test_every_kind_of_field_is_written_as_the_model_would() -> None:
    made = BookingFactory()
    facts = {name: value for name, value in values(made).items() if name not in {"id", "key"}}
    booking = row_add(Booking(**facts))
    assert {name: value for name, value in values(booking).items() if name not in {"id", "key"}} == facts
    with pytest.raises(IntegrityError), transaction.atomic():
        row_add(Booking(**facts, key=booking.key))


def test_a_row_that_is_there_is_left_alone_and_breaks_nothing_off() -> None:
    person = PersonFactory()
    facts = {"person": person, "key": "k", "begun_at": NOW}
    first, again = ApiAnswer(**facts, fingerprint="a"), ApiAnswer(**facts, fingerprint="b")
    assert row_add_unless_there(first)
    assert not row_add_unless_there(again)
    assert again.pk is None
    assert ApiAnswer.objects.get(person=person).fingerprint == "a"
    with pytest.raises(IntegrityError), transaction.atomic():
        row_add_unless_there(ApiAnswer(key="k", begun_at=NOW, fingerprint="a"))  # nobody's: another fault is one


def test_the_fields_that_are_named_are_kept_and_no_others() -> None:
    answer = row_add(ApiAnswer(person=PersonFactory(), key="k", begun_at=NOW, fingerprint="a"))
    before = values(answer)
    answer.body, answer.status, answer.fingerprint = {"a": None}, 201, "never kept"
    row_keep(answer, "body", "status")
    assert values(answer) == before | {"body": {"a": None}, "status": 201}
    answer.body = None
    answer.begun_at += dt.timedelta(days=1)
    row_keep(answer, "body", "begun_at")
    assert values(answer) == before | {"status": 201, "begun_at": NOW + dt.timedelta(days=1)}
    assert ApiAnswer.objects.filter(body__isnull=True).exists()
