"""Questions whose SQL is kept: the same rows as the queryset gives, read anew, whatever numbers are asked about."""

from typing import Any

import pytest
from django.db.models import QuerySet, Value

from accounts.models import AuditEntry
from accounts.queries.often import asked_often
from scheduling.models import BenchSession, SeasonSetting
from tests.factories import NOW, BenchSessionFactory, CooperativeFactory, PersonFactory, SeasonFactory

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
