"""A member that leaves hands over: colonies, queens, the season and what is due go to whoever takes over."""

import datetime as dt
from collections.abc import Callable

import pytest
from django.test import Client
from django.urls import reverse

from accounts.models import AuditEntry, Member
from accounts.refusals import Refusal
from accounts.services.handing_over import member_hand_over, member_leave_to
from breeding.models import Queen, QueenStatus
from scheduling.models import Booking, DroneSource, QueenBatch, Reminder, Season
from scheduling.services import handing_over as of_season
from tests.factories import (
    ApiaryFactory,
    BookingFactory,
    ColonyFactory,
    CooperativeFactory,
    DroneSourceFactory,
    MemberFactory,
    QueenBatchFactory,
    QueenFactory,
    ReminderFactory,
)
from tests.scheduling.world import NOW, TODAY, World, make_world

pytestmark = pytest.mark.django_db


@pytest.fixture
def world() -> World:
    one = make_world()
    ColonyFactory(apiary=one.apiary, name="7")
    QueenFactory(owner=one.member, cooperative=one.cooperative, label="Living")
    QueenFactory(owner=one.member, cooperative=one.cooperative, label="Dead", status=QueenStatus.GONE, gone_on=TODAY)
    batch = QueenBatchFactory(season=one.season, member=one.member, apiary=one.apiary)
    BookingFactory(season=one.season, member=one.member, batch=batch)
    DroneSourceFactory(season=one.season, member=one.member)
    ReminderFactory(member=one.member, told_at=NOW)
    return one


def owned(member: Member) -> list[int]:
    things = [Queen.objects.filter(owner=member)]
    things += [model.objects.filter(member=member) for model in (QueenBatch, Booking, DroneSource, Reminder)]  # type: ignore[misc]
    return [member.apiaries.count(), *(rows.count() for rows in things)]


def test_all_that_is_alive_or_under_way_goes_over_and_history_stays(world: World) -> None:
    to, by = world.other_member(), world.coordinator()
    dead = Queen.objects.get(label="Dead")
    member_leave_to(world.member, left_on=TODAY, to=to, by=by, now=NOW)
    assert owned(world.member) == [0, Queen.objects.filter(owner=world.member).count(), 0, 0, 0, 0]
    assert set(Queen.objects.filter(owner=world.member)) == {dead}
    world.member.refresh_from_db()
    assert world.member.left_on == TODAY
    actions = AuditEntry.objects.filter(action__startswith="member.").order_by("pk")
    assert [(row.action, row.subject_name) for row in actions] == [
        ("member.hand_over", world.member.name),
        ("member.take_over", to.name),
        ("member.leave", world.member.name),
    ]
    assert actions[0].after["to"] == to.name
    assert actions[0].after["bookings"] == 1


def test_what_was_told_to_the_former_persons_is_told_to_the_new_ones(world: World) -> None:
    to = world.other_member()
    world.person(member=to)
    member_hand_over(world.member, to=to, by=world.coordinator(), now=NOW)
    reminder = Reminder.objects.get(member=to)
    assert (reminder.told_at, reminder.person) == (None, None)
    assert reminder.tell_at is not None


def test_twice_is_once(world: World) -> None:
    to, by = world.other_member(), world.coordinator()
    assert member_hand_over(world.member, to=to, by=by, now=NOW)["apiaries"] == 1
    assert member_hand_over(world.member, to=to, by=by, now=NOW) == {}
    assert AuditEntry.objects.filter(action="member.hand_over").count() == 1


def test_a_closed_season_stays_as_it_was(world: World) -> None:
    Season.objects.update(closed_at=NOW)
    to = world.other_member()
    moved = member_hand_over(world.member, to=to, by=world.coordinator(), now=NOW)
    assert {"batches", "bookings", "sources"} & set(moved) == set()
    assert QueenBatch.objects.filter(member=world.member).exists()


def test_apiaries_of_the_same_name_are_told_apart(world: World) -> None:
    to = world.other_member()
    for name in (world.apiary.name.upper(), f"{world.apiary.name} ({world.member.name})"):
        ApiaryFactory(member=to, name=name)
    member_hand_over(world.member, to=to, by=world.coordinator(), now=NOW)
    world.apiary.refresh_from_db()
    assert world.apiary.name.endswith(f"({world.member.name} 2)")


@pytest.mark.parametrize("who", ["itself", "left", "elsewhere"])
def test_it_goes_to_another_member_that_is_here(world: World, who: str) -> None:
    made: dict[str, Callable[[], Member]] = {
        "itself": lambda: world.member,
        "left": lambda: MemberFactory(cooperative=world.cooperative, left_on=dt.date(2025, 1, 1)),
        "elsewhere": lambda: MemberFactory(cooperative=CooperativeFactory()),
    }
    to = made[who]()
    with pytest.raises(Refusal, match="another member that is still here"):
        member_hand_over(world.member, to=to, by=world.coordinator(), now=NOW)


def test_when_the_season_cannot_go_along_nothing_goes_and_nobody_leaves(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*args: object, **kwargs: object) -> dict[str, int]:
        raise Refusal("no")

    monkeypatch.setattr(of_season, "member_handed_over", broken)
    before = owned(world.member)
    with pytest.raises(Refusal):
        member_leave_to(world.member, left_on=TODAY, to=world.other_member(), by=world.coordinator(), now=NOW)
    world.member.refresh_from_db()
    assert (owned(world.member), world.member.left_on) == (before, None)


def test_the_coordinator_chooses_who_takes_over_on_the_page(world: World) -> None:
    to = world.other_member()
    client = Client()
    client.force_login(world.coordinator())
    address = reverse("accounts:member_leave", args=[world.member.pk])
    assert to.name in client.get(address).content.decode()
    page = client.post(address, {"left_on": "2026-06-08", "to": to.pk}, follow=True)
    assert f"{to.name} took over" in page.content.decode()
    assert to.apiaries.filter(pk=world.apiary.pk).exists()
