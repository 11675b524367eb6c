"""The buttons of a mail: they work without signing in, do nothing when merely fetched, and tell what became of it."""

import datetime as dt

import pytest
from django.core import signing
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from accounts.models import AuditEntry, Member, MemberPerson, NotificationWish, Person, Role
from scheduling.models import Delivery, Reminder, ReminderState
from scheduling.services.one_tap import SALT, Act, tap_token
from scheduling.services.reminder_rows import reminder_done
from scheduling.services.telling_key import telling_key
from tests.factories import PersonFactory, RoleGrantFactory
from tests.scheduling.telling import told

pytestmark = pytest.mark.django_db

HOUR = dt.timedelta(hours=1)


@pytest.fixture
def delivery() -> Delivery:
    """Told just now: the pages take the moment from the clock."""
    return told(now=timezone.now())


def address(delivery: Delivery, act: Act) -> str:
    return reverse("scheduling:mail_stop" if act == Act.STOP else "scheduling:one_tap", args=[tap_token(delivery, act)])


def now_stands(delivery: Delivery) -> Reminder:
    return Reminder.objects.get(pk=delivery.reminder_id)


def text_of(client: Client, url: str) -> str:
    answer = client.get(url)
    assert answer.status_code == 200
    return answer.content.decode()


@pytest.mark.parametrize("act", [Act.DONE, Act.PUT_OFF, Act.SEEN])
def test_a_scanner_that_fetches_every_link_changes_nothing(client: Client, delivery: Delivery, act: Act) -> None:
    for method in (client.get, client.head):
        assert method(address(delivery, act)).status_code == 200
    reminder = now_stands(delivery)
    assert (reminder.state, reminder.acknowledged_at, AuditEntry.objects.count()) == (ReminderState.WANTED, None, 0)


def test_done_by_one_tap_is_done_by_that_person(client: Client, delivery: Delivery) -> None:
    url = address(delivery, Act.DONE)
    assert "Yes, it is done" in text_of(client, url)
    assert client.post(url, follow=True).redirect_chain == [(url, 302)]
    reminder = now_stands(delivery)
    assert (reminder.state, reminder.ended_by) == (ReminderState.DONE, delivery.person)
    assert [(row.action, row.by) for row in AuditEntry.objects.all()] == [("reminder.done", delivery.person)]
    page = text_of(client, url)
    assert "Done: Cage the ripe cells of Rowan 1" in page
    assert "Noted by Ane on" in page
    assert "Yes, it is done" not in page


def test_pressing_twice_is_once(client: Client, delivery: Delivery) -> None:
    for act in (Act.DONE, Act.DONE):
        client.post(address(delivery, act))
    assert AuditEntry.objects.count() == 1


def test_seen_stops_the_later_tellings_and_leaves_the_thing_open(client: Client, delivery: Delivery) -> None:
    url = address(delivery, Act.SEEN)
    client.post(url)
    reminder = now_stands(delivery)
    assert (reminder.state, reminder.acknowledged_by, reminder.tell_at) == (ReminderState.WANTED, delivery.person, None)
    assert "Nobody else is told of it now." in text_of(client, url)


def test_put_off_tells_again_in_two_hours_once_however_often_it_is_pressed(client: Client, delivery: Delivery) -> None:
    url = address(delivery, Act.PUT_OFF)
    before = timezone.now()
    client.post(url)
    client.post(url)
    newer = now_stands(delivery).replaced_by
    assert newer is not None
    assert newer.replaced_by is None
    assert before + 2 * HOUR <= newer.due_at <= timezone.now() + 2 * HOUR
    assert "You are told again on" in text_of(client, url)


def test_done_on_the_first_mail_ends_what_was_put_off(client: Client, delivery: Delivery) -> None:
    client.post(address(delivery, Act.PUT_OFF))
    client.post(address(delivery, Act.DONE))
    newer = now_stands(delivery).replaced_by
    assert newer is not None
    assert newer.state == ReminderState.DONE


def test_put_off_beyond_its_use_is_refused_with_the_reason(client: Client) -> None:
    now = timezone.now()
    delivery = told(now=now, useful_until=now + HOUR)
    answer = client.post(address(delivery, Act.PUT_OFF))
    assert answer.status_code == 422
    assert "it would be too late for this" in answer.content.decode()
    assert now_stands(delivery).state == ReminderState.WANTED


@pytest.mark.parametrize("act", [Act.DONE, Act.SEEN])
def test_what_was_tapped_can_be_taken_back(client: Client, delivery: Delivery, act: Act) -> None:
    client.post(address(delivery, act))
    undo = address(delivery, Act.UNDO)
    assert undo in text_of(client, address(delivery, act))
    assert "It stands again" in client.post(undo, follow=True).content.decode()
    reminder = now_stands(delivery)
    assert (reminder.state, reminder.acknowledged_at) == (ReminderState.WANTED, None)


def test_what_somebody_else_has_done_says_who(client: Client, delivery: Delivery) -> None:
    reminder_done(delivery.reminder, by=PersonFactory(name="Jo"), now=timezone.now())
    assert "Noted by Jo on" in text_of(client, address(delivery, Act.DONE))


def test_what_has_moved_is_not_ended_unseen(client: Client, delivery: Delivery) -> None:
    newer = Reminder.objects.get(pk=delivery.reminder_id)
    newer.pk, newer._state.adding, newer.due_at = None, True, newer.due_at + 24 * HOUR
    newer.save()
    Reminder.objects.filter(pk=delivery.reminder_id).update(state=ReminderState.SUPERSEDED, replaced_by=newer)
    url = address(delivery, Act.DONE)
    client.post(url)
    page = text_of(client, url)
    assert "This has moved" in page
    assert "It is now due on" in page
    newer.refresh_from_db()
    assert newer.state == ReminderState.WANTED


