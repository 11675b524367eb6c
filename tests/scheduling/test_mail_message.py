"""What a mail says: true for whoever reads it, wherever and whenever, and however often it comes."""

import datetime as dt
import re

import pytest
from django.core import mail
from django.core.mail import EmailMultiAlternatives

from accounts.models import Person
from scheduling.models import Delivery, Reminder, ReminderState
from scheduling.planning.timing.clock import next_clock_change
from scheduling.services.channels.message import clock_words, mail_of
from scheduling.services.reminder_rows import reminder_put_off
from scheduling.services.telling_key import telling_key
from tests.factories import NOW, MemberPersonFactory, PersonFactory, ReminderFactory
from tests.scheduling.telling import told

pytestmark = pytest.mark.django_db


def body(delivery: Delivery, *, now: dt.datetime = NOW) -> str:
    return str(mail_of(delivery, now=now).body)


def html(message: EmailMultiAlternatives) -> str:
    [(content, kind)] = message.alternatives
    assert kind == "text/html"
    return str(content)


def test_the_mail_names_the_local_moment_and_its_zone() -> None:
    text = body(told(due_at=NOW, why="Ripe on day 10."))
    assert "Due Tue 9 June 2026, 10:00, Europe/Berlin (UTC+2)." in text
    assert "Ripe on day 10." in text


def test_a_moment_is_in_the_readers_zone_and_a_day_where_the_bees_stand() -> None:
    away = PersonFactory(name="Ane", email="ane@example.org", time_zone="Asia/Kolkata")
    delivery = told(person=away)
    assert "13:30, Asia/Kolkata (UTC+5:30)" in body(delivery)
    delivery.reminder.wall_date, delivery.reminder.wall_zone = dt.date(2026, 6, 9), "Europe/Lisbon"
    assert "Due on Tue 9 June 2026, on Wed 10 June 2026 at the latest (Europe/Lisbon)." in body(delivery)
    assert "Kolkata" not in body(delivery)


@pytest.mark.parametrize(
    ("now", "due", "expected"),
    [
        (
            dt.datetime(2026, 10, 24, 18, tzinfo=dt.UTC),
            dt.datetime(2026, 10, 25, 9, tzinfo=dt.UTC),
            "The clocks change tonight: at 03:00 they go back 1 hour. The time above is by the new clock.",
        ),
        (
            dt.datetime(2026, 3, 27, 8, tzinfo=dt.UTC),
            dt.datetime(2026, 3, 29, 8, tzinfo=dt.UTC),
            "The clocks change on Sun 29 March 2026: at 02:00 they go forward 1 hour. "
            "The time above is by the new clock.",
        ),
        (dt.datetime(2026, 10, 25, 9, tzinfo=dt.UTC), dt.datetime(2026, 10, 26, 9, tzinfo=dt.UTC), ""),
    ],
)
def test_a_change_of_the_clocks_before_it_is_due_is_said(now: dt.datetime, due: dt.datetime, expected: str) -> None:
    change = next_clock_change(now, due, "Europe/Berlin")
    assert clock_words(change, now=now) == expected
    delivery = told(now=due)
    assert ("The clocks change" in body(delivery, now=now)) == bool(expected)


def test_half_an_hour_is_said_in_minutes() -> None:
    now, due = dt.datetime(2026, 4, 4, 8, tzinfo=dt.UTC), dt.datetime(2026, 4, 5, 8, tzinfo=dt.UTC)
    assert "they go back 30 minutes" in clock_words(next_clock_change(now, due, "Australia/Lord_Howe"), now=now)


def test_trying_again_sends_the_same_mail_under_the_same_id() -> None:
    delivery = told()
    first, second = (mail_of(delivery, now=NOW) for _ in range(2))
    assert first.extra_headers == second.extra_headers
    assert first.extra_headers["Message-ID"] == f"<{telling_key(delivery)}@broodtide>"
    assert (first.body, html(first)) == (second.body, html(second))
    assert "You may see this message twice; doing it once is enough." in str(first.body)


def test_mails_about_one_thing_hang_together_and_others_do_not() -> None:
    one, other = told(subject_id=71), told(subject_id=72, person=PersonFactory())
    again = Reminder.objects.get(pk=one.reminder_id)
    again.pk, again.kind, again._state.adding = None, "excluder_on", True
    again.save()
    row = Delivery(pk=900_001, reminder=again, person=one.person, channel="mail")
    heads = [mail_of(delivery, now=NOW).extra_headers for delivery in (one, row, other)]
    assert heads[0]["References"] == heads[0]["In-Reply-To"] == heads[1]["References"]
    assert heads[1]["References"] != heads[2]["References"]
    assert heads[0]["Message-ID"] != heads[1]["Message-ID"]


