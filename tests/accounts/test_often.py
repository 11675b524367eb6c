"""Questions whose SQL is kept: the same rows as the queryset gives, read anew, whatever is asked about."""

import uuid
from typing import Any

import pytest
from django.db import connection
from django.db.models import F, QuerySet, Value
from django.test.utils import CaptureQueriesContext

from accounts.models import AuditEntry
from accounts.queries.often import asked_often
from scheduling.models import BenchSession, Booking, Season, SeasonSetting
from tests.factories import NOW, BenchSessionFactory, BookingFactory, CooperativeFactory, PersonFactory, SeasonFactory

pytestmark = pytest.mark.django_db


def test_rows_are_those_of_the_queryset_and_its_sql_is_made_once() -> None:
    one, other = SeasonFactory(), SeasonFactory(cooperative=CooperativeFactory())
    for season, value in ((one, "0.960"), (other, "0.900")):
        SeasonSetting.objects.create(season=season, key="drone_daily_survival", value=value, changed_at=NOW)
    made = []

    def figures(season: int) -> QuerySet[SeasonSetting, Any]:
        made.append(season)
        return SeasonSetting.objects.filter(season=season).order_by("pk").values_list("key", "value", "changed_at")

    ask, expected = asked_often(figures), {one.pk: list(figures(one.pk)), other.pk: list(figures(other.pk))}
    made.clear()
    assert {pk: ask(pk) for pk in expected} == expected
    assert len(made) == 1
    SeasonSetting.objects.filter(season=one).delete()
    assert (ask(one.pk), ask(other.pk)) == ([], expected[other.pk])


def test_days_and_kept_objects_are_read_as_what_they_are() -> None:
    person, session = PersonFactory(), BenchSessionFactory()
    AuditEntry.objects.create(
        at=NOW, by=person, action="x", subject_type="accounts.person", subject_id=person.pk, after={"a": [1, None]}
    )
    days = asked_often(lambda season: BenchSession.objects.filter(season=season).values_list("day", "starts_at"))
    told = asked_often(lambda by: AuditEntry.objects.filter(by=by).values_list("after", "at"))
    assert days(session.season_id) == [(session.day, session.starts_at)]
    assert told(person.pk) == [({"a": [1, None]}, NOW)]


def test_without_a_number_the_question_is_another_one() -> None:
    sessions = [BenchSessionFactory() for _ in range(2)]

    def of(season: int | None) -> QuerySet[BenchSession, Any]:
        rows = BenchSession.objects.order_by("pk")
        return (rows if season is None else rows.filter(season=season)).values_list("pk")

    ask = asked_often(of)
    assert ask(sessions[1].season_id) == [(sessions[1].pk,)]
    assert ask(None) == [(session.pk,) for session in sessions]


def test_a_number_that_is_reckoned_with_first_is_refused() -> None:
    ask = asked_often(lambda places: BenchSession.objects.filter(places=Value(1), pk=places + 1).values_list("pk"))
    with pytest.raises(ValueError, match="must stand in its SQL as it is"):
        ask(14)


def test_things_come_with_what_they_were_selected_with() -> None:
    sessions = [BenchSessionFactory() for _ in range(2)]

    def of(pk: int) -> QuerySet[BenchSession, BenchSession]:
        rows = BenchSession.objects.filter(pk=pk).select_related("season__cooperative", "operator")
        return rows.annotate(twice=F("places") * 2)

    ask, connected = asked_often(of), sessions[1]
    ask(sessions[0].pk)
    [found] = ask(connected.pk)
    with CaptureQueriesContext(connection) as asked:
        known = (found, found.season, found.season.cooperative, found.operator, found.twice)  # type: ignore[attr-defined]
    assert known == (connected, connected.season, connected.season.cooperative, None, 2 * connected.places)
    assert len(asked) == 0
    assert found.__dict__.keys() == of(connected.pk).get().__dict__.keys()
    found.places += 1
    found.save(update_fields=["places"])
    assert [one.places for one in ask(connected.pk)] == [connected.places + 1]


def test_texts_and_uuids_are_asked_about_too() -> None:
    booking = BookingFactory(note="late", key=uuid.UUID(int=7))
    ask = asked_often(lambda key, note: Booking.objects.filter(key=key, note=note).values_list("pk", "key"))
    assert ask(uuid.UUID(int=8), "late") == []
    assert ask(uuid.UUID(int=7), "late") == [(booking.pk, uuid.UUID(int=7))]
    assert ask(uuid.UUID(int=7), "soon") == []


def test_one_among_several_is_looked_for_in_one_question_for_about_as_many() -> None:
    made, seasons = [], [SeasonFactory(cooperative=CooperativeFactory()).pk for _ in range(5)]

    def among(pks: tuple[int, ...], year: int) -> QuerySet[Season, Any]:
        made.append(len(pks))
        return Season.objects.filter(pk__in=pks, year=year).order_by("pk").values_list("pk")

    ask = asked_often(among)
    [year] = set(Season.objects.values_list("year", flat=True))
    for number in (0, 1, 3, 4, 5):
        assert ask(tuple(seasons[:number]), year) == [(pk,) for pk in seasons[:number]]
    assert ask(tuple(seasons), year + 1) == []
    assert made == [0, 1, 4, 8]
