"""Critical reminders go on until somebody acknowledges; quiet hours, pauses, lead times; none is lost."""

import datetime as dt
from collections.abc import Callable

import pytest
from django.core import mail
from django.core.management import call_command
from django.db import transaction

from accounts.access import viewer_of
from accounts.models import AuditEntry, Member, Person, Role
from accounts.refusals import Refusal
from scheduling.models import Delivery, DeliveryState, Heartbeat, Reminder, ReminderState
from scheduling.planning.timing import Rung
from scheduling.queries.health import health_problems
from scheduling.queries.reminders import open_reminders
from scheduling.queries.tellings import Circles, ladder_of
from scheduling.services import heartbeat, tellings, zone_data
from scheduling.services.delivery import deliver_due, tick
from scheduling.services.fence import reminders_drop, reminders_hold, reminders_release
from scheduling.services.reminder_rows import (
    Wall,
    Wanted,
    reminder_acknowledge,
    reminder_done,
    reminder_put_off,
    reminder_take_back,
    reminders_set,
)
from scheduling.services.resending import delivery_resend
from scheduling.services.telling_wishes import ladder_set, reminders_pause, telling_times_set
from tests.factories import (
    NOW,
    MemberPersonFactory,
    PersonFactory,
    QueenBatchFactory,
    ReminderFactory,
    RoleGrantFactory,
)

pytestmark = pytest.mark.django_db

MINUTE = dt.timedelta(minutes=1)
NOON = NOW.replace(hour=10)  # 12:00 in the cooperative


@pytest.fixture
def reminder() -> Reminder:
    """A critical moment of a member with one person, a deputy and a coordinator."""
    reminder = ReminderFactory(due_at=NOON, kind="second_co2")
    member = reminder.member
    MemberPersonFactory(member=member, person=PersonFactory(email="ane@example.org"))
    member.deputy = PersonFactory(email="deputy@example.org")
    member.save()
    RoleGrantFactory(
        person=PersonFactory(email="coordinator@example.org"), cooperative=member.cooperative, role=Role.COORDINATOR
    )
    return reminder


def person(email: str) -> Person:
    return Person.objects.get(email=f"{email}@example.org")


def told(now: dt.datetime) -> list[str]:
    """Addresses that one tick wrote to."""
    mail.outbox.clear()
    deliver_due(now=now)
    return sorted(message.to[0].partition("@")[0] for message in mail.outbox)


def test_an_unanswered_critical_reminder_reaches_deputy_and_coordinator(reminder: Reminder) -> None:
    assert told(NOON) == ["ane"]
    assert told(NOON + 14 * MINUTE) == []
    assert told(NOON + 15 * MINUTE) == ["ane", "deputy"]
    assert told(NOON + 45 * MINUTE) == ["ane", "coordinator", "deputy"]
    viewer = viewer_of(person("coordinator"))
    assert viewer is not None
    assert [row.reminder for row in open_reminders(viewer, now=NOON + 50 * MINUTE)] == [reminder]


def test_an_acknowledgement_stops_all_later_stages_for_everybody(reminder: Reminder) -> None:
    told(NOON)
    reminder_acknowledge(reminder, by=person("ane"), now=NOON + MINUTE)
    reminder_acknowledge(reminder, by=person("deputy"), now=NOON + 2 * MINUTE)
    assert [told(NOON + minutes * MINUTE) for minutes in (15, 45, 120, 600)] == [[], [], [], []]
    reminder.refresh_from_db()
    assert (reminder.state, reminder.acknowledged_by) == (ReminderState.WANTED, person("ane"))
    assert AuditEntry.objects.filter(action="reminder.acknowledge").count() == 1
    reminder_take_back(reminder, by=person("ane"), now=NOON + 20 * MINUTE)
    assert told(NOON + 45 * MINUTE) == ["ane", "coordinator", "deputy"]


