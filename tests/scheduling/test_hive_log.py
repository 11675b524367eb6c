"""What members wrote down without a signal: kept whatever happens, carried out once, in order, under the own name."""

import datetime as dt
import json
import uuid
from decimal import Decimal
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from accounts.models import AuditEntry, Person
from accounts.refusals import Refusal
from breeding.models import Colony, Score
from scheduling.models import Co2Treatment, EntryState, HiveEntry, QueenCheck, Reminder
from scheduling.services.entry_log import Sent
from scheduling.services.hive_entries import hive_entry_again, hive_entry_let_go
from tests.factories import (
    ColonyFactory,
    HeadingFactory,
    MemberPersonFactory,
    PersonFactory,
    ReminderFactory,
    TraitFactory,
)
from tests.scheduling.hive import Phone, states
from tests.scheduling.test_bench import Bench
from tests.scheduling.world import NOW, World, make_world

pytestmark = pytest.mark.django_db
HOUR, DAY = dt.timedelta(hours=1), dt.timedelta(days=1)
TAKEN = ("taken", "")
SAME = ("taken", "same_already")


@pytest.fixture
def world() -> World:
    return make_world()


@pytest.fixture
def colony(world: World) -> Colony:
    colony: Colony = ColonyFactory(apiary=world.apiary)
    HeadingFactory(colony=colony, since=dt.date(2025, 8, 1), queen__owner=world.member)
    TraitFactory(cooperative=world.cooperative, key="gentleness")
    return colony


def reminder_of(world: World, **kwargs: Any) -> Reminder:
    reminder: Reminder = ReminderFactory(member=world.member, kind="health_ends", due_at=NOW - HOUR, **kwargs)
    return reminder


def test_a_score_a_step_and_a_reminder_come_in_as_they_were_seen(world: World, colony: Colony) -> None:
    phone, batch, reminder = Phone(world.owner), world.batch(), reminder_of(world)
    phone.write("score", colony=colony.pk, trait="gentleness", on="2026-06-06", value="3,5", at=NOW - 2 * DAY)
    phone.write("step", batch=batch.pk, step="caged", cell_temperature_c="34,5", at=NOW - DAY)
    phone.write("reminder", reminder=reminder.pk, act="done", at=NOW - 3 * HOUR)
    assert states(phone.send()) == [TAKEN] * 3
    score = Score.objects.get()
    assert (score.value, score.scored_on, score.scored_by) == (Decimal("3.5"), dt.date(2026, 6, 6), world.owner)
    batch.refresh_from_db()
    assert (batch.caged_on, batch.cell_temperature_c) == (dt.date(2026, 6, 7), Decimal("34.5"))
    reminder.refresh_from_db()
    assert (reminder.state, reminder.ended_at, reminder.ended_by) == ("done", NOW - 3 * HOUR, world.owner)


def test_sent_twice_and_out_of_order_each_is_carried_out_once(world: World, colony: Colony) -> None:
    phone = Phone(world.owner)
    first = phone.write("score", colony=colony.pk, trait="gentleness", on="2026-06-06", value="4")
    second = phone.write("undo", of=str(first.id))
    third = phone.write("score", colony=colony.pk, trait="gentleness", on="2026-06-06", value="2")
    assert states(phone.send([third, second])) == [("held_back", ""), ("held_back", "")]
    assert states(phone.send([first, first])) == [TAKEN, TAKEN]
    assert states(phone.send([third, second, first])) == [TAKEN] * 3
    assert list(Score.objects.order_by("pk").values_list("value", "withdrawn_at")) == [
        (Decimal(4), NOW),
        (Decimal(2), None),
    ]
    assert HiveEntry.objects.count() == 3


@pytest.mark.parametrize("knows", [True, False])
def test_a_clock_an_hour_fast_gives_true_moments_and_none_in_the_future(world: World, knows: bool) -> None:
    phone, batch, reminder = Phone(world.owner, off_by=HOUR), world.batch(virgins=2), reminder_of(world)
    phone.write("reminder", reminder=reminder.pk, act="done", at=NOW - 10 * HOUR, knows=knows)
    on, off = (moment.isoformat() for moment in (NOW + HOUR - DAY, NOW + HOUR - DAY + HOUR / 12))
    phone.write("co2", batch=batch.pk, which="first", started_at=on, ended_at=off, knows=knows)
    assert states(phone.send()) == [TAKEN, TAKEN]
    reminder.refresh_from_db()
    batch.refresh_from_db()
    assert reminder.ended_at == NOW - 10 * HOUR
    assert (batch.first_co2_from, batch.first_co2_at) == (NOW - DAY, NOW - DAY + HOUR / 12)
    assert all(entry.at <= NOW for entry in HiveEntry.objects.all())


