"""A reminder is written once and told to each in their own language, under one name whatever the language."""

import datetime as dt

import pytest
from django.core.mail import EmailMessage
from django.utils import translation

from accounts.access import viewer_of
from accounts.models import Person
from accounts.told import Moment, told
from scheduling.models import Delivery
from scheduling.services.channels.gateway import text_of
from scheduling.services.channels.mail import MailProvider
from scheduling.services.channels.message import mail_of
from scheduling.services.delivery import deliver_due
from scheduling.services.feeds import feed_fetch, feed_make, feed_of_token
from scheduling.services.telling_key import telling_key
from tests.factories import NOW, MemberPersonFactory, PersonFactory, ReminderFactory

pytestmark = pytest.mark.django_db

BENCH = Moment(dt.datetime(2026, 6, 9, 12, 30, tzinfo=dt.UTC), "Europe/Berlin")
LANGUAGES = {"": "en-gb", "de": "de", "fr": "fr", "es": "es"}
DAYS = {"": "Tue 9 June", "de": "Di 9. Juni", "fr": "mar 9 juin", "es": "mar 9 de junio"}


@pytest.fixture
def people() -> dict[str, Person]:
    """One member's four persons; the first has not chosen a language."""
    reminder = ReminderFactory(
        kind="catch_drones",
        title=told("Bring %(drones)d drones of %(source)s") % {"drones": 1200, "source": "Ling"},
        why=told("Due %(moment)s.") % {"moment": BENCH},
    )
    found: dict[str, Person] = {}
    for language in LANGUAGES:
        person = PersonFactory(email=f"p{language}@example.org", phone="+49 30 1", language=language)
        MemberPersonFactory(member=reminder.member, person=person)
        found[language] = person
    with translation.override("fr"):  # whatever the tick happens to run in
        deliver_due(now=NOW)
    return found


def mail_to(person: Person) -> Delivery:
    rows = Delivery.objects.select_related("reminder__cooperative", "reminder__member", "person")
    return rows.get(person=person, channel="mail")


def test_mail_and_text_are_in_the_language_of_whoever_gets_them(people: dict[str, Person]) -> None:
    subjects = {}
    for language, person in people.items():
        delivery = mail_to(person)
        with translation.override("es"):
            message, text = mail_of(delivery, now=NOW), text_of(delivery)
        assert f"{DAYS[language]}, 14:30" in message.body
        subject = str(message.subject)
        assert text.startswith(subject)
        subjects[language] = subject
    assert subjects[""] == "Bring 1200 drones of Ling"
    assert len(set(subjects.values())) == len(LANGUAGES)
    assert all("Ling" in subject for subject in subjects.values())


def test_the_mails_that_went_out_were_written_so(people: dict[str, Person], mailoutbox: list[EmailMessage]) -> None:
    with translation.override("fr"):
        MailProvider().send([mail_to(people["de"])])
    assert DAYS["de"] in mailoutbox[-1].body


def test_a_telling_has_one_name_in_every_language(people: dict[str, Person]) -> None:
    delivery = mail_to(people["de"])
    keys = set()
    for language in LANGUAGES.values():
        with translation.override(language):
            keys.add(telling_key(Delivery.objects.select_related("reminder").get(pk=delivery.pk)))
    assert len(keys) == 1


def test_the_cooperative_speaks_for_who_has_chosen_nothing(people: dict[str, Person]) -> None:
    delivery = mail_to(people[""])
    delivery.reminder.cooperative.language = "es"
    assert DAYS["es"] in mail_of(delivery, now=NOW).body


def test_a_calendar_is_in_its_owners_language_and_another_choice_moves_nothing(people: dict[str, Person]) -> None:
    person = people["de"]
    viewer = viewer_of(person)
    assert viewer is not None
    feed, token = feed_make(viewer, bench=None, now=NOW)
    first = fetched(token)
    assert "Ling" in first
    assert "Bring" not in first
    person.language = "en-gb"
    person.save(update_fields=["language"])
    again = fetched(token)
    assert "Bring 1200 drones of Ling" in again
    uids = [[line for line in text.splitlines() if line.startswith(("UID:", "DTSTART"))] for text in (first, again)]
    assert uids[0] == uids[1] != []
    assert feed.entries.get().sequence == 1


def fetched(token: str) -> str:
    found = feed_of_token(token)
    assert found is not None
    return feed_fetch(*found, now=NOW).decode().replace("\r\n ", "")
