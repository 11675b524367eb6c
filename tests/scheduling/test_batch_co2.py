"""The first CO2 given at home is written down; its reminder ends, and the bench finds it."""

import datetime as dt

import pytest
from django.test import Client
from django.urls import reverse

from accounts.models import AuditEntry, Person, Role
from accounts.refusals import Refusal
from scheduling.models import Placement, QueenBatch, Reminder
from scheduling.services.batches import batch_first_co2
from scheduling.services.plan_reminders import reminders_refresh_plan
from tests.factories import NOW, MemberPersonFactory, PersonFactory, RoleGrantFactory
from tests.scheduling.plan_world import PlanWorld

pytestmark = pytest.mark.django_db

HOUR = dt.timedelta(hours=1)


class Placed(PlanWorld):
    """One batch, out since 3 June, with places on 12 June and the first CO2 due the day before."""

    def __init__(self) -> None:
        super().__init__(days=(12,))
        self.booking = self.ask("Rowan")
        self.batch: QueenBatch = self.booking.batch
        self.publish()
        QueenBatch.objects.filter(pk=self.batch.pk).update(
            emerged_on=dt.date(2026, 6, 3), virgins_emerged=5, counted_on=dt.date(2026, 5, 23)
        )
        self.batch.refresh_from_db()
        Placement.objects.update(co2_before=5, co2_after=0)
        reminders_refresh_plan(self.season, now=NOW)
        self.due = self.sessions[0].starts_at - 24 * HOUR

    @property
    def who(self) -> Person:
        return self.person(self.booking)


@pytest.fixture
def world() -> Placed:
    return Placed()


def waiting() -> int:
    return Reminder.objects.filter(kind="first_co2", state="wanted").count()


def test_what_was_given_ends_its_reminder_and_taking_it_back_brings_it_again(world: Placed) -> None:
    assert waiting() == 1
    batch_first_co2(world.batch, ended_at=world.due, by=world.who, now=world.due + HOUR)
    assert waiting() == 0
    assert QueenBatch.objects.get(pk=world.batch.pk).first_co2_at == world.due
    batch_first_co2(world.batch, ended_at=world.due - HOUR, by=world.who, now=world.due + HOUR)
    batch_first_co2(world.batch, ended_at=None, by=world.who, now=world.due + 2 * HOUR)
    assert waiting() == 1
    actions = AuditEntry.objects.filter(subject_type="scheduling.queenbatch", action__startswith="batch.co2")
    assert list(actions.order_by("pk").values_list("action", flat=True)) == [
        "batch.co2",
        "batch.co2.correct",
        "batch.co2.withdraw",
    ]


def test_a_moment_still_to_come_is_refused(world: Placed) -> None:
    with pytest.raises(Refusal, match="still to come"):
        batch_first_co2(world.batch, ended_at=world.due, by=world.who, now=world.due - HOUR)


def test_gas_before_they_emerged_is_refused(world: Placed) -> None:
    with pytest.raises(Refusal):
        batch_first_co2(world.batch, ended_at=dt.datetime(2026, 6, 1, 8, tzinfo=dt.UTC), by=world.who, now=world.due)
    assert QueenBatch.objects.get(pk=world.batch.pk).first_co2_at is None


def test_the_page_writes_it_down_by_the_clock_of_the_apiary(world: Placed, client: Client) -> None:
    client.force_login(world.who)
    url = reverse("scheduling:batch_co2", args=[world.batch.pk])
    assert Reminder.objects.get(kind="first_co2").link == url
    page = client.get(url)
    assert "CO2 only where the air is fresh" in page.content.decode().replace("CO<sub>2</sub>", "CO2")
    version = page.context["form"]["version"].value()
    answer = client.post(url, {"day": "2026-06-11", "time": "09:15", "version": version})
    assert answer.status_code == 302
    assert QueenBatch.objects.get(pk=world.batch.pk).first_co2_at == dt.datetime(2026, 6, 11, 7, 15, tzinfo=dt.UTC)
    stale = client.post(url, {"day": "2026-06-11", "time": "09:30", "version": version})
    assert "changed meanwhile" in stale.content.decode()
    assert client.post(url, {"withdraw": "1"}).status_code == 302
    assert QueenBatch.objects.get(pk=world.batch.pk).first_co2_at is None


@pytest.mark.parametrize(("who", "status"), [("coordinator", 200), ("colleague", 403), ("outsider", 404), (None, 302)])
def test_who_may_write_it_down(world: Placed, client: Client, who: str | None, status: int) -> None:
    cooperative = world.season.cooperative
    people = {"coordinator": PersonFactory(), "outsider": MemberPersonFactory().person}
    people["colleague"] = MemberPersonFactory(member__cooperative=cooperative).person
    RoleGrantFactory(person=people["coordinator"], cooperative=cooperative, role=Role.COORDINATOR)
    if who:
        client.force_login(people[who])
    assert client.get(reverse("scheduling:batch_co2", args=[world.batch.pk])).status_code in {status, 404}
