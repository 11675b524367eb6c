"""Drones counted without a signal, and what is said of a reminder again: through the services of the pages."""

import datetime as dt
import json
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from accounts.models import AuditEntry
from scheduling.models import CountKind, DroneCohort, DroneCount, HiveEntry, QueenCheck, Reminder
from scheduling.services.cohorts import count_record
from scheduling.services.hive_entries import hive_entries_try, hive_entry_again
from scheduling.services.reminder_rows import reminder_done
from tests.factories import DroneCohortFactory, ReminderFactory
from tests.scheduling.hive import Phone, states
from tests.scheduling.world import NOW, World, make_world

pytestmark = pytest.mark.django_db
HOUR = dt.timedelta(hours=1)
TAKEN = ("taken", "")
SAME = ("taken", "same_already")
DAY = "2026-06-07"


@pytest.fixture
def world() -> World:
    return make_world()


@pytest.fixture
def cohort(world: World) -> DroneCohort:
    one: DroneCohort = DroneCohortFactory(
        source__season=world.season, source__member=world.member, comb_in_on=dt.date(2026, 5, 20)
    )
    return one


def standing(cohort: DroneCohort) -> list[tuple[str, int]]:
    return list(cohort.counts.filter(replaced_by=None).order_by("pk").values_list("kind", "number"))


def test_capped_brood_and_drones_counted_without_a_signal_are_counts_of_that_day(
    world: World, cohort: DroneCohort
) -> None:
    phone = Phone(world.owner)
    phone.write("count", cohort=cohort.pk, kind="capped", counted_on=DAY, number="740")
    phone.write("count", cohort=cohort.pk, kind="seen", counted_on=DAY, number="610")
    assert states(phone.send()) == [TAKEN, TAKEN]
    assert standing(cohort) == [("capped", 740), ("seen", 610)]
    count = DroneCount.objects.first()
    assert count is not None
    assert (count.counted_by, count.counted_on) == (world.owner, dt.date(2026, 6, 7))
    assert AuditEntry.objects.filter(action="cohort.count", by=world.owner).count() == 2


def test_counting_again_corrects_ones_own_count_and_the_earlier_stays(world: World, cohort: DroneCohort) -> None:
    phone = Phone(world.owner)
    for number in ("74", "740", "740"):
        phone.write("count", cohort=cohort.pk, kind="capped", counted_on=DAY, number=number, at=NOW - HOUR)
    assert states(phone.send()) == [TAKEN, TAKEN, SAME]
    assert standing(cohort) == [("capped", 740)]
    assert DroneCount.objects.count() == 2


def test_what_somebody_else_counted_or_oneself_later_is_looked_at_first(world: World, cohort: DroneCohort) -> None:
    one, two = Phone(world.owner), Phone(world.person(member=world.member))
    one.write("count", cohort=cohort.pk, kind="capped", counted_on=DAY, number="740", at=NOW - 3 * HOUR)
    one.send()
    two.write("count", cohort=cohort.pk, kind="capped", counted_on=DAY, number="700")
    [entry] = two.send()
    assert (entry.rule, entry.on_record) == ("differs", f"740 Capped cells, Sun 7 June, {world.owner}")
    hive_entry_again(entry, viewer=two.viewer, now=NOW)
    assert standing(cohort) == [("capped", 700)]
    count_record(
        cohort, kind=CountKind.SEEN, counted_on=dt.date(2026, 6, 7), number=500, by=world.owner, now=NOW - HOUR
    )
    one.write("count", cohort=cohort.pk, kind="seen", counted_on=DAY, number="450", at=NOW - 2 * HOUR)
    assert states(one.send()) == [("look", "differs")]


@pytest.mark.parametrize(
    ("facts", "rule"),
    [
        ({"kind": "capped", "counted_on": "2026-07-30", "number": "5"}, "observed_not_future"),
        ({"kind": "capped", "counted_on": "2026-05-01", "number": "5"}, "count_after_comb"),
        ({"kind": "capped", "counted_on": DAY, "number": "500000"}, "count_possible"),
        ({"kind": "capped", "counted_on": DAY, "number": "many"}, "unreadable"),
        ({"kind": "capped", "counted_on": DAY}, ""),
        ({"kind": "eggs", "counted_on": DAY, "number": "5"}, ""),
    ],
)
def test_a_count_that_cannot_be_is_kept_for_a_look(
    world: World, cohort: DroneCohort, facts: dict[str, Any], rule: str
) -> None:
    phone = Phone(world.owner)
    phone.write("count", cohort=cohort.pk, **facts)
    assert states(phone.send()) == [("look", rule)]
    assert HiveEntry.objects.get().words
    assert DroneCount.objects.count() == 0


def test_nobody_counts_for_another_member_or_another_cooperative(world: World, cohort: DroneCohort) -> None:
    phone = Phone(world.person(member=world.other_member()))
    phone.write("count", cohort=cohort.pk, kind="capped", counted_on=DAY, number="5")
    phone.write("count", cohort=DroneCohortFactory().pk, kind="capped", counted_on=DAY, number="5")
    assert states(phone.send()) == [("look", "not_yours"), ("look", "unknown")]
    assert DroneCount.objects.count() == 0


