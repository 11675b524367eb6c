"""The coordinator's page of reminders, pauses and lead times; pages say when the sweep is silent, and help."""

import datetime as dt
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from accounts.models import Person
from scheduling import middleware
from scheduling.models import Delivery, DeliveryState, Heartbeat, Reminder
from scheduling.queries.health import health_problems
from scheduling.queries.watch import service_levels
from tests.factories import (
    NOW,
    CooperativeFactory,
    ReminderFactory,
)

pytestmark = pytest.mark.django_db
HOUR = dt.timedelta(hours=1)


@pytest.fixture
def reminder(people: dict[str, Person]) -> Reminder:
    now = timezone.now()
    return ReminderFactory(
        member=people["member"].members.get(), kind="second_co2", due_at=now - HOUR, created_at=now - 9 * HOUR
    )


def client_of(person: Person | None) -> Client:
    client = Client()
    if person is not None:
        client.force_login(person)
    return client


def failed(reminder: Reminder, **fields: object) -> Delivery:
    values = {"state": DeliveryState.DEAD, "due_at": reminder.due_at, "problem": "mailbox full", "attempts": 8}
    return Delivery.objects.create(
        reminder=reminder, person=Person.objects.get(members=reminder.member_id), channel="mail", **{**values, **fields}
    )


def test_the_page_names_what_needs_the_coordinator(people: dict[str, Person], reminder: Reminder) -> None:
    failed(reminder)
    page = client_of(people["coordinator"]).get(reverse("scheduling:reminder_watch")).content.decode()
    assert "2 reminders need you" in page
    assert "mailbox full" in page
    client_of(people["coordinator"]).post(reverse("scheduling:reminder_acknowledge", args=[reminder.pk]))
    reminder.refresh_from_db()
    assert reminder.acknowledged_by == people["coordinator"]


def test_with_nothing_open_the_page_says_so(people: dict[str, Person]) -> None:
    page = client_of(people["coordinator"]).get(reverse("scheduling:reminder_watch")).content.decode()
    assert "Every reminder got through and was answered" in page


@pytest.mark.parametrize(
    ("who", "statuses"),
    [
        ("coordinator", (200, 302, 302, 302, 200)),
        ("operator", (403, 403, 403, 403, 403)),
        ("member", (403, 403, 403, 403, 403)),
        ("stranger", (403, 403, 403, 403, 403)),
        ("outsider", (200, 404, 302, 404, 200)),
        (None, (302, 302, 302, 302, 302)),
    ],
)
def test_who_may_look_and_step_in(
    people: dict[str, Person], reminder: Reminder, who: str | None, statuses: tuple[int, ...]
) -> None:
    client, delivery = client_of(people[who] if who else None), failed(reminder)
    until = (timezone.now() + 48 * HOUR).date().isoformat()
    pause = reverse("scheduling:reminder_pause", args=[people["operator"].pk])
    if who == "operator":
        pause = reverse("scheduling:reminder_pause", args=[people["member"].pk])
    answers = (
        client.get(reverse("scheduling:reminder_watch")),
        client.post(reverse("scheduling:reminder_resend", args=[delivery.pk])),
        client.post(reverse("scheduling:reminder_let_out"), {"act": "release"}),
        client.post(pause, {"until": until}),
        client.get(reverse("scheduling:reminder_ladder")),
    )
    assert tuple(answer.status_code for answer in answers) == statuses
    delivery.refresh_from_db()
    assert delivery.state == (DeliveryState.PENDING if who == "coordinator" else DeliveryState.DEAD)


def test_what_another_cooperative_holds_back_stays_held_back(people: dict[str, Person], reminder: Reminder) -> None:
    Reminder.objects.filter(pk=reminder.pk).update(held_at=timezone.now())
    client_of(people["outsider"]).post(reverse("scheduling:reminder_let_out"), {"act": "release", "pk": reminder.pk})
    reminder.refresh_from_db()
    assert reminder.held_at is not None
    client_of(people["coordinator"]).post(reverse("scheduling:reminder_let_out"), {"act": "release", "pk": reminder.pk})
    reminder.refresh_from_db()
    assert reminder.held_at is None


