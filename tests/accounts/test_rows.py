"""Rows read for many owners at once: what Django's own Prefetch gives, and narrowed down only when asked."""

import pytest
from django.db import connection
from django.db.models import Prefetch
from django.test.utils import CaptureQueriesContext

from accounts.models import Member, MemberPerson
from accounts.queries.rows import rows_of
from tests.accounts.conftest import House
from tests.factories import ApiaryFactory


@pytest.fixture
def members(house: House) -> list[Member]:
    for name in ("Quarry", "Beck", "Tarn"):
        ApiaryFactory(member=house.member, name=name)
    return [house.member, house.neighbour]


def read(members: list[Member], *prefetches: "Prefetch[str]") -> list[Member]:
    return list(
        Member.objects.filter(pk__in=[member.pk for member in members]).order_by("pk").prefetch_related(*prefetches)
    )


def test_they_are_those_of_djangos_own_in_the_same_order(members: list[Member]) -> None:
    rows = members[0].apiaries.model.objects.exclude(name="Tarn").order_by("-name")
    ours, theirs = read(members, rows_of("apiaries", rows)), read(members, Prefetch("apiaries", rows))
    assert [[one.name for one in member.apiaries.all()] for member in theirs] == [["Quarry", "Orchard", "Beck"], []]
    with CaptureQueriesContext(connection) as asked:
        assert [list(one.apiaries.all()) for one in ours] == [list(one.apiaries.all()) for one in theirs]
        assert [one.member for one in ours[0].apiaries.all()] == [ours[0]] * 3
        assert [len(one.apiaries.all()) for one in ours] == [3, 0]
    assert not asked.captured_queries


def test_narrowed_down_they_are_asked_for_of_their_owner_alone(members: list[Member], house: House) -> None:
    ApiaryFactory(member=house.neighbour, name="Beck")
    first, second = read(members, rows_of("apiaries", members[0].apiaries.model.objects.exclude(name="Tarn")))
    with CaptureQueriesContext(connection) as asked:
        assert [one.name for one in first.apiaries.all().filter(name__in=["Beck", "Tarn"])] == ["Beck"]
        assert [one.member_id for one in second.apiaries.all().order_by("name")] == [house.neighbour.pk]
        assert first.apiaries.all().exclude(name="Beck").count() == 2
    assert len(asked.captured_queries) == 3
    [theirs, _second] = read(members, Prefetch("apiaries", members[0].apiaries.model.objects.exclude(name="Tarn")))
    assert first.apiaries.filter(name="Tarn").exists() is theirs.apiaries.filter(name="Tarn").exists() is False


def test_what_they_bring_along_is_read_with_them(members: list[Member]) -> None:
    rows = MemberPerson.objects.order_by("pk").select_related("person")
    with CaptureQueriesContext(connection) as asked:
        found = read(members, rows_of("member_persons", rows.prefetch_related("person__role_grants")))
        names = [[one.person.name for one in member.member_persons.all()] for member in found]
        grants = [len(one.person.role_grants.all()) for member in found for one in member.member_persons.all()]
    assert names == [["owner", "colleague"], ["stranger"]]
    assert grants == [0, 0, 0]
    assert len(asked.captured_queries) == 3  # members, persons, grants