def test_what_is_on_record_the_same_way_is_said_and_changes_nothing(world: World, colony: Colony) -> None:
    one, two = Phone(world.owner), Phone(world.person(member=world.member))
    batch = world.batch()
    for phone in (one, two):
        phone.write("step", batch=batch.pk, step="caged", at=NOW - DAY)
        phone.write("score", colony=colony.pk, trait="gentleness", on="2026-06-06", value="3")
    assert states(one.send()) == [TAKEN, TAKEN]
    assert states(two.send()) == [SAME, SAME]
    assert AuditEntry.objects.filter(action="batch.caged").count() == Score.objects.count() == 1


def test_two_devices_that_differ_leave_both_versions_and_a_person_decides(world: World, colony: Colony) -> None:
    one, two = Phone(world.owner), Phone(world.person(member=world.member))
    batch = world.batch()
    for phone, points, days in ((one, "3", 1), (two, "4", 2)):
        phone.write("step", batch=batch.pk, step="caged", at=NOW - days * DAY)
        phone.write("score", colony=colony.pk, trait="gentleness", on="2026-06-06", value=points)
    one.send()
    step, score = two.send()
    assert states([step, score]) == [("look", "differs"), ("look", "differs")]
    assert "Sun 7 June" in step.on_record
    assert one.by.name in score.on_record
    assert hive_entry_again(step, viewer=two.viewer, now=NOW).state == EntryState.TAKEN
    batch.refresh_from_db()
    assert batch.caged_on == dt.date(2026, 6, 6)
    assert hive_entry_let_go(score, viewer=two.viewer, now=NOW).state == EntryState.SETTLED
    assert Score.objects.get().value == 3
    assert HiveEntry.objects.count() == 4


def test_a_score_taken_after_a_look_stands_beside_the_earlier(world: World, colony: Colony) -> None:
    one, two = Phone(world.owner), Phone(world.person(member=world.member))
    for phone, points in ((one, "3"), (two, "4")):
        phone.write("score", colony=colony.pk, trait="gentleness", on="2026-06-06", value=points)
    one.send()
    [entry] = two.send()
    hive_entry_again(entry, reason="Looked again", viewer=two.viewer, now=NOW)
    earlier, later = Score.objects.order_by("pk")
    assert (earlier.replaced_by, later.value, later.note) == (later, Decimal(4), "Looked again")


def test_of_the_first_eggs_the_earlier_day_stands_whichever_comes_first(world: World) -> None:
    phone, batch = Phone(world.owner), world.batch(virgins=2)
    phone.write("step", batch=batch.pk, step="eggs", on="2026-06-07")
    phone.write("step", batch=batch.pk, step="eggs", on="2026-06-06")
    phone.write("step", batch=batch.pk, step="eggs", on="2026-06-08")
    assert states(phone.send()) == [TAKEN, TAKEN, SAME]
    batch.refresh_from_db()
    assert batch.eggs_seen_on == dt.date(2026, 6, 6)


def test_a_reminder_that_moved_meanwhile_is_the_same_matter(world: World) -> None:
    phone, old = Phone(world.owner), reminder_of(world)
    phone.write("reminder", reminder=old.pk, act="put_off", hours=30, at=NOW - HOUR)
    phone.write("reminder", reminder=old.pk, act="done", at=NOW - HOUR / 2)
    assert states(phone.send()) == [TAKEN, TAKEN]
    old.refresh_from_db()
    assert old.replaced_by is not None
    assert (old.state, old.replaced_by.state) == ("put_off", "done")


def test_putting_off_to_a_time_that_has_passed_leaves_it_as_it_stands(world: World) -> None:
    phone, reminder = Phone(world.owner), reminder_of(world)
    phone.write("reminder", reminder=reminder.pk, act="put_off", hours=1, at=NOW - 5 * HOUR)
    [entry] = phone.send()
    assert (entry.state, entry.rule) == SAME
    assert Reminder.objects.get().state == "wanted"