def test_an_acknowledgement_stops_a_message_that_waits_for_its_next_try(reminder: Reminder) -> None:
    def refuse(_: Delivery) -> None:
        raise OSError("relay away")

    deliver_due(now=NOON, send=refuse)
    reminder_acknowledge(reminder, by=person("ane"), now=NOON + MINUTE)
    assert told(NOON + 5 * MINUTE) == []
    assert reminder.deliveries.filter(state=DeliveryState.SUPERSEDED).count() == 1


@pytest.mark.parametrize("end", [reminder_done, reminder_acknowledge])
def test_what_is_done_is_not_passed_on(reminder: Reminder, end: Callable[..., Reminder]) -> None:
    told(NOON)
    end(reminder, by=person("ane"), now=NOON + MINUTE)
    assert told(NOON + 45 * MINUTE) == []


def test_what_is_put_off_is_told_at_the_new_time_and_passed_on_from_there(reminder: Reminder) -> None:
    told(NOON)
    reminder_put_off(reminder, until=NOON + 60 * MINUTE, by=person("ane"), now=NOON + MINUTE)
    assert [told(NOON + minutes * MINUTE) for minutes in (15, 60, 75)] == [[], ["ane"], ["ane", "deputy"]]


def test_after_a_standstill_the_newest_stage_is_told_once_and_said_to_be_late(reminder: Reminder) -> None:
    assert told(NOON + 180 * MINUTE) == ["ane", "coordinator", "deputy"]
    assert set(reminder.deliveries.values_list("rung", "is_late")) == {("again1", True)}
    assert told(NOON + 181 * MINUTE) == []


def test_what_nobody_was_told_of_in_time_is_reported_to_the_coordinator_and_never_sent(reminder: Reminder) -> None:
    deliver_due(now=reminder.useful_until + MINUTE)
    assert mail.outbox == []
    reminder.refresh_from_db()
    assert reminder.state == ReminderState.EXPIRED
    report = Reminder.objects.get(kind="missed_step")
    assert (report.person, report.subject_id) == (person("coordinator"), reminder.pk)
    assert told(reminder.useful_until + 2 * MINUTE) == ["coordinator"]


def test_with_nobody_to_sign_in_the_deputy_is_told_and_without_one_the_coordinator(reminder: Reminder) -> None:
    Person.objects.filter(email="ane@example.org").update(is_active=False)
    assert told(NOON) == ["deputy"]
    Member.objects.filter(reminders=reminder).update(deputy=None)
    assert told(NOON + 15 * MINUTE) == ["coordinator"]


def test_of_a_paused_person_others_are_told_and_the_app_still_shows_it(reminder: Reminder) -> None:
    ane = person("ane")
    reminders_pause(ane, until=NOON + 60 * MINUTE, cooperative=reminder.cooperative, by=ane, now=NOON - 60 * MINUTE)
    assert told(NOON) == ["deputy"]
    assert reminder.deliveries.filter(person=ane, channel="inbox", state=DeliveryState.SENT).exists()
    with pytest.raises(Refusal, match="still to come"):
        reminders_pause(ane, until=NOON, cooperative=reminder.cooperative, by=ane, now=NOON)


def test_quiet_hours_move_routine_messages_only(reminder: Reminder) -> None:
    night = NOW.replace(hour=20)  # 22:00 there
    Reminder.objects.filter(pk=reminder.pk).update(due_at=night, base_due_at=night, tell_at=night)
    routine = ReminderFactory(member=reminder.member, kind="egg_check", critical=False, due_at=night)
    assert told(night) == ["ane"]
    assert routine.deliveries.get(channel="inbox").state == DeliveryState.SENT
    assert routine.deliveries.get(channel="mail").due_at == night + dt.timedelta(hours=9)
    reminder_done(reminder, by=person("ane"), now=night)
    assert told(night + dt.timedelta(hours=8)) == []
    assert told(night + dt.timedelta(hours=9)) == ["ane"]


