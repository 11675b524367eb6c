"""One mail in the morning instead of single routine ones; and the page on which ways and hour are chosen."""

import datetime as dt

import pytest
from django.core import mail
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from accounts.access import viewer_of
from accounts.models import AuditEntry, NotificationWish, Person, PushDevice, Role, RoleGrant
from scheduling.models import DeliveryState, Reminder
from scheduling.queries.reminders import open_reminders
from scheduling.reminder_kinds import KINDS, SUMMARY
from scheduling.services.delivery import deliver_due
from scheduling.services.reminder_rows import reminder_done
from scheduling.services.summary import summaries_write, summary_set
from tests.factories import NOW, MemberPersonFactory, PersonFactory, ReminderFactory

pytestmark = pytest.mark.django_db

SIX = dt.time(6, 0)
MORNING = NOW.replace(hour=4)  # 06:00 in the cooperative, on 9 June
DAY, HOUR = dt.timedelta(days=1), dt.timedelta(hours=1)


@pytest.fixture
def reminder() -> Reminder:
    """A routine one, due on the evening before, of a person who wants a summary at six."""
    reminder = ReminderFactory(
        kind="egg_check",
        critical=False,
        due_at=MORNING - 12 * HOUR,
        title="Look for eggs: Rowan",
        created_at=NOW - 3 * DAY,
    )
    MemberPersonFactory(member=reminder.member, person=PersonFactory(email="ane@example.org"))
    set_hour(reminder, SIX)
    return reminder


def ane() -> Person:
    return Person.objects.get(email="ane@example.org")


def set_hour(reminder: Reminder, at: dt.time | None, now: dt.datetime = MORNING - DAY + HOUR) -> None:
    summary_set(ane(), at=at, cooperative=reminder.cooperative, by=ane(), now=now)