def test_acknowledging_without_a_signal_ends_the_passing_on(world: World) -> None:
    phone, reminder = Phone(world.owner), reminder_of(world)
    tap = phone.write("reminder", reminder=reminder.pk, act="acknowledge", at=NOW - HOUR)
    assert states(phone.send()) == [TAKEN]
    reminder.refresh_from_db()
    assert (reminder.acknowledged_at, reminder.acknowledged_by) == (NOW - HOUR, world.owner)
    phone.write("undo", of=str(tap.id))
    assert states(phone.send()) == [TAKEN]
    reminder.refresh_from_db()
    assert reminder.acknowledged_at is None


def test_the_second_co2_is_written_for_every_inseminated_queen_and_can_be_taken_back() -> None:
    bench = Bench()
    lot = bench.lot()
    for number in range(2):
        bench.dose(number, lot)
    member = bench.batch.member
    by: Person = PersonFactory()
    MemberPersonFactory(member=member, person=by)
    phone, now = Phone(by), bench.session.starts_at + 60 * HOUR
    on, off = (now - HOUR).isoformat(), (now - HOUR + HOUR / 12).isoformat()
    tap = phone.write("co2", batch=bench.batch.pk, which="second", started_at=on, ended_at=off, at=now)
    assert states(phone.send(now=now)) == [TAKEN]
    given = Co2Treatment.objects.filter(session=None)
    assert [row.batch_queen for row in given] == bench.queens[:2]
    assert {queen.state for queen in bench.batch.batch_queens.all()} == {"second_co2", "waiting"}
    phone.write("undo", of=str(tap.id), at=now)
    assert states(phone.send(now=now)) == [TAKEN]
    assert not given.filter(undone_at__isnull=True).exists()
    assert {queen.state for queen in bench.batch.batch_queens.all()} == {"inseminated", "waiting"}


def test_what_was_found_at_one_queen_is_kept_with_its_finding(world: World) -> None:
    phone, batch = Phone(world.owner), world.batch(virgins=1)
    queen = batch.batch_queens.get()
    phone.write("check", queen=queen.pk, checked_on="2026-06-08", finding="eggs")
    assert states(phone.send()) == [TAKEN]
    assert QueenCheck.objects.get().finding == "eggs"
    other = Phone(world.person(member=world.member))
    other.write("check", queen=queen.pk, checked_on="2026-06-08", finding="dead")
    assert states(other.send()) == [("look", "differs")]


@pytest.mark.parametrize(
    ("kind", "facts", "rule"),
    [
        ("dance", {}, "unreadable"),
        ("score", ["no object"], "unreadable"),
        ("step", {"batch": 10**8, "step": "caged"}, "unknown"),
        ("score", {"colony": 10**8, "trait": "gentleness"}, "unknown"),
        ("reminder", {"reminder": 10**8, "act": "done"}, "unknown"),
        ("undo", {"of": str(uuid.uuid4())}, "undo_unknown"),
    ],
)
def test_what_cannot_be_read_or_found_is_kept_for_a_person(world: World, kind: str, facts: Any, rule: str) -> None:
    phone = Phone(world.owner)
    one = Sent(uuid.uuid4(), 1, kind, facts, NOW, 0)
    assert states(phone.send([one])) == [("look", rule)]
    assert HiveEntry.objects.get().facts == facts


def test_nobody_writes_for_another_member_nor_under_another_name(world: World, colony: Colony) -> None:
    stranger = world.person(member=world.other_member())
    phone, batch = Phone(stranger), world.batch()
    phone.write("score", colony=colony.pk, trait="gentleness", value="3")
    phone.write("step", batch=batch.pk, step="caged")
    phone.write("reminder", reminder=reminder_of(world).pk, act="done")
    assert states(phone.send()) == [("look", "not_yours"), ("look", "not_yours"), ("look", "unknown")]
    owner = Phone(world.owner)
    owner.id = phone.id
    owner.write("step", batch=batch.pk, step="caged")
    with pytest.raises(Refusal, match="another person"):
        owner.send()
    assert HiveEntry.objects.exclude(by=stranger).count() == 0