def test_a_lead_time_is_told_to_whoever_asked_and_the_moment_to_all(reminder: Reminder) -> None:
    ane = person("ane")
    MemberPersonFactory(member=reminder.member, person=PersonFactory(email="bo@example.org"))
    routine = ReminderFactory(
        member=reminder.member, kind="egg_check", critical=False, due_at=NOON + dt.timedelta(days=2), created_at=NOW
    )
    reminder_done(reminder, by=ane, now=NOW)
    telling_times_set(
        ane,
        leads_min={"egg_check": 1440},
        quiet_from=None,
        quiet_until=None,
        cooperative=reminder.cooperative,
        by=ane,
        now=NOW,
    )
    assert told(NOON + dt.timedelta(days=1)) == ["ane"]
    assert told(routine.due_at) == ["ane", "bo"]


def test_lead_times_and_quiet_hours_are_checked(reminder: Reminder) -> None:
    ane = person("ane")
    for leads, quiet in [
        ({"egg_check": 5}, (None, None)),
        ({"place_given": 60}, (None, None)),
        ({}, (dt.time(21), None)),
    ]:
        with pytest.raises(Refusal):
            telling_times_set(
                ane,
                leads_min=leads,
                quiet_from=quiet[0],
                quiet_until=quiet[1],
                cooperative=None,
                by=ane,
                now=NOW,
            )
    assert not ane.reminder_leads.exists()


def test_a_cooperative_sets_when_reminders_are_passed_on(reminder: Reminder) -> None:
    told(NOON)
    minutes = {
        "deputy_after_min": 30,
        "coordinator_after_min": 60,
        "deputy_after_day_min": 360,
        "coordinator_after_day_min": 540,
    }
    coordinator = person("coordinator")
    ladder_set(reminder.cooperative, minutes=minutes, by=coordinator, now=NOON + MINUTE)
    assert [told(NOON + minutes * MINUTE) for minutes in (15, 30)] == [[], ["ane", "deputy"]]
    with pytest.raises(Refusal, match="First the deputy"):
        ladder_set(reminder.cooperative, minutes={**minutes, "deputy_after_min": 90}, by=coordinator, now=NOON)


def test_after_a_restore_nothing_due_before_goes_out_until_a_coordinator_says_so(reminder: Reminder) -> None:
    later = ReminderFactory(member=reminder.member, kind="egg_check", critical=False, due_at=NOON + 60 * MINUTE)
    told(NOON - 30 * MINUTE)
    assert reminders_hold(fence=NOON + MINUTE, now=NOON + MINUTE) == 1
    assert reminders_hold(fence=NOON + MINUTE, now=NOON + MINUTE) == 0
    assert [told(NOON + minutes * MINUTE) for minutes in (2, 15, 45)] == [[], [], []]
    assert told(later.due_at) == ["ane"], "what is due after it goes out as ever"
    coordinator = person("coordinator")
    assert reminders_release([reminder], by=coordinator, now=NOON + 61 * MINUTE) == 1
    assert told(NOON + 62 * MINUTE) == ["ane", "coordinator", "deputy"]


def test_a_message_on_its_way_when_the_backup_was_made_waits_too(reminder: Reminder) -> None:
    def die(_: Delivery) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        deliver_due(now=NOON, send=die)
    assert reminder.deliveries.get(channel="mail").state == DeliveryState.SENDING
    call_command("fence_reminders")
    assert reminder.deliveries.get(channel="mail").state == DeliveryState.HELD
    assert told(NOON + 10 * MINUTE) == []
    assert reminders_drop([reminder], by=person("coordinator"), now=NOON + 11 * MINUTE) == 1
    assert reminder.deliveries.get(channel="mail").state == DeliveryState.SUPERSEDED
    assert told(NOON + 15 * MINUTE) == ["ane", "deputy"], "what is due from then on is told"


def test_a_wall_clock_moment_follows_a_newer_zone_database(monkeypatch: pytest.MonkeyPatch) -> None:
    batch = QueenBatchFactory()
    wall = Wall(NOW.date() + dt.timedelta(days=3), dt.time(8), "Europe/Berlin")
    with transaction.atomic():
        [row] = reminders_set(
            batch,
            [Wanted("graft", wall.moment, "Graft", "", member=batch.member, wall=wall)],
            cooperative=batch.season.cooperative,
            kinds=["graft"],
            now=NOW,
        )
    assert zone_data.reminders_rederive(now=NOW) == 0
    monkeypatch.setattr(zone_data, "local_to_utc", lambda day, time, zone: wall.moment + dt.timedelta(hours=1))
    assert zone_data.reminders_rederive(now=NOW) == 1
    row.refresh_from_db()
    assert (row.due_at, row.base_due_at, row.tell_at) == (wall.moment + dt.timedelta(hours=1),) * 3


