"""Planned crosses are written once, with their history, and can be taken back and brought back."""

import pytest

from accounts.models import AuditEntry, Member
from accounts.refusals import Refusal
from breeding.models import PlannedCross, Queen
from breeding.services.crosses import (
    WantedCross,
    cross_remove,
    cross_restore,
    cross_save,
    crosses_save,
    permille_of,
)
from tests.factories import NOW, MemberFactory, PersonFactory, QueenFactory

pytestmark = pytest.mark.django_db
YEAR = NOW.year


@pytest.fixture
def owner() -> Member:
    return MemberFactory()


def _queens(owner: Member, *labels: str) -> list[Queen]:
    return [QueenFactory(owner=owner, label=label) for label in labels]


def test_a_cross_is_written_with_its_shares_and_its_history(owner: Member) -> None:
    mother, first, second = _queens(owner, "M", "S", "T")
    person = PersonFactory()
    saved = cross_save(
        owner.cooperative, mother=mother, shares={first: 5, second: 2.5}, season_year=YEAR, note=" for the fell ",
        by=person, now=NOW,
    )  # fmt: skip
    assert (saved.mother, saved.season_year, saved.note, saved.planned_by) == (mother, YEAR, "for the fell", person)
    assert dict(saved.shares.values_list("drone_queen__label", "share_permille")) == {"S": 667, "T": 333}
    entry = AuditEntry.objects.get(action="cross.save")
    assert (entry.by, entry.subject_id, entry.after["shares"]) == (
        person, saved.pk, {str(first.pk): 667, str(second.pk): 333}
    )  # fmt: skip


def test_asking_twice_gives_the_same_cross_and_another_year_another_one(owner: Member) -> None:
    mother, source = _queens(owner, "M", "S")

    def save(year: int) -> PlannedCross:
        return cross_save(owner.cooperative, mother=mother, shares={source: 1}, season_year=year, by=None, now=NOW)

    assert save(YEAR) == save(YEAR)
    assert save(YEAR + 1) != save(YEAR)
    assert PlannedCross.objects.count() == AuditEntry.objects.filter(action="cross.save").count() == 2


def test_several_are_saved_together_or_not_at_all(owner: Member) -> None:
    mother, source, gone = _queens(owner, "M", "S", "G")
    Queen.objects.filter(pk=gone.pk).update(status="gone")
    gone.refresh_from_db()
    wanted = [WantedCross(mother, {source: 1}), WantedCross(mother, {gone: 1})]
    with pytest.raises(Refusal, match="G is gone"):
        crosses_save(owner.cooperative, wanted, season_year=YEAR, by=None, now=NOW)
    assert not PlannedCross.objects.exists()
    both = [WantedCross(mother, {source: 1}), WantedCross(source, {mother: 1})]
    assert len(crosses_save(owner.cooperative, both, season_year=YEAR, by=None, now=NOW)) == 2


@pytest.mark.parametrize(
    ("change", "rule"),
    [
        ({"shares": {}}, "no_source"),
        ({"season_year": YEAR - 1}, "season_year"),
        ({"season_year": YEAR + 9}, "season_year"),
        ({"shares": "stranger"}, "stranger"),
        ({"shares": "zero"}, "share"),
    ],
)
def test_what_cannot_be_planned_is_refused(owner: Member, change: dict, rule: str) -> None:  # type: ignore[type-arg]
    mother, source = _queens(owner, "M", "S")
    if change.get("shares") == "stranger":
        change = {"shares": {QueenFactory(owner=MemberFactory()): 1}}
    elif change.get("shares") == "zero":
        change = {"shares": {source: 0}}
    asked = {"mother": mother, "shares": {source: 1}, "season_year": YEAR, **change}
    with pytest.raises(Refusal) as refused:
        cross_save(owner.cooperative, by=None, now=NOW, **asked)
    assert refused.value.rule == rule
    assert not PlannedCross.objects.exists()


def test_a_removed_cross_comes_back_once(owner: Member) -> None:
    mother, source = _queens(owner, "M", "S")
    saved = cross_save(
        owner.cooperative, mother=mother, shares={source: 1}, season_year=YEAR, note="n", by=None, now=NOW
    )
    entry = cross_remove(saved, by=None, now=NOW)
    assert not PlannedCross.objects.exists()
    assert entry.before["shares"] == {str(source.pk): 1000}
    with pytest.raises(Refusal, match="removed already"):
        cross_remove(saved, by=None, now=NOW)
    back = cross_restore(entry, by=None, now=NOW)
    assert cross_restore(entry, by=None, now=NOW) == back
    assert (back.mother, back.season_year, back.note) == (mother, YEAR, "n")
    assert list(back.shares.values_list("drone_queen", "share_permille")) == [(source.pk, 1000)]


@pytest.mark.parametrize(
    ("shares", "expected"),
    [
        ({1: 1, 2: 1, 3: 1}, [334, 333, 333]),
        ({1: 70, 2: 30}, [700, 300]),
        ({1: 1e6, 2: 1, 3: 1}, [998, 1, 1]),
    ],
)
def test_thousandths_sum_to_the_whole(shares: dict[int, float], expected: list[int]) -> None:
    assert list(permille_of(shares).values()) == expected