def test_only_routine_mails_can_be_stopped_from_the_mail_program() -> None:
    critical = mail_of(told(), now=NOW)
    assert "List-Unsubscribe" not in critical.extra_headers
    assert "No more e-mails of this kind" not in str(critical.body)
    routine = mail_of(told(kind="graft", critical=False, person=PersonFactory()), now=NOW)
    assert re.fullmatch(r"<http://[^>]+/tap/[^/>]+/stop/>", routine.extra_headers["List-Unsubscribe"])
    assert routine.extra_headers["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
    assert "No more e-mails of this kind" in str(routine.body)


def test_the_buttons_fit_what_is_told() -> None:
    def labels(delivery: Delivery) -> list[str]:
        return re.findall(r"^(.+):\nhttp\S+/tap/", body(delivery), flags=re.MULTILINE)

    assert labels(told()) == ["Done", "Put off 2 hours", "Seen, I am on it"]
    routine = told(kind="graft", critical=False, person=PersonFactory())
    assert labels(routine) == ["Done", "Put off 2 hours", "No more e-mails of this kind"]
    assert labels(told(kind="place_moved", person=PersonFactory())) == ["Seen"]


def moved(reminder: Reminder, *, was_told: bool) -> Delivery:
    """The same thing an hour later, in place of the first."""
    Reminder.objects.filter(pk=reminder.pk).update(state=ReminderState.SUPERSEDED, told_at=NOW if was_told else None)
    later = NOW + dt.timedelta(hours=1)
    newer = ReminderFactory(
        member=reminder.member, subject_id=reminder.subject_id, due_at=later, created_at=NOW, tell_at=later
    )
    Reminder.objects.filter(pk=reminder.pk).update(replaced_by=newer)
    return Delivery(pk=900_002, reminder=newer, person=Person.objects.get(email="ane@example.org"), channel="mail")


def test_a_mail_says_what_it_replaces_where_the_earlier_one_went_out() -> None:
    delivery = told()
    said = "This replaces the message that said Tue 9 June 2026, 10:00, Europe/Berlin (UTC+2). Go by this one."
    assert said in body(moved(delivery.reminder, was_told=True))


def test_nothing_is_replaced_where_nobody_was_told() -> None:
    delivery = told()
    assert "replaces" not in body(moved(delivery.reminder, was_told=False))


def test_what_was_put_off_says_so_and_replaces_nothing() -> None:
    delivery = told()
    newer = reminder_put_off(delivery.reminder, until=NOW + dt.timedelta(hours=2), by=delivery.person, now=NOW)
    text = body(Delivery(pk=900_003, reminder=newer, person=delivery.person, channel="mail"))
    assert "You asked to be told again." in text
    assert "replaces" not in text


def test_the_deputy_learns_why_it_comes_to_them() -> None:
    delivery = told()
    deputy = PersonFactory(email="deputy@example.org")
    member = delivery.reminder.member
    assert member is not None
    member.deputy = deputy
    member.save()
    row = Delivery(pk=900_004, reminder=delivery.reminder, person=deputy, channel="mail", rung="deputy")
    assert f"nobody of {delivery.reminder.member} has said that they are on it" in body(row)
    own = Delivery(pk=900_005, reminder=delivery.reminder, person=delivery.person, channel="mail", rung="deputy")
    assert "has said that they are on it" not in body(own)


def test_a_late_mail_says_that_it_is_late() -> None:
    delivery = told()
    assert "This message is late" not in body(delivery)
    delivery.is_late = True
    assert "This message is late: its moment has passed." in body(delivery)


def test_a_name_with_markup_or_a_line_break_breaks_nothing() -> None:
    delivery = told(title="Cage <b>Rowan</b>\nBcc: everybody@example.org", why="a & b")
    assert len(mail.outbox) == 1
    message = mail_of(delivery, now=NOW)
    assert message.subject == "Cage <b>Rowan</b> Bcc: everybody@example.org"
    assert message.message()["Bcc"] is None
    assert "Cage &lt;b&gt;Rowan&lt;/b&gt;" in html(message)
    assert "a &amp; b" in html(message)
    assert "a & b" in str(message.body)


def test_a_mail_has_no_page_of_its_own_looks_and_both_forms_say_the_same() -> None:
    delivery = told(link="/batches/1/")
    message = mail_of(delivery, now=NOW)
    links = re.findall(r'href="([^"]+)"', html(message))
    assert links == re.findall(r"^(http\S+)$", str(message.body), flags=re.MULTILINE)
    assert links[-1] == "http://127.0.0.1:8000/batches/1/"


def test_every_person_of_a_member_gets_links_of_their_own() -> None:
    first = told()
    second = MemberPersonFactory(member=first.reminder.member).person
    other = Delivery(pk=900_006, reminder=first.reminder, person=second, channel="mail")
    assert set(re.findall(r"http\S+/tap/\S+", body(first))).isdisjoint(re.findall(r"http\S+/tap/\S+", body(other)))