def test_a_message_given_up_is_tried_again_when_somebody_says_so(reminder: Reminder) -> None:
    told(NOON)
    delivery = reminder.deliveries.get(channel="mail")
    with pytest.raises(Refusal, match="has arrived"):
        delivery_resend(delivery, by=person("coordinator"), now=NOON)
    Delivery.objects.filter(pk=delivery.pk).update(state=DeliveryState.DEAD, attempts=8, problem="no")
    delivery_resend(delivery, by=person("coordinator"), now=NOON + MINUTE)
    assert told(NOON + MINUTE) == ["ane"]
    Delivery.objects.filter(pk=delivery.pk).update(state=DeliveryState.DEAD)
    with pytest.raises(Refusal, match="of no use"):
        delivery_resend(delivery, by=person("coordinator"), now=reminder.useful_until + MINUTE)


def test_not_ready_while_a_critical_message_waits_for_more_than_two_minutes(reminder: Reminder) -> None:
    def refuse(_: Delivery) -> None:
        raise OSError("relay away")

    deliver_due(now=NOON, send=refuse)
    Heartbeat.objects.update(at=NOON + 3 * MINUTE)
    assert health_problems(now=NOON + 2 * MINUTE) == []
    [problem] = health_problems(now=NOON + 3 * MINUTE)
    assert problem.startswith("A critical reminder has waited for 180 seconds")


def test_a_jump_of_the_machines_clock_is_noticed_and_sends_nothing_again(
    reminder: Reminder, monkeypatch: pytest.MonkeyPatch
) -> None:
    told(NOON)
    monkeypatch.setattr(heartbeat.CLOCK, "jump", lambda: 7200.0)
    assert told(NOON + MINUTE) == []
    beat = Heartbeat.objects.get(name="reminders")
    assert beat.jump_seconds == 7200.0
    assert beat.jumped_at is not None
    assert NOON + MINUTE <= beat.jumped_at < NOON + 2 * MINUTE


def test_a_batch_full_of_failures_counts_as_full(reminder: Reminder) -> None:
    def refuse(_: Delivery) -> None:
        raise OSError("relay away")

    for _ in range(2):
        ReminderFactory(member=reminder.member, due_at=NOON, kind="egg_check", critical=False)
    assert tick(now=NOON, limit=3, send=refuse).is_full
    assert not tick(now=NOON, limit=3, send=refuse).is_full


def test_each_coordinator_hears_of_what_was_missed(reminder: Reminder) -> None:
    RoleGrantFactory(person=PersonFactory(), cooperative=reminder.cooperative, role=Role.COORDINATOR)
    ReminderFactory(member=reminder.member, kind="first_co2", due_at=NOON, useful_until=NOON + MINUTE)
    deliver_due(now=reminder.useful_until + MINUTE)
    assert Reminder.objects.filter(kind="missed_step").count() == 4


def test_a_row_that_cannot_be_told_keeps_no_other_waiting(reminder: Reminder, monkeypatch: pytest.MonkeyPatch) -> None:
    bad = ReminderFactory(member=reminder.member, kind="egg_check", critical=False, due_at=NOON)
    whole = ladder_of

    def broken(row: Reminder, circles: Circles) -> list[Rung]:
        if row.pk == bad.pk:
            raise ValueError("cannot be reckoned")
        return whole(row, circles)

    monkeypatch.setattr(tellings, "ladder_of", broken)
    assert told(NOON) == ["ane"]
    assert not bad.deliveries.exists()
    monkeypatch.undo()
    assert told(NOON + 11 * MINUTE) == ["ane"], "it is tried again later"
    assert bad.deliveries.filter(state=DeliveryState.SENT).exists()
