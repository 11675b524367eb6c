"""Nothing ran for three hours while very much came due."""

import datetime as dt
from unittest.mock import patch

import pytest
from django.db.models import Count

from scheduling.models import Delivery, Reminder, ReminderState
from scheduling.services import tellings
from scheduling.services.delivery import tick
from tests.factories import NOW
from tests.faults.conftest import short_or_long
from tests.faults.seed import address_of, title_of, write_due

pytestmark = pytest.mark.django_db

HOURS = dt.timedelta(hours=1)
OVERDUE = short_or_long(30, 5_000)
PEOPLE = 20
LIMIT = 500


def catch_up(now: dt.datetime) -> list[tuple[str, str, str]]:
    """Tick until nothing is left; (address, title, rung) of what went out."""
    sent: list[tuple[str, str, str]] = []

    def send(delivery: Delivery) -> None:
        sent.append((delivery.person.email, str(delivery.reminder.title), delivery.rung))

    while tick(now=now, limit=LIMIT, send=send).is_full:
        continue
    return sent


def overdue(*, useful_for: dt.timedelta, first: int = 0, kind: str = "cage_cells") -> None:
    """Due over the three hours that end now."""
    write_due(
        OVERDUE,
        due_at=NOW - 3 * HOURS,
        over_seconds=3 * 3600 - 1,
        people=PEOPLE,
        useful_for=useful_for,
        first=first,
        kind=kind,
    )


def numbers_to_keepers(sent: list[tuple[str, str, str]]) -> list[str]:
    return sorted(title for to, title, _rung in sent if to.startswith("keeper"))


def test_what_is_of_use_goes_out_once_each_by_its_newest_telling_and_says_that_it_is_late() -> None:
    overdue(useful_for=30 * HOURS)
    sent = catch_up(NOW)
    assert numbers_to_keepers(sent) == [title_of(number) for number in range(OVERDUE)]
    assert {title: to for to, title, _ in sent if to.startswith("keeper")} == {
        title_of(number): address_of(number, PEOPLE) for number in range(OVERDUE)
    }
    for title, rungs in Delivery.objects.values_list("reminder__title").annotate(n=Count("rung", distinct=True)):
        assert rungs == 1, f"{title} was told by {rungs} stages at once"
    assert Delivery.objects.filter(is_late=True, channel="mail").count() > OVERDUE / 2
    assert catch_up(NOW) == []


def test_what_is_of_no_use_any_more_is_listed_for_the_coordinators_and_never_sent() -> None:
    overdue(useful_for=dt.timedelta(0), kind="bench_time")
    sent = catch_up(NOW)
    assert numbers_to_keepers(sent) == []
    expired = Reminder.objects.filter(state=ReminderState.EXPIRED, title__startswith="Step")
    assert expired.count() == OVERDUE
    for coordinator in ("ise@example.org", "ula@example.org"):
        listed = Reminder.objects.filter(kind="missed_step", person__email=coordinator)
        assert set(listed.values_list("subject_id", flat=True)) == set(expired.values_list("pk", flat=True))


def test_the_useful_and_the_stale_beside_each_other() -> None:
    overdue(useful_for=dt.timedelta(0))
    overdue(useful_for=30 * HOURS, first=OVERDUE)
    assert numbers_to_keepers(catch_up(NOW)) == [title_of(number) for number in range(OVERDUE, 2 * OVERDUE)]


def test_control_with_ticks_all_along_each_matter_is_told_several_times() -> None:
    """There are several stages in these hours, so that telling all of them afterwards would be seen."""
    overdue(useful_for=30 * HOURS)
    step = dt.timedelta(minutes=10)
    titles = numbers_to_keepers([one for number in range(19) for one in catch_up(NOW - 3 * HOURS + number * step)])
    assert len(titles) > len(set(titles)) == OVERDUE


def test_control_without_an_end_of_use_the_stale_goes_out() -> None:
    overdue(useful_for=dt.timedelta(0))
    Reminder.objects.update(useful_until=NOW + 30 * HOURS)
    assert len(numbers_to_keepers(catch_up(NOW))) == OVERDUE


def test_control_without_the_report_nobody_hears_of_what_was_missed() -> None:
    overdue(useful_for=dt.timedelta(0))
    with patch.object(tellings, "missed_report"):
        catch_up(NOW)
    assert not Reminder.objects.filter(kind="missed_step").exists()
