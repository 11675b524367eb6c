"""By which name a telling goes outside: the same at every try and after a restore, never that of something else."""

import datetime as dt
from typing import Any

import pytest
from django.db import transaction
from django.test import Client
from django.utils import timezone

from accounts.models import Person
from scheduling.models import Delivery, Reminder
from scheduling.services.one_tap import Act, tap_token
from scheduling.services.reminder_rows import Wanted, reminders_set
from scheduling.services.telling_key import telling_key
from tests.factories import NOW, CooperativeFactory, MemberFactory, MemberPersonFactory, PersonFactory
from tests.scheduling.telling import mail_row, told

pytestmark = pytest.mark.django_db
HOUR = dt.timedelta(hours=1)


def put_back(delivery: Delivery, *, number: int | None = None, **changes: Any) -> Delivery:
    """The row and its reminder once more, as a restore or somebody after it writes them."""
    row, reminder = Delivery.objects.get(pk=delivery.pk), Reminder.objects.get(pk=delivery.reminder_id)
    reminder.delete()
    reminder.pk = row.reminder_id
    for field, value in changes.items():
        setattr(reminder, field, value)
    reminder.save(force_insert=True)
    row.pk = number or row.pk
    row.save(force_insert=True)
    return mail_row(reminder)


def test_a_restored_row_goes_by_the_name_it_went_out_under_whatever_its_number() -> None:
    delivery = told()
    before = telling_key(delivery)
    assert telling_key(put_back(delivery)) == before
    assert telling_key(put_back(mail_row(delivery.reminder), number=delivery.pk + 50)) == before


@pytest.mark.parametrize(
    "changes",
    [
        {"title": "Graft Alder 1"},
        {"subject_id": 99},
        {"kind": "graft"},
        {"due_at": NOW + HOUR},
        {"created_at": NOW - HOUR},
    ],
    ids=lambda changes: next(iter(changes)),
)
def test_another_row_under_the_same_number_goes_by_another_name(changes: dict[str, Any]) -> None:
    delivery = told()
    other = put_back(delivery, **changes)
    assert (other.pk, other.reminder_id) == (delivery.pk, delivery.reminder_id)
    assert telling_key(other) != telling_key(delivery)


def test_the_link_in_a_mail_of_before_does_nothing_to_what_took_its_number(client: Client) -> None:
    delivery = told(now=timezone.now())
    link = f"/tap/{tap_token(delivery, Act.DONE)}/"
    assert client.get(link).status_code == 200
    other = put_back(delivery, title="Graft Alder 1", subject_id=99)

    assert client.post(link).status_code == 404

    other.reminder.refresh_from_db()
    assert other.reminder.state == "wanted"


def test_every_telling_and_every_person_has_a_name_of_its_own() -> None:
    delivery = told(person=PersonFactory())
    others = [
        Delivery(reminder=delivery.reminder, person=delivery.person, channel="mail", rung="again1"),
        Delivery(reminder=delivery.reminder, person=PersonFactory(), channel="mail", rung=delivery.rung),
        Delivery(reminder=delivery.reminder, person=delivery.person, channel="gateway", rung=delivery.rung),
    ]
    assert len({telling_key(row) for row in [delivery, *others]}) == 4


def test_what_moves_away_and_back_is_told_under_a_new_name_each_time() -> None:
    """Else a mail program would take the last message for the first, and hide it."""
    member, cooperative = MemberFactory(), CooperativeFactory()
    person: Person = MemberPersonFactory(member=member).person
    names = []
    for written, due_at in enumerate([NOW + 30 * HOUR, NOW + 40 * HOUR, NOW + 30 * HOUR]):
        now = NOW + written * HOUR
        with transaction.atomic():
            [row] = reminders_set(
                member,
                [Wanted("graft", due_at, "Graft Rowan 1", "", member=member)],
                cooperative=cooperative,
                kinds=["graft"],
                now=now,
            )
        names.append(telling_key(Delivery(reminder=row, person=person, channel="mail", rung="due")))
    assert len(set(names)) == 3
