"""A person who is forgotten: no row holds their address, nothing is sent, what they did stays."""

import datetime as dt
from collections.abc import Iterator
from typing import Any

import pytest
from django.apps import apps
from django.conf import settings
from django.core import mail
from django.core.mail import get_connection
from django.core.mail.message import EmailMessage
from django.db import connection
from django.db.models import CASCADE
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from accounts.access import viewer_of
from accounts.models import ApiAnswer, AuditEntry, Cooperative, KeptMail, Member, Person, PushDevice, Role
from accounts.refusals import Refusal
from accounts.services import forgetting
from accounts.services.forgetting import is_forgotten, person_forget, person_forget_self
from accounts.services.members import member_change
from accounts.services.people import person_add, person_change, person_email_change
from accounts.services.tokens import token_make, token_of_key
from scheduling.models import CalendarFeed, Delivery, DeliveryState, Reminder
from scheduling.services.delivery import deliver_due
from scheduling.services.feeds import feed_make, feed_of_token
from scheduling.services.one_tap import Act, tap_token
from scheduling.services.reminder_rows import reminder_acknowledge
from tests.accounts.browser import Browser
from tests.factories import (
    PASSWORD,
    CooperativeFactory,
    MemberFactory,
    PersonFactory,
    ReminderFactory,
    RoleGrantFactory,
)

pytestmark = pytest.mark.django_db

EMAIL, EARLIER, PHONE, NAME = "ane.lund@example.org", "ane.before@example.org", "+45 20 30 40 50", "Ane Lund"
HOUR = dt.timedelta(hours=1)


class Known:
    """Ane acts for Fellside and works at the bench; she has been told, by every way; more is on its way to her."""

    def __init__(self) -> None:
        self.now = timezone.now()
        self.coordinator: Person = PersonFactory(name="Coordinator")
        self.cooperative: Cooperative = CooperativeFactory()
        RoleGrantFactory(person=self.coordinator, cooperative=self.cooperative, role=Role.COORDINATOR)
        self.member: Member = MemberFactory(cooperative=self.cooperative, name="Fellside")
        by, now = self.coordinator, self.now
        self.person = person_add(
            self.cooperative,
            name="Ane Before",
            email=EARLIER,
            phone=PHONE,
            member=self.member,
            roles=[Role.OPERATOR],
            by=by,
            now=now,
        ).person
        self.person.set_password(PASSWORD)
        self.person.save()
        here: dict[str, Any] = {"cooperative": self.cooperative, "now": now}
        person_change(self.person, name=NAME, phone=PHONE, time_zone="", **here)
        self.person = person_email_change(self.person, email=EMAIL, current=PASSWORD, **here)
        other = MemberFactory(cooperative=self.cooperative)
        member_change(other, name=other.name, deputy=self.person, by=by, now=now)
        viewer = viewer_of(self.person)
        assert viewer is not None
        _feed, self.calendar = feed_make(viewer, bench=None, now=now)
        PushDevice.objects.create(
            person=self.person, endpoint="https://push.example.org/1", **Browser().keys, name="Phone", made_at=now
        )
        _token, self.key = token_make(viewer, name="Scale at the stand", scopes=["read"], days=None, now=now)
        ApiAnswer.objects.create(person=self.person, key="1", fingerprint="x", begun_at=now, body={"to": EMAIL})
        self.told = self.reminder("Cage the ripe cells of Rowan 1", due_at=now - HOUR)
        deliver_due(now=now - HOUR, send=lambda _row: None)
        row = Delivery.objects.get(reminder=self.told, channel="mail")
        self.link = f"/tap/{tap_token(row, Act.DONE)}/"
        Delivery.objects.filter(pk=row.pk).update(state=DeliveryState.DEAD, problem=f"550 <{EMAIL}>: no such user")
        self.coming = self.reminder("Graft Rowan 2", due_at=now - HOUR / 4, kind="graft", critical=False)
        Person.objects.filter(pk=self.person.pk).update(quiet_from=None, quiet_until=None)
        get_connection("accounts.mail.KeptMailBackend").send_messages(
            [EmailMessage("Due", f"Dear {NAME}", None, [EMAIL]), EmailMessage("Welcome", "x", None, [EARLIER])]
        )

    def reminder(self, title: str, **fields: Any) -> Reminder:
        made: Reminder = ReminderFactory(
            cooperative=self.cooperative,
            member=self.member,
            title=title,
            tell_at=fields["due_at"],
            useful_until=self.now + 24 * HOUR,
            created_at=self.now - 30 * HOUR,
            subject_id=Reminder.objects.count() + 1,
            **fields,
        )
        return made

    def forget(self) -> None:
        person_forget(self.person, cooperative=self.cooperative, by=self.coordinator, now=self.now)


