"""Colonies and the queens who head them."""

import datetime as dt

import pytest

from accounts.models import AuditEntry
from accounts.refusals import Refusal
from breeding.models import Colony, Heading, QueenStatus
from breeding.services.colonies import colony_add, colony_end, colony_requeen
from tests.factories import NOW, ApiaryFactory, ColonyFactory, HeadingFactory, PersonFactory, QueenFactory

pytestmark = pytest.mark.django_db


def test_a_colony_added_with_its_queen_is_headed_from_that_day() -> None:
    apiary = ApiaryFactory()
    queen = QueenFactory(owner=apiary.member)
    colony = colony_add(apiary, name=" 7 ", queen=queen, since=dt.date(2025, 5, 1), by=PersonFactory(), now=NOW)
    assert colony.name == "7"
    assert list(Heading.objects.values_list("colony", "queen", "since", "until")) == [
        (colony.pk, queen.pk, dt.date(2025, 5, 1), None)
    ]
    assert set(AuditEntry.objects.values_list("action", flat=True)) == {"colony.add", "colony.requeen"}


def test_a_colony_with_a_queen_that_is_refused_is_not_added() -> None:
    apiary = ApiaryFactory()
    with pytest.raises(Refusal) as refusal:
        colony_add(apiary, name="7", queen=QueenFactory(), by=PersonFactory(), now=NOW)
    assert refusal.value.rule == "other_cooperative"
    assert (Colony.objects.count(), AuditEntry.objects.count()) == (0, 0)


def test_name_and_apiary_are_checked() -> None:
    colony = ColonyFactory(name="a")
    for name, rule in (("", "name_missing"), ("A", "name_taken")):
        with pytest.raises(Refusal) as refusal:
            colony_add(colony.apiary, name=name, by=PersonFactory(), now=NOW)
        assert refusal.value.rule == rule
    with pytest.raises(Refusal) as refusal:
        colony_add(ApiaryFactory(closed_on=dt.date(2025, 1, 1)), name="b", by=PersonFactory(), now=NOW)
    assert refusal.value.rule == "apiary_closed"


def test_requeening_ends_the_earlier_heading_on_the_same_day() -> None:
    old = HeadingFactory(since=dt.date(2025, 5, 1))
    owner = old.colony.apiary.member
    new = QueenFactory(owner=owner)
    colony_requeen(old.colony, queen=new, since=dt.date(2026, 6, 1), earlier_gone="Culled", by=PersonFactory(), now=NOW)
    old.refresh_from_db()
    assert old.until == dt.date(2026, 6, 1)
    assert (old.queen.__class__.objects.get(pk=old.queen_id).status) == QueenStatus.GONE
    assert Heading.objects.get(until__isnull=True).queen == new


def test_the_same_requeening_twice_changes_nothing() -> None:
    heading = HeadingFactory(since=dt.date(2025, 5, 1), queen__owner__cooperative__name="One")
    heading.colony.apiary.member.cooperative = heading.queen.cooperative
    heading.colony.apiary.member.save()
    again = colony_requeen(heading.colony, queen=heading.queen, since=dt.date(2025, 5, 1), by=PersonFactory(), now=NOW)
    assert again == heading
    assert AuditEntry.objects.count() == 0


def _refused(heading: Heading, **changes: object) -> Refusal:
    owner = heading.colony.apiary.member
    fields = {"queen": QueenFactory(owner=owner), "since": dt.date(2026, 6, 1), **changes}
    with pytest.raises(Refusal) as refusal:
        colony_requeen(heading.colony, by=PersonFactory(), now=NOW, **fields)  # type: ignore[arg-type]
    return refusal.value


def test_requeening_is_refused_where_it_cannot_be() -> None:
    heading = HeadingFactory(since=dt.date(2025, 5, 1))
    owner = heading.colony.apiary.member
    heads_another = HeadingFactory(colony__apiary__member=owner, queen__owner=owner).queen
    gone = QueenFactory(owner=owner, status=QueenStatus.GONE)
    unborn = QueenFactory(owner=owner, emerged_on=dt.date(2026, 6, 5), birth_year=2026)
    assert _refused(heading, queen=heads_another).rule == "heads_another"
    assert _refused(heading, queen=gone).rule == "queen_gone"
    assert _refused(heading, queen=unborn).rule == "dates_in_order"
    assert _refused(heading, since=dt.date(2025, 4, 30)).rule == "dates_in_order"
    assert _refused(heading, since=dt.date(2026, 6, 10)).rule == "future_day"
    assert _refused(heading, queen=QueenFactory()).rule == "other_cooperative"
    heading.refresh_from_db()
    assert heading.until is None


def test_an_ended_colony_has_no_queen_and_takes_none() -> None:
    heading = HeadingFactory(since=dt.date(2025, 5, 1))
    with pytest.raises(Refusal) as refusal:
        colony_end(heading.colony, ended_on=dt.date(2025, 4, 1), by=PersonFactory(), now=NOW)
    assert refusal.value.rule == "dates_in_order"
    for _ in range(2):
        colony_end(heading.colony, ended_on=dt.date(2026, 3, 1), reason="Winter", by=PersonFactory(), now=NOW)
    heading.refresh_from_db()
    assert heading.until == dt.date(2026, 3, 1)
    assert AuditEntry.objects.filter(action="colony.end").count() == 1
    assert _refused(heading).rule == "colony_ended"