def test_everybody_pauses_their_own_and_ends_the_pause(people: dict[str, Person]) -> None:
    client, url = client_of(people["member"]), reverse("scheduling:reminder_pause", args=[people["member"].pk])
    client.post(url, {"until": (timezone.now() + 48 * HOUR).date().isoformat()})
    people["member"].refresh_from_db()
    assert people["member"].reminders_paused_until is not None
    assert "End the pause" in client.get(url).content.decode()
    client.post(url, {"act": "resume"})
    people["member"].refresh_from_db()
    assert people["member"].reminders_paused_until is None


def test_lead_times_and_quiet_hours_are_kept_on_their_page(people: dict[str, Person]) -> None:
    client, url = client_of(people["member"]), reverse("scheduling:reminder_times")
    form = client.get(url).context["form"]
    values = {name: "" if form[name].value() is None else form[name].value() for name in form.fields}
    values |= {"quiet_from": "22:00", "quiet_until": "06:00", "graft": "1440"}
    assert client.post(url, values).status_code == 302
    people["member"].refresh_from_db()
    assert people["member"].quiet_from == dt.time(22)
    assert list(people["member"].reminder_leads.values_list("kind", "minutes")) == [("graft", 1440)]
    answer = client.post(url, {**values, "quiet_until": ""})
    assert "both ends of the quiet hours" in answer.content.decode()


def test_the_coordinator_sets_when_reminders_are_passed_on(people: dict[str, Person]) -> None:
    client, url = client_of(people["coordinator"]), reverse("scheduling:reminder_ladder")
    values = {
        "deputy_after_min": 20,
        "coordinator_after_min": 50,
        "deputy_after_day_min": 300,
        "coordinator_after_day_min": 600,
    }
    answer = client.post(url, {**values, "coordinator_after_min": 10})
    assert "First the deputy" in answer.content.decode()
    answer = client.post(url, values)
    assert answer.status_code == 302, answer.context["form"].errors
    cooperative = people["member"].members.get().cooperative
    assert {name: getattr(cooperative, name) for name in values} == values


def test_service_levels_count_what_never_arrived_as_late(reminder: Reminder) -> None:
    since, due = NOW - 24 * HOUR, NOW - HOUR
    seconds = [1, 2, 59, 61, 299, 301]
    for number, late in enumerate(seconds):
        sent = due + dt.timedelta(seconds=late)
        failed(reminder, rung=f"r{number}", due_at=due, state=DeliveryState.SENT, sent_at=sent)
    failed(reminder, rung="given up", due_at=due)
    failed(reminder, rung="moved", due_at=due, state=DeliveryState.SUPERSEDED)
    level, others = service_levels(reminder.cooperative, since=since, now=NOW)
    assert (level.due, level.prompt_share, level.in_time_share) == (7, 3 / 7, 5 / 7)
    assert (level.median_seconds, level.p99_seconds) == (59, 301)
    assert others.prompt_share is None
    assert [one.due for one in service_levels(CooperativeFactory(), since=since, now=NOW)] == [0, 0]


@pytest.fixture
def watch(settings: Any, monkeypatch: pytest.MonkeyPatch) -> middleware.SweepWatch:
    settings.WEB_HELPS_SWEEP = True
    watch = middleware.SweepWatch(age_seconds=60)
    monkeypatch.setattr(middleware, "WATCH", watch)
    monkeypatch.setattr("scheduling.context.WATCH", watch)
    return watch


def test_pages_say_when_reminders_are_delayed(people: dict[str, Person], watch: middleware.SweepWatch) -> None:
    client, url = client_of(people["member"]), reverse("scheduling:reminders")
    watch.look(now=timezone.now(), help_out=lambda: None)  # nothing ever ran
    assert "Reminders are delayed." in client.get(url).content.decode()
    assert "Reminders are delayed." not in client_of(None).get("/sign-in/", follow=True).content.decode()


