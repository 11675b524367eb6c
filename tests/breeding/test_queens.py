"""Queens: registered, corrected, gone."""

import datetime as dt
from typing import Any

import pytest

from accounts.access import viewer_of
from accounts.models import AuditEntry
from accounts.refusals import Refusal
from breeding.models import Heading, Queen, QueenStatus
from breeding.queries.stock import labels_to_offer
from breeding.services.lines import line_add
from breeding.services.queens import queen_back, queen_correct, queen_gone, queen_register
from tests.factories import (
    NOW,
    ColonyFactory,
    CooperativeFactory,
    HeadingFactory,
    LineFactory,
    MatingFactory,
    MemberFactory,
    MemberPersonFactory,
    PersonFactory,
    QueenFactory,
)

pytestmark = pytest.mark.django_db


def _register(owner: Any = None, **fields: Any) -> Queen:
    return queen_register(
        owner or MemberFactory(), **{"label": "Rowan 1", "by": PersonFactory(name="Ada"), "now": NOW, **fields}
    )


def test_a_registered_queen_takes_year_and_line_from_what_is_known() -> None:
    owner = MemberFactory()
    line = LineFactory(cooperative=owner.cooperative)
    mother = QueenFactory(owner=owner, line=line, birth_year=2024)
    queen = _register(owner, label="  Rowan 1 ", mother=mother, emerged_on=dt.date(2026, 6, 1))
    queen.refresh_from_db()
    assert (queen.label, queen.birth_year, queen.line, queen.status) == ("Rowan 1", 2026, line, QueenStatus.VIRGIN)
    entry = AuditEntry.objects.get(action="queen.register")
    assert (entry.by_name, entry.subject_id, entry.after["mother"]) == ("Ada", queen.pk, mother.pk)


@pytest.mark.parametrize(
    ("fields", "rule", "field"),
    [
        ({"label": "  "}, "label_missing", "label"),
        ({"label": "x" * 41}, "label_long", "label"),
        ({"emerged_on": dt.date(2026, 6, 10)}, "future_day", "emerged_on"),
        ({"emerged_on": dt.date(2026, 6, 1), "birth_year": 2025}, "year_differs", "birth_year"),
        ({"birth_year": 2027}, "year_range", "birth_year"),
        ({"birth_year": 1900}, "year_range", "birth_year"),
    ],
)
def test_impossible_entries_are_refused_beside_their_field(fields: dict[str, Any], rule: str, field: str) -> None:
    with pytest.raises(Refusal) as refusal:
        _register(**fields)
    assert (refusal.value.rule, refusal.value.field) == (rule, field)
    assert Queen.objects.count() == AuditEntry.objects.count() == 0


def test_a_label_is_taken_whatever_its_case_but_only_in_its_own_cooperative() -> None:
    owner = MemberFactory()
    _register(owner, label="Rowan 1")
    with pytest.raises(Refusal) as refusal:
        _register(MemberFactory(cooperative=owner.cooperative), label="ROWAN 1")
    assert refusal.value.rule == "label_taken"
    assert _register(MemberFactory(), label="Rowan 1").pk


@pytest.mark.parametrize(
    ("mother", "daughter"),
    [
        ({"birth_year": 2026}, {"birth_year": 2025}),
        ({"emerged_on": dt.date(2026, 5, 20), "birth_year": 2026}, {"emerged_on": dt.date(2026, 6, 1)}),
    ],
)
def test_a_mother_must_be_older(mother: dict[str, Any], daughter: dict[str, Any]) -> None:
    owner = MemberFactory()
    with pytest.raises(Refusal) as refusal:
        _register(owner, mother=QueenFactory(owner=owner, **mother), **daughter)
    assert (refusal.value.rule, refusal.value.field) == ("mother_older", "mother")


def test_mother_and_line_must_be_of_the_same_cooperative() -> None:
    for field, thing in (("mother", QueenFactory()), ("line", LineFactory())):
        with pytest.raises(Refusal) as refusal:
            _register(**{field: thing})
        assert (refusal.value.rule, refusal.value.field) == ("other_cooperative", field)


def test_a_correction_writes_only_what_changed_and_keeps_the_earlier_value_in_the_history() -> None:
    queen = QueenFactory(label="Rowan 1", birth_year=2024)
    queen_correct(queen, by=PersonFactory(), now=NOW, label="Rowan 1", birth_year=2025)
    entry = AuditEntry.objects.get(action="queen.correct")
    assert (entry.before, entry.after) == ({"birth_year": 2024}, {"birth_year": 2025})
    queen_correct(queen, by=PersonFactory(), now=NOW, birth_year=2025)
    assert AuditEntry.objects.filter(action="queen.correct").count() == 1