@pytest.fixture
def known(settings: Any) -> Known:
    settings.EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
    made = Known()
    mail.outbox.clear()
    return made


def rows_with(*secrets: str) -> Iterator[str]:
    """Every row of every table in which one of these stands, in whatever column."""
    for model in apps.get_models(include_auto_created=True):
        with connection.cursor() as cursor:
            cursor.execute(f'SELECT * FROM "{model._meta.db_table}"')
            for row in cursor.fetchall():
                if any(secret.casefold() in str(row).casefold() for secret in secrets):
                    yield model._meta.label


def test_control_before_it_the_address_stands_in_many_tables_and_a_tick_sends(known: Known) -> None:
    assert set(rows_with(EMAIL, EARLIER, PHONE, NAME)) >= {
        "accounts.Person",
        "accounts.AuditEntry",
        "accounts.KeptMail",
        "scheduling.Delivery",
    }
    deliver_due(now=known.now)
    assert [EMAIL] in [message.to for message in mail.outbox]


def test_after_it_no_row_holds_address_name_or_telephone_and_a_tick_sends_nothing(known: Known) -> None:
    """Also of the address and the name that were used before."""
    known.forget()
    for hours in range(0, 30, 3):
        deliver_due(now=known.now + hours * HOUR)

    assert list(rows_with(EMAIL, EARLIER, PHONE, NAME, "Ane Before")) == []
    to_them = [address for message in mail.outbox for address in message.to if "ane" in address or "invalid" in address]
    assert to_them == []