@pytest.mark.parametrize("last", [None, dt.timedelta(hours=2)], ids=["never", "before the restart"])
@pytest.mark.parametrize(
    ("age", "is_delayed"), [(0, False), (59, False), (61, True)], ids=["just started", "almost", "for a minute"]
)
def test_a_program_that_was_just_started_is_not_called_late(
    people: dict[str, Person], reminder: Reminder, last: dt.timedelta | None, age: float, is_delayed: bool
) -> None:
    if last is not None:
        Heartbeat.objects.create(name="reminders", at=timezone.now() - last)
    watch, helped = middleware.SweepWatch(age_seconds=age), []
    watch.look(now=timezone.now(), help_out=lambda: helped.append("helped"))
    watch.wait_for_help(20)
    assert (watch.is_delayed, bool(helped)) == (is_delayed, is_delayed)


def test_a_web_process_that_replaces_another_says_at_once_that_the_sweep_is_silent() -> None:
    Heartbeat.objects.create(name="web", at=timezone.now() - dt.timedelta(seconds=20))
    watch = middleware.SweepWatch()
    watch.look(now=timezone.now(), help_out=lambda: None)
    assert watch.is_delayed


def test_a_look_is_taken_now_and_then_and_not_at_every_request(watch: middleware.SweepWatch) -> None:
    Heartbeat.objects.create(name="reminders", at=timezone.now())
    watch.look(now=timezone.now(), help_out=lambda: None)
    Heartbeat.objects.update(at=timezone.now() - HOUR)
    watch.look(now=timezone.now(), help_out=lambda: None)
    assert not watch.is_delayed


@pytest.mark.django_db(transaction=True)
def test_web_processes_help_when_the_sweep_is_silent(
    people: dict[str, Person], reminder: Reminder, watch: middleware.SweepWatch, mailoutbox: list[object]
) -> None:
    Heartbeat.objects.create(name="reminders", at=timezone.now() - dt.timedelta(seconds=61))
    client_of(None).get(
        reverse("accounts:health_live")
    )  # any request; this one reads no table that the help writes meanwhile
    watch.wait_for_help(20)
    assert len(mailoutbox) >= 1
    assert health_problems(now=timezone.now()), "help is no sign that the sweep runs"
    mailoutbox.clear()
    watch.look_again()
    client_of(None).get(reverse("accounts:health_live"))
    watch.wait_for_help(20)
    assert mailoutbox == [], "what was sent is not sent again"


@pytest.mark.django_db(transaction=True)
def test_help_goes_on_while_more_is_due_than_it_takes_at_once(
    reminder: Reminder, mailoutbox: list[object], monkeypatch: pytest.MonkeyPatch
) -> None:
    for _ in range(3):
        ReminderFactory(member=reminder.member, kind=reminder.kind, due_at=reminder.due_at)
    monkeypatch.setattr(middleware, "HELP_ROWS", 1)
    middleware.help_out()
    assert Delivery.objects.exclude(state__in=["sent", "expired", "superseded"]).count() == 0
    assert len(mailoutbox) >= 4


@pytest.mark.django_db(transaction=True)
def test_with_a_sweep_that_runs_web_processes_send_nothing(
    people: dict[str, Person], reminder: Reminder, watch: middleware.SweepWatch, mailoutbox: list[object]
) -> None:
    Heartbeat.objects.create(name="reminders", at=timezone.now())
    client_of(people["stranger"]).get(reverse("scheduling:reminders"))
    watch.wait_for_help(20)
    assert (watch.is_helping(), mailoutbox) == (False, [])


def test_the_pause_is_reached_from_ones_times_and_from_a_persons_page(people: dict[str, Person]) -> None:
    own = reverse("scheduling:reminder_pause", args=[people["member"].pk])
    assert own in client_of(people["member"]).get(reverse("scheduling:reminder_times")).content.decode()
    page = client_of(people["coordinator"]).get(reverse("accounts:person", args=[people["member"].pk]))
    assert own in page.content.decode()
