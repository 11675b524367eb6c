"""The mark that says whether anything was written in a cooperative."""

import pytest

from accounts.models import AuditEntry
from accounts.queries import changes
from accounts.queries.changes import changes_mark
from tests.accounts.conftest import House
from tests.factories import NOW, CooperativeFactory

pytestmark = pytest.mark.django_db


def write(house: House, **more: object) -> AuditEntry:
    facts = {"cooperative": house.cooperative, "at": NOW, "action": "colony.add", "subject_type": "x", "subject_id": 1}
    return AuditEntry.objects.bulk_create([AuditEntry(**(facts | more))])[0]  # rows are numbered by the test


def test_every_write_moves_the_mark_and_those_of_others_do_not(house: House) -> None:
    before = changes_mark(house.cooperative.pk)
    write(house, cooperative=CooperativeFactory())
    assert changes_mark(house.cooperative.pk) == before
    write(house)
    assert changes_mark(house.cooperative.pk) != before


def test_of_two_writes_at_once_the_one_that_is_seen_late_moves_it_too(house: House) -> None:
    first = write(house)
    write(house, pk=first.pk + 2)
    before = changes_mark(house.cooperative.pk)
    write(house, pk=first.pk + 1)
    assert changes_mark(house.cooperative.pk) != before


def test_after_many_writes_the_last_ones_count(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """With every write of a long history the mark is another one, and a late one among the last is seen."""
    monkeypatch.setattr(changes, "LATE", 5)
    elsewhere = CooperativeFactory()
    marks = []
    for number in range(1000, 1040, 2):
        write(house, pk=number, cooperative=house.cooperative if number % 4 else elsewhere)
        write(house, pk=1000 + number)
        marks.append(changes_mark(house.cooperative.pk))
        write(house, pk=1000 + number - 1)
        marks.append(changes_mark(house.cooperative.pk))
    assert len(set(marks)) == len(marks)