def test_what_is_taken_back_before_it_was_sent_is_never_carried_out(world: World, cohort: DroneCohort) -> None:
    phone, queen = Phone(world.owner), world.batch(virgins=1).batch_queens.get()
    count = phone.write("count", cohort=cohort.pk, kind="capped", counted_on=DAY, number="5")
    check = phone.write("check", queen=queen.pk, checked_on=DAY, finding="dead")
    phone.write("undo", of=str(count.id))
    phone.write("undo", of=str(check.id))
    assert states(phone.send()) == [SAME] * 4
    assert (DroneCount.objects.count(), QueenCheck.objects.count()) == (0, 0)
    late = phone.write("count", cohort=cohort.pk, kind="capped", counted_on=DAY, number="5")
    phone.send()
    phone.write("undo", of=str(late.id))
    assert states(phone.send()) == [("look", "undo_not_possible")]


def test_a_reminder_taken_back_stands_again_and_its_undo_ends_it_again(world: World) -> None:
    reminder: Reminder = ReminderFactory(
        member=world.member, kind="health_ends", due_at=NOW - HOUR, useful_until=NOW + 50 * HOUR
    )
    reminder_done(reminder, by=world.owner, now=NOW - 2 * HOUR)
    phone = Phone(world.owner)
    tap = phone.write("reminder", reminder=reminder.pk, act="take_back", was="done", at=NOW - HOUR)
    assert states(phone.send()) == [TAKEN]
    reminder.refresh_from_db()
    assert (reminder.state, reminder.ended_at) == ("wanted", None)
    phone.write("undo", of=str(tap.id))
    assert states(phone.send()) == [TAKEN]
    reminder.refresh_from_db()
    assert (reminder.state, reminder.ended_by) == ("done", world.owner)


def test_a_reminder_that_somebody_ended_after_it_was_taken_back_is_looked_at(world: World) -> None:
    reminder: Reminder = ReminderFactory(
        member=world.member, kind="health_ends", due_at=NOW - HOUR, useful_until=NOW + 50 * HOUR
    )
    phone = Phone(world.owner)
    phone.write("reminder", reminder=reminder.pk, act="take_back", was="done", at=NOW - 2 * HOUR)
    reminder_done(reminder, by=world.person(member=world.member), now=NOW - HOUR)
    assert states(phone.send()) == [("look", "changed_since")]
    reminder.refresh_from_db()
    assert reminder.state == "done"


def test_what_is_asked_first_is_answered_field_by_field_and_writes_nothing(world: World, cohort: DroneCohort) -> None:
    phone, batch = Phone(world.owner), world.batch()
    good = phone.write("count", cohort=cohort.pk, kind="capped", counted_on=DAY, number="5")
    early = phone.write("count", cohort=cohort.pk, kind="capped", counted_on="2026-05-01", number="5")
    late = phone.write("step", batch=batch.pk, step="caged", on="2026-07-30")
    found = hive_entries_try(
        phone.viewer, device=phone.id, sent=[good, early, late], sent_at=NOW + phone.off_by, now=NOW
    )
    assert found[0] is None
    assert [(one.field, one.rule) for one in found[1:] if one] == [
        ("counted_on", "count_after_comb"),
        ("caged_on", "observed_not_future"),
    ]
    assert (HiveEntry.objects.count(), DroneCount.objects.count()) == (0, 0)
    assert not AuditEntry.objects.filter(by=world.owner).exists()
    batch.refresh_from_db()
    assert batch.caged_on is None
    assert states(phone.send())[0] == TAKEN


def tried(client: Client, world: World, **facts: Any) -> Any:
    one = {"id": "6f0f7a2e-3f0b-4d0e-9d55-0d8a6a0b0f11", "number": 1, "kind": "count", "facts": facts}
    body = {
        "device": "6f0f7a2e-3f0b-4d0e-9d55-0d8a6a0b0f12",
        "person": world.owner.pk,
        "sent_at": timezone.now().isoformat(),
        "entries": [{**one, "at": timezone.now().isoformat(), "offset_ms": 0}],
    }
    address = reverse("scheduling:hive_tries", args=[world.cooperative.pk])
    return client.post(address, json.dumps(body), content_type="application/json")


def test_the_door_says_what_speaks_against_it_and_only_to_its_author(
    world: World, cohort: DroneCohort, client: Client
) -> None:
    client.force_login(world.owner)
    [row] = tried(client, world, cohort=cohort.pk, kind="capped", counted_on="2026-05-01", number="5").json()["entries"]
    assert (row["field"], row["rule"]) == ("counted_on", "count_after_comb")
    assert "before this comb" in row["words"]
    client.force_login(world.person(member=world.member))
    assert tried(client, world, cohort=cohort.pk).status_code == 409