def test_an_old_link_does_nothing_and_says_so(client: Client) -> None:
    then = timezone.now() - dt.timedelta(days=40)
    delivery = told(now=then)
    url = address(delivery, Act.DONE)
    assert "This link is too old" in text_of(client, url)
    assert client.post(url).status_code == 422
    assert now_stands(delivery).state == ReminderState.WANTED


def _leaves_member(delivery: Delivery) -> None:
    MemberPerson.objects.filter(person=delivery.person).delete()


def _is_closed(delivery: Delivery) -> None:
    Person.objects.filter(pk=delivery.person_id).update(is_active=False)


def _member_leaves(delivery: Delivery) -> None:
    Member.objects.filter(reminders=delivery.reminder).update(left_on=dt.date(2026, 1, 1))


@pytest.mark.parametrize("change", [_leaves_member, _is_closed, _member_leaves])
def test_the_link_of_somebody_who_left_does_nothing(client: Client, delivery: Delivery, change: object) -> None:
    assert callable(change)
    change(delivery)
    url = address(delivery, Act.DONE)
    assert "This link does not work any more" in text_of(client, url)
    assert client.post(url).status_code == 422
    assert now_stands(delivery).state == ReminderState.WANTED


@pytest.mark.parametrize("who", ["deputy", "coordinator"])
def test_whoever_it_was_passed_on_to_may_answer_too(client: Client, delivery: Delivery, who: str) -> None:
    person = PersonFactory()
    if who == "deputy":
        Member.objects.filter(reminders=delivery.reminder).update(deputy=person)
    else:
        RoleGrantFactory(person=person, cooperative=delivery.reminder.cooperative, role=Role.COORDINATOR)
    passed_on = Delivery.objects.create(reminder=delivery.reminder, person=person, channel="mail", rung=who)
    client.post(address(passed_on, Act.SEEN))
    assert now_stands(delivery).acknowledged_by == person


def test_a_coordinator_elsewhere_may_not(client: Client, delivery: Delivery) -> None:
    person = RoleGrantFactory(role=Role.COORDINATOR).person
    row = Delivery.objects.create(reminder=delivery.reminder, person=person, channel="mail")
    assert client.post(address(row, Act.DONE)).status_code == 422
    assert now_stands(delivery).state == ReminderState.WANTED


def forged(delivery: Delivery) -> list[str]:
    good = tap_token(delivery, Act.DONE)
    own = signing.Signer(salt=SALT, sep=".")
    return [
        "x",
        good[:-1] + ("A" if good[-1] != "A" else "B"),
        good.replace(".done.", ".seen."),
        signing.Signer(salt="other", sep=".").sign(good.rpartition(".")[0]),
        own.sign(f"{delivery.pk}.{'0' * 32}.done"),
        own.sign(f"{delivery.pk}.{telling_key(delivery)}.everything"),
    ]


def test_forged_links_lead_nowhere(client: Client, delivery: Delivery) -> None:
    for token in forged(delivery):
        for answer in (client.get(f"/tap/{token}/"), client.post(f"/tap/{token}/"), client.post(f"/tap/{token}/stop/")):
            assert answer.status_code == 404, token
    assert now_stands(delivery).state == ReminderState.WANTED


def test_whoever_tries_many_forged_links_waits_and_real_ones_still_work(client: Client, delivery: Delivery) -> None:
    codes = [client.get("/tap/forged/").status_code for _ in range(25)]
    assert codes[:20] == [404] * 20
    assert codes[-1] == 429
    assert client.get(address(delivery, Act.DONE)).status_code == 200


def test_a_form_elsewhere_cannot_press_the_button(delivery: Delivery) -> None:
    strict = Client(enforce_csrf_checks=True)
    url = address(delivery, Act.DONE)
    assert strict.post(url).status_code == 403
    token = strict.get(url).context["csrf_token"]
    assert strict.post(url, {"csrfmiddlewaretoken": str(token)}).status_code == 302
    assert now_stands(delivery).state == ReminderState.DONE


def test_the_page_is_neither_kept_nor_indexed_nor_named_to_others(client: Client, delivery: Delivery) -> None:
    answer = client.get(address(delivery, Act.DONE))
    assert "no-store" in answer["Cache-Control"]
    assert (answer["X-Robots-Tag"], answer["Referrer-Policy"]) == ("noindex", "no-referrer")


def test_a_mail_program_stops_routine_mails_by_itself_without_a_redirect() -> None:
    """RFC 8058, section 3.2: a POST with this body, no cookies; the answer must not be a redirect."""
    delivery = told(now=timezone.now(), kind="graft", critical=False)
    strict = Client(enforce_csrf_checks=True)
    url = address(delivery, Act.STOP)
    assert strict.get(url).status_code == 200
    assert NotificationWish.objects.count() == 0
    answer = strict.post(url, {"List-Unsubscribe": "One-Click"})
    assert answer.status_code == 200
    assert list(NotificationWish.objects.values_list("person", "kind", "channel", "wanted")) == [
        (delivery.person_id, "graft", "mail", False)
    ]
    assert now_stands(delivery).state == ReminderState.WANTED
    assert "No more e-mails: Graft" in answer.content.decode()


def test_stopped_mails_can_be_had_again_from_the_same_page(client: Client) -> None:
    delivery = told(now=timezone.now(), kind="graft", critical=False)
    client.post(address(delivery, Act.STOP))
    resume = address(delivery, Act.RESUME)
    assert resume in text_of(client, address(delivery, Act.STOP))
    assert "E-mails come: Graft" in client.post(resume, follow=True).content.decode()
    assert NotificationWish.objects.filter(wanted=False).count() == 0