def test_routine_ones_wait_for_the_morning_and_stand_in_one_mail(
    reminder: Reminder, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(timezone, "now", lambda: MORNING)
    ReminderFactory(
        member=reminder.member, kind="graft", critical=False, due_at=MORNING + 5 * HOUR, title="Graft: Alder"
    )
    ReminderFactory(
        member=reminder.member, kind="graft", critical=False, due_at=MORNING + 30 * HOUR, title="Graft: Elm"
    )
    ReminderFactory(
        member=reminder.member, kind="graft", critical=False, due_at=MORNING + 60 * HOUR, title="Graft: Ash"
    )
    deliver_due(now=reminder.due_at)
    assert mail.outbox == []
    assert reminder.deliveries.get().channel == "inbox", "the app shows it at once"
    deliver_due(now=MORNING)
    [message] = mail.outbox
    assert message.subject == "What is due on Tue 9 June"
    body = str(message.body)
    assert body.index("Late") < body.index("Rowan") < body.index("Today") < body.index("11:00  Graft: Alder")
    assert body.index("Tomorrow") < body.index("Graft: Elm")
    assert "Ash" not in body
    html = str(message.message())
    assert "<li>11:00  Graft: Alder</li>" in html


def test_critical_ones_still_come_singly(reminder: Reminder) -> None:
    ReminderFactory(member=reminder.member, kind="second_co2", due_at=MORNING - 10 * HOUR)
    deliver_due(now=MORNING - 10 * HOUR)
    assert [message.to for message in mail.outbox] == [["ane@example.org"]]


def test_each_morning_has_one_however_often_it_is_put_in_line(reminder: Reminder) -> None:
    for hours in range(0, 72, 3):
        now = MORNING + hours * HOUR
        assert summaries_write(now=now) == 1
        deliver_due(now=now)
    assert [message.subject[-6:] for message in mail.outbox] == ["9 June", "0 June", "1 June"]
    viewer = viewer_of(ane())
    assert viewer is not None
    assert [row.reminder for row in open_reminders(viewer, now=MORNING)] == [reminder], "none stands among what is due"


def test_a_mail_that_is_tried_again_still_belongs_to_its_morning(reminder: Reminder) -> None:
    def refuse(_: object) -> None:
        raise OSError("relay away")

    deliver_due(now=MORNING, send=refuse)
    summaries_write(now=MORNING + HOUR)
    deliver_due(now=MORNING + HOUR)
    assert len(mail.outbox) == 1


def test_a_day_without_anything_due_says_so(reminder: Reminder) -> None:
    reminder_done(reminder, by=ane(), now=MORNING - HOUR)
    deliver_due(now=MORNING)
    assert "Nothing is due today or tomorrow." in str(mail.outbox[0].body)


def test_without_an_hour_routine_ones_come_singly_again(reminder: Reminder) -> None:
    set_hour(reminder, None, now=MORNING - 13 * HOUR)
    deliver_due(now=reminder.due_at)
    assert [message.subject for message in mail.outbox] == ["Look for eggs: Rowan"]
    assert not Reminder.objects.filter(kind="summary", state="wanted").exists()
    assert AuditEntry.objects.filter(action="summary.set").count() == 2


def test_a_person_nobody_needs_to_tell_any_more_gets_none(reminder: Reminder) -> None:
    Person.objects.filter(pk=ane().pk).update(is_active=False)
    assert summaries_write(now=MORNING) == 0
    deliver_due(now=MORNING)
    assert mail.outbox == []
    assert not reminder.deliveries.exclude(state=DeliveryState.SENT).exists()


@pytest.fixture
def page(reminder: Reminder, client: Client) -> Client:
    client.force_login(ane())
    return client


def boxes(page: Client) -> list[str]:
    form = page.get(reverse("scheduling:reminder_wishes")).context["form"]
    return [value for row in form.rows for value, _label, ticked in row.boxes if ticked]


def test_ways_and_hour_are_kept(page: Client) -> None:
    url = reverse("scheduling:reminder_wishes")
    chosen = [value for value in boxes(page) if value != "graft/mail"]
    assert page.post(url, {"wishes": chosen, "summary_at": "05:30"}).status_code == 302
    assert boxes(page) == chosen
    assert ane().summary_at == dt.time(5, 30)
    assert list(NotificationWish.objects.values_list("kind", "channel", "wanted")) == [("graft", "mail", False)]


def test_what_costs_a_year_keeps_one_way(page: Client) -> None:
    url = reverse("scheduling:reminder_wishes")
    chosen = [value for value in boxes(page) if value != "second_co2/mail"]
    answer = page.post(url, {"wishes": chosen, "summary_at": "06:00"})
    assert "Keep one way for what costs a year when it is missed: Second CO" in answer.content.decode()
    assert not NotificationWish.objects.exists()


def test_only_ways_that_reach_the_person_are_offered(page: Client, settings: object) -> None:
    assert {value.partition("/")[2] for value in boxes(page)} == {"mail"}
    settings.PUSH_KEY = "set"  # type: ignore[attr-defined]
    PushDevice.objects.create(
        person=ane(), endpoint="https://push.example.org/1", p256dh="x", auth="y", name="Phone", made_at=NOW
    )
    assert {value.partition("/")[2] for value in boxes(page)} == {"mail", "push"}


def test_wishes_name_only_what_a_person_can_be_told(page: Client, reminder: Reminder) -> None:
    def kinds() -> set[str]:
        return {value.partition("/")[0] for value in boxes(page)}

    theirs = {"plan_ready", "evaluation_ready", "variances_ready", "lot_limit", "missed_step", "webhook_off"}
    member = kinds()
    assert member == set(KINDS) - theirs - {SUMMARY}
    RoleGrant.objects.create(person=ane(), cooperative=reminder.cooperative, role=Role.OPERATOR)
    assert kinds() - member == {"lot_limit"}
    RoleGrant.objects.create(person=ane(), cooperative=reminder.cooperative, role=Role.BREEDER)
    assert kinds() - member == {"lot_limit", "evaluation_ready", "variances_ready"}
    RoleGrant.objects.create(person=ane(), cooperative=reminder.cooperative, role=Role.COORDINATOR)
    assert kinds() == set(KINDS) - {SUMMARY}
    ane().members.update(left_on=NOW.date())
    assert "graft" not in kinds(), "she is no member any more"
    assert {"second_co2", "health_ends", "plan_ready"} <= kinds(), "they are passed on to coordinators"


def test_a_wish_about_what_is_not_shown_stays(page: Client) -> None:
    NotificationWish.objects.create(person=ane(), kind="plan_ready", channel="mail", wanted=False)
    page.post(reverse("scheduling:reminder_wishes"), {"wishes": boxes(page), "summary_at": "05:30"})
    assert list(NotificationWish.objects.values_list("kind", "wanted")) == [("plan_ready", False)]