def test_what_was_taken_back_elsewhere_before_its_turn_holds_nothing_back(world: World, colony: Colony) -> None:
    one, other = Phone(world.owner), Phone(world.owner)
    for colony_day in (1, 2, 3):
        one.write("score", colony=colony.pk, trait="gentleness", on=f"2026-05-0{colony_day}", value="4")
    first, second, third = one.kept
    assert states(one.send([second, third])) == [("held_back", "")] * 2
    other.write("undo", of=str(second.id))
    assert states(other.send()) == [TAKEN]
    one.send([first])
    assert [HiveEntry.objects.get(pk=each.id).state for each in one.kept] == ["taken", "settled", "taken"]
    assert set(Score.objects.values_list("entry", flat=True)) == {first.id, third.id}


def test_taking_back_what_was_never_taken_in_lets_it_go(world: World) -> None:
    phone, batch = Phone(world.owner), world.batch()
    wrong = phone.write("step", batch=batch.pk, step="caged", on="2026-07-30")
    assert states(phone.send()) == [("look", "observed_not_future")]
    phone.write("undo", of=str(wrong.id))
    assert states(phone.send()) == [TAKEN]
    assert HiveEntry.objects.get(pk=wrong.id).state == EntryState.SETTLED


def body_of(phone: Phone, *, person: int | None = None) -> str:
    return json.dumps(
        {
            "protocol": 1,
            "device": str(phone.id),
            "person": person or phone.by.pk,
            "sent_at": timezone.now().isoformat(),
            "entries": [
                {"id": str(one.id), "number": one.number, "kind": one.kind, "facts": one.facts}
                | {"at": one.device_at.isoformat(), "offset_ms": one.offset_ms}
                for one in phone.kept
            ],
        }
    )


def post(client: Client, world: World, body: str) -> Any:
    address = reverse("scheduling:hive_entries", args=[world.cooperative.pk])
    return client.post(address, body, content_type="application/json")


def test_the_door_answers_entry_by_entry_and_twice_the_same(world: World, client: Client) -> None:
    client.force_login(world.owner)
    phone = Phone(world.owner)
    phone.write("step", batch=world.batch().pk, step="caged", on="2026-05-29")
    phone.write("dance")
    first, again = (post(client, world, body_of(phone)).json() for _ in range(2))
    assert [row["state"] for row in first["entries"]] == ["taken", "look"]
    assert first["entries"] == again["entries"]
    found = client.get(
        reverse("scheduling:hive_data", args=[world.cooperative.pk]),
        {"device": str(phone.id), "person": str(world.owner.pk)},
    ).json()
    assert (found["up_to"], found["looks"], found["person_name"]) == (2, 1, world.owner.name)


def test_the_door_is_shut_for_others(world: World, client: Client) -> None:
    phone = Phone(world.owner)
    phone.write("dance")
    assert post(client, world, body_of(phone)).status_code == 302
    client.force_login(world.person(member=world.member))
    assert post(client, world, body_of(phone)).status_code == 409
    assert post(client, world, "{}").status_code == 400
    data = reverse("scheduling:hive_data", args=[world.cooperative.pk])
    assert client.get(data, {"person": world.owner.pk}).status_code == 409
    client.force_login(make_world().owner)
    assert [post(client, world, body_of(phone)).status_code, client.get(data).status_code] == [404, 404]
    assert HiveEntry.objects.count() == 0


def test_the_page_shows_own_entries_with_both_versions_and_takes_the_answer(world: World, client: Client) -> None:
    batch = world.batch(caged_on=dt.date(2026, 5, 29))
    phone = Phone(world.owner)
    one = phone.write("step", batch=batch.pk, step="caged", on="2026-05-30")
    phone.send()
    colleague = world.person(member=world.member)
    client.force_login(colleague)
    assert "Everything you wrote down is on record" in client.get(reverse("scheduling:hive_looks")).content.decode()
    address = reverse("scheduling:hive_look", args=[one.id])
    assert client.post(address, {"answer": "mine"}).status_code == 404
    client.force_login(world.owner)
    page = client.get(reverse("scheduling:hive_looks")).content.decode()
    assert "1 entry of yours needs a look" in page
    assert "Fri 29 May" in page
    client.post(address, {"answer": "mine"})
    batch.refresh_from_db()
    assert batch.caged_on == dt.date(2026, 5, 30)
    assert HiveEntry.objects.get().state == EntryState.TAKEN