def test_a_queen_cannot_descend_from_herself_through_mothers() -> None:
    owner = MemberFactory()
    grandmother = QueenFactory(owner=owner, birth_year=None)
    mother = QueenFactory(owner=owner, mother=grandmother, birth_year=None)
    daughter = QueenFactory(owner=owner, mother=mother, birth_year=None)
    with pytest.raises(Refusal) as refusal:
        queen_correct(grandmother, by=PersonFactory(), now=NOW, mother=daughter)
    assert refusal.value.rule == "loop"
    grandmother.refresh_from_db()
    assert grandmother.mother is None


def test_a_queen_cannot_descend_from_herself_through_drones() -> None:
    owner = MemberFactory()
    source = QueenFactory(owner=owner, birth_year=None)
    mated = MatingFactory(queen=QueenFactory(owner=owner, birth_year=None), kind="dpq", drones=None).queen
    mated.mating.shares.create(drone_queen=source)
    daughter = QueenFactory(owner=owner, mother=mated, birth_year=None)
    with pytest.raises(Refusal) as refusal:
        queen_correct(source, by=PersonFactory(), now=NOW, mother=daughter)
    assert refusal.value.rule == "loop"


def test_a_correction_that_makes_a_daughter_older_is_refused() -> None:
    owner = MemberFactory()
    mother = QueenFactory(owner=owner, birth_year=2023)
    QueenFactory(owner=owner, mother=mother, birth_year=2024, label="Her daughter")
    with pytest.raises(Refusal, match="Her daughter"):
        queen_correct(mother, by=PersonFactory(), now=NOW, birth_year=2025)


def test_a_queen_that_is_gone_leaves_her_colony_and_can_come_back() -> None:
    heading = HeadingFactory(since=dt.date(2025, 5, 1))
    queen = heading.queen
    queen_gone(queen, by=PersonFactory(), now=NOW, gone_on=dt.date(2026, 6, 1), reason="Not found")
    heading.refresh_from_db()
    queen.refresh_from_db()
    assert (queen.status, queen.gone_reason, heading.until) == (QueenStatus.GONE, "Not found", dt.date(2026, 6, 1))
    queen_gone(queen, by=PersonFactory(), now=NOW, gone_on=dt.date(2026, 6, 1))
    assert AuditEntry.objects.filter(action="queen.gone").count() == 1
    queen_back(queen, by=PersonFactory(), now=NOW)
    queen.refresh_from_db()
    assert (queen.status, queen.gone_on, queen.gone_reason) == (QueenStatus.VIRGIN, None, "")


@pytest.mark.parametrize(
    ("gone_on", "rule"),
    [
        (dt.date(2026, 6, 10), "future_day"),
        (dt.date(2024, 5, 1), "dates_in_order"),
        (dt.date(2025, 4, 30), "dates_in_order"),
    ],
)
def test_the_day_she_was_gone_must_fit_what_is_known(gone_on: dt.date, rule: str) -> None:
    queen = QueenFactory(emerged_on=dt.date(2024, 6, 1), birth_year=2024)
    HeadingFactory(queen=queen, colony=ColonyFactory(), since=dt.date(2025, 5, 1))
    with pytest.raises(Refusal) as refusal:
        queen_gone(queen, by=PersonFactory(), now=NOW, gone_on=gone_on)
    assert (refusal.value.rule, refusal.value.field) == (rule, "gone_on")
    assert Heading.objects.get().until is None


def test_asking_for_a_line_twice_gives_the_same_line() -> None:
    cooperative = CooperativeFactory()
    first = line_add(cooperative, name="Thrift", by=None, now=NOW)
    assert line_add(cooperative, name=" thrift ", by=None, now=NOW) == first
    assert AuditEntry.objects.filter(action="line.add").count() == 1


def test_labels_are_offered_of_the_living_first_then_the_youngest() -> None:
    person = MemberPersonFactory()
    here = {"cooperative": person.member.cooperative, "owner": person.member, "status": "mated"}
    QueenFactory(**here | {"status": "gone"}, label="Gone", birth_year=2026, gone_on=NOW.date())
    for label, year in (("Old", 2023), ("Unknown", None), ("Young", 2026)):
        QueenFactory(**here, label=label, birth_year=year)
    MatingFactory(queen=Queen.objects.get(label="Gone"))
    viewer = viewer_of(person.person, person.member.cooperative_id)
    assert viewer is not None
    assert labels_to_offer(viewer) == ["Young", "Old", "Unknown", "Gone"]
    assert labels_to_offer(viewer, limit=2) == ["Young", "Old"]