def test_control_without_what_the_season_forgets_an_address_is_left(
    known: Known, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(forgetting, "import_string", lambda _path: lambda _person, now: None)
    known.forget()
    assert list(rows_with(EMAIL)) == ["scheduling.Delivery"]


def test_control_without_striking_out_the_history_still_names_them(
    known: Known, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(forgetting, "_strike_out", lambda _person, _known: None)
    known.forget()
    assert set(rows_with(EMAIL, EARLIER, PHONE, NAME)) == {"accounts.AuditEntry"}


def test_a_message_that_was_claimed_already_is_called_off(known: Known) -> None:
    deliver_due(now=known.now, send=lambda _row: (_ for _ in ()).throw(OSError("away")))
    assert Delivery.objects.filter(person=known.person, state=DeliveryState.RETRY).exists()
    known.forget()
    deliver_due(now=known.now + HOUR)
    assert set(Delivery.objects.filter(person=known.person, channel="mail").values_list("state", flat=True)) == {
        DeliveryState.SUPERSEDED
    }


def test_sign_in_calendar_device_and_links_in_mails_end(known: Known, client: Client) -> None:
    client.force_login(known.person)
    assert client.get(reverse("accounts:settings")).status_code == 200
    assert feed_of_token(known.calendar) is not None

    known.forget()

    assert client.get(reverse("accounts:settings")).status_code == 302
    assert feed_of_token(known.calendar) is None
    client.post(known.link)
    known.told.refresh_from_db()
    assert known.told.state == "wanted"
    assert token_of_key(known.key, now=known.now) is None
    assert not client.login(email=EMAIL, password=PASSWORD)
    assert (PushDevice.objects.count(), CalendarFeed.objects.count(), KeptMail.objects.count()) == (0, 0, 0)
    person = Person.objects.get(pk=known.person.pk)
    assert (viewer_of(person), person.has_usable_password(), is_forgotten(person)) == (None, False, True)


def test_nothing_that_is_theirs_alone_is_left_but_what_they_were_told(known: Known) -> None:
    """Whatever table comes to hang on a person: it goes with them, or stands here."""
    known.forget()
    theirs = [relation for relation in Person._meta.related_objects if relation.on_delete is CASCADE]
    left = {
        relation.related_model._meta.label
        for relation in theirs
        if relation.related_model._default_manager.filter(**{relation.field.name: known.person.pk}).exists()
    }
    assert (len(theirs) > 8, left) == (True, {"scheduling.Delivery"})


def test_what_they_were_on_is_told_to_others_again(known: Known) -> None:
    reminder_acknowledge(known.told, by=known.person, now=known.now)
    known.forget()
    known.told.refresh_from_db()
    assert known.told.acknowledged_at is None
    deliver_due(now=known.now + 2 * HOUR)
    assert {row.person for row in known.told.deliveries.filter(sent_at__gt=known.now)} == {known.coordinator}


def test_what_they_did_stays_as_done_by_a_former_person_and_who_forgot_them_is_kept(known: Known) -> None:
    known.forget()
    number = known.person.pk
    entries = AuditEntry.objects.filter(subject_type="accounts.person", subject_id=number).order_by("pk")
    assert [entry.action for entry in entries][-1] == "person.forget"
    assert entries[len(entries) - 1].by == known.coordinator
    own = entries.get(action="person.change")
    assert (own.by_name, own.after["name"]) == (f"Former person {number}", f"Former person {number}")


def test_twice_is_once(known: Known) -> None:
    known.forget()
    known.forget()
    assert AuditEntry.objects.filter(action="person.forget").count() == 1


def test_the_address_may_come_back_as_a_new_person(known: Known) -> None:
    known.forget()
    again = person_add(
        known.cooperative, name=NAME, email=EMAIL, member=known.member, by=known.coordinator, now=known.now
    ).person
    assert again.pk != known.person.pk
    assert again.is_active


# -- who may ----------------------------------------------------------------------------------------------------------


def test_oneself_with_the_password_and_is_signed_out(known: Known, client: Client) -> None:
    client.force_login(known.person)
    page = reverse("accounts:forget_self")
    assert "Nobody else acts for Fellside." in client.get(page).content.decode()
    wrong = client.post(page, {"sure": "on", "current": "another password"})
    assert "This is not your password" in wrong.content.decode()
    assert "I know that this cannot be undone" in client.post(page, {"current": PASSWORD}).content.decode()
    done = client.post(page, {"sure": "on", "current": PASSWORD}, follow=True)
    assert done.redirect_chain == [(reverse("accounts:sign_in"), 302)]
    assert "You are forgotten here." in done.content.decode()
    assert list(rows_with(EMAIL, EARLIER, PHONE, NAME)) == []


def test_the_coordinator_by_a_page_that_says_what_happens(known: Known, client: Client) -> None:
    client.force_login(known.coordinator)
    card = client.get(reverse("accounts:person", args=[known.person.pk])).content.decode()
    page = reverse("accounts:person_forget", args=[known.person.pk])
    assert page in card
    assert f"Forget {NAME}?" in client.get(page).content.decode()
    assert "This field is required" in client.post(page, {"sure": ""}).content.decode()
    done = client.post(page, {"sure": "on"}, follow=True)
    assert f"{NAME} is forgotten." in done.content.decode()
    assert client.get(page).status_code == 404


def refusal(action: Any) -> str | None:
    with pytest.raises(Refusal) as caught:
        action()
    assert Person.objects.filter(email=EMAIL).exists()
    return caught.value.rule


def test_nobody_known_elsewhere_no_keeper_of_the_installation_and_not_the_last_coordinator(known: Known) -> None:
    here: dict[str, Any] = {"cooperative": known.cooperative, "now": known.now}
    grant = RoleGrantFactory(person=known.person, cooperative=CooperativeFactory(), role=Role.BREEDER)
    assert refusal(known.forget) == "forget_not_yours"
    grant.delete()
    assert refusal(lambda: person_forget(known.person, by=known.person, **here)) == "forget_self_here"
    RoleGrantFactory(person=known.person, cooperative=known.cooperative, role=Role.COORDINATOR)
    known.coordinator.role_grants.all().delete()
    assert refusal(lambda: person_forget_self(known.person, current=PASSWORD, **here)) == "last_coordinator"
    known.person.is_staff = True
    assert refusal(lambda: person_forget_self(known.person, current=PASSWORD, **here)) == "forget_staff"


def test_the_hook_of_the_season_is_the_one_that_is_set() -> None:
    assert settings.PERSON_FORGOTTEN == "scheduling.services.forgetting.person_forgotten"
