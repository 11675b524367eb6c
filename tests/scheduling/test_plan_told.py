"""Who is told what when a plan is published: from what to what, drones to bring, and that a run has ended."""

import datetime as dt

import pytest
from django.test import Client
from django.urls import reverse

from accounts.models import Job, Role
from scheduling.models import (
    DroneCall,
    DroneSource,
    Placement,
    Plan,
    PlanPool,
    PlanPoolPart,
    Reminder,
    ReminderState,
)
from scheduling.queries.calls import Call, call_changes, calls_of_source, catch_words
from scheduling.queries.change_words import change_words, places_words, zone_of_season
from scheduling.queries.plans import booking_changes, member_changes
from scheduling.queries.problem import problem_of
from scheduling.queries.season import settings_of
from scheduling.services.plan_publish import plan_publish
from scheduling.services.plan_ready import plan_ready
from scheduling.services.plans import plan_discard, plan_move, plan_sketch_from, plan_take_out
from tests.factories import (
    NOW,
    DroneSourceFactory,
    MemberPersonFactory,
    PlanFactory,
    RoleGrantFactory,
)
from tests.scheduling.plan_world import PlanWorld

pytestmark = pytest.mark.django_db


class Published(PlanWorld):
    def __init__(self) -> None:
        super().__init__()
        self.rowan, self.alder = self.ask("Rowan 1"), self.ask("Alder 1", minutes=1)
        self.plan = self.publish()
        self.zone = zone_of_season(self.season)

    def other_day(self, placement: Placement) -> int:
        return next(n for n, session in enumerate(self.sessions) if session != placement.session)

    def move(self, sketch: Plan, queens: int) -> Placement:
        """Move some of Rowan's queens to the other day; returns where they came from."""
        placement = sketch.placements.filter(booking=self.rowan).select_related("session__bench", "source").first()
        assert placement is not None
        target = self.sessions[self.other_day(placement)]
        plan_move(
            sketch,
            booking=self.rowan,
            session=target,
            source=self.source,
            queens=queens,
            taken_from=placement,
            by=self.by,
            now=NOW,
        )
        return placement

    def calls(self, plan: Plan) -> list[DroneCall]:
        return list(plan.drone_calls.select_related("session").order_by("session__day"))

    def told_of_calls(self) -> None:
        Reminder.objects.filter(kind="catch_drones").update(told_at=NOW)


@pytest.fixture
def world() -> Published:
    return Published()


@pytest.fixture
def coordinator(world: Published, client: Client, monkeypatch: pytest.MonkeyPatch) -> Client:
    RoleGrantFactory(person=world.by, cooperative=world.season.cooperative, role=Role.COORDINATOR)
    monkeypatch.setattr("django.utils.timezone.now", lambda: NOW)
    client.force_login(world.by)
    return client


def news(kind: str) -> list[tuple[str, str]]:
    rows = Reminder.objects.filter(kind=kind, state=ReminderState.WANTED).order_by("pk")
    return [(str(row.title), str(row.why)) for row in rows]


def test_who_moves_is_told_from_where_to_where(world: Published) -> None:
    sketch = plan_sketch_from(world.plan, by=world.by, now=NOW)
    placement = world.move(sketch, queens=5)
    old, new = placement.session, world.sessions[world.other_day(placement)]
    published = plan_publish(sketch, by=world.by, now=NOW)
    [(title, why)] = news("place_moved")
    assert title.startswith("Rowan 1 was moved: now 5 places")

    def at(day: dt.date) -> str:
        return f"5 places on {day:%a} {day.day} June, 09:30 at {old.bench} with {world.source}"

    assert why == f"Plan {published.number}. From {at(old.day)} to {at(new.day)}."
    assert list(Reminder.objects.filter(kind="place_moved").values_list("member", flat=True)) == [world.rowan.member_id]


def test_who_loses_and_who_is_new_read_what_there_was_and_is(world: Published) -> None:
    late = world.ask("Hazel 1", queens=1, minutes=2)
    sketch = plan_sketch_from(world.plan, by=world.by, now=NOW)
    for placement in sketch.placements.filter(booking=world.rowan):
        plan_take_out(sketch, placement=placement, by=world.by, now=NOW)
    plan_move(sketch, booking=late, session=world.sessions[0], source=world.source, queens=1, by=world.by, now=NOW)
    plan_publish(sketch, by=world.by, now=NOW)
    [(_title, lost)] = news("place_lost")
    assert "Until now 5 places on" in lost
    assert lost.endswith("none any more.")
    given = dict(news("place_given"))
    assert given["Hazel 1 has 1 places on Fri 12 June"].startswith("Plan 2. Now 1 place on Fri 12 June, 09:30")


def test_another_mixture_is_a_change_and_another_name_of_the_same_is_none(world: Published) -> None:
    tarn, fell = (DroneSourceFactory(season=world.season, name=name) for name in ("Tarn", "Fell"))

    def mixed(name: str, *sources: DroneSource) -> Plan:
        plan: Plan = PlanFactory(season=world.season)
        pool = PlanPool.objects.create(plan=plan, session=world.sessions[0], name=name)
        for source in sources:
            PlanPoolPart.objects.create(pool=pool, source=source, volume_tenths=200)
        Placement.objects.create(
            plan=plan, booking=world.rowan, session=world.sessions[0], pool=pool, queens=5, co2_after=5
        )
        return plan

    first, same, other = (
        mixed("P1", world.source, tarn),
        mixed("Q9", world.source, tarn),
        mixed("P1", world.source, fell),
    )
    assert member_changes(same, first) == []
    [change] = booking_changes(other, first)
    assert change.kind == "moved"
    before, after = sorted([world.source.name, "Tarn"]), sorted([world.source.name, "Fell"])
    words = str(change_words(change, world.zone))
    assert f"with semen of {before[0]} and {before[1]} mixed to 5 places" in words
    assert words.endswith(f"with semen of {after[0]} and {after[1]} mixed.")
    assert str(places_words([], world.zone)) == ""


def test_the_page_says_before_publishing_what_members_and_keepers_will_hear(
    world: Published, coordinator: Client
) -> None:
    sketch = plan_sketch_from(world.plan, by=world.by, now=NOW)
    world.move(sketch, queens=5)
    page = coordinator.get(reverse("scheduling:plan_publish", args=[sketch.pk])).content.decode()
    [change] = [c for c in booking_changes(sketch, world.plan) if c.kind != "kept"]
    assert str(change_words(change, world.zone)) in page
    assert "Drones that keepers bring" in page
    assert coordinator.get(reverse("scheduling:plan_publish", args=[world.plan.pk])).status_code == 302


def test_the_calls_shown_before_publishing_are_those_made_by_it(world: Published) -> None:
    sketch = plan_sketch_from(world.plan, by=world.by, now=NOW)
    world.move(sketch, queens=5)
    shown = call_changes(sketch, world.plan, problem_of(world.season, now=NOW))
    before = {call.session: call.drones for call in world.calls(world.plan)}
    published = plan_publish(sketch, by=world.by, now=NOW)
    after = {call.session: call.drones for call in world.calls(published)}
    changed = [s for s in world.sessions if before.get(s, 0) != after.get(s, 0)]
    assert changed
    assert shown == [Call(world.source, s, after.get(s, 0), before.get(s, 0)) for s in changed]
    assert call_changes(published, published, problem_of(world.season, now=NOW)) == []


def test_a_keeper_told_of_a_number_hears_the_new_one_in_place_of_it(world: Published) -> None:
    [call, *_] = world.calls(world.plan)
    world.told_of_calls()
    sketch = plan_sketch_from(world.plan, by=world.by, now=NOW)
    taken = sketch.placements.filter(session=call.session).first()
    assert taken is not None
    plan_take_out(sketch, placement=taken, by=world.by, now=NOW)
    published = plan_publish(sketch, by=world.by, now=NOW)
    left = {new.session: new.drones for new in world.calls(published)}
    titles = [title for title, _why in news("catch_drones")]
    off = news("drones_off")
    if call.session in left:
        assert f"Bring {left[call.session]} drones of {world.source}, in place of {call.drones}" in titles
        assert off == []
    else:
        assert [title.split(" are needed")[0] for title, _why in off] == [f"No drones of {world.source}"]


@pytest.mark.parametrize("was_told", [True, False])
def test_drones_that_are_not_needed_any_more_are_called_off_where_they_were_called(
    world: Published, was_told: bool
) -> None:
    if was_told:
        world.told_of_calls()
    called = world.calls(world.plan)
    sketch = plan_sketch_from(world.plan, by=world.by, now=NOW)
    for placement in list(sketch.placements.all()):
        plan_take_out(sketch, placement=placement, by=world.by, now=NOW)
    plan_publish(sketch, by=world.by, now=NOW)
    assert news("catch_drones") == []
    found = news("drones_off")
    assert len(found) == (len(called) if was_told else 0)
    for (title, why), call in zip(found, called, strict=was_told):
        when = f"{call.session.day:%a} {call.session.day.day} June, 09:30"
        assert title == f"No drones of {world.source} are needed on {when} any more"
        assert f"Until now {call.drones} were to come to {call.session.bench}." in why


def test_a_call_says_how_many_where_when_and_when_to_catch(world: Published) -> None:
    call = world.calls(world.plan)[0]
    session = call.session
    words = Reminder.objects.get(kind="catch_drones", stage=f"s{session.pk}n{call.drones}")
    day_before = session.day - dt.timedelta(days=1)
    assert str(words.title) == f"Bring {call.drones} drones of {world.source}"
    assert str(words.why) == (
        f"To {session.bench} on {session.day:%a} {session.day.day} June, 09:30. Catch them on {day_before:%a} "
        f"{day_before.day} June, or on {session.day:%a} {session.day.day} June before 09:30, and keep them warm, with "
        "food and bees."
    )
    assert words.due_at == dt.datetime.combine(day_before, dt.time(6), tzinfo=dt.UTC)


def test_today_and_tomorrow_are_called_so(world: Published) -> None:
    session, settings = world.sessions[0], settings_of(world.season)
    day = dt.timedelta(days=1)

    def catch(today: dt.date) -> str:
        return str(catch_words(session, world.zone, settings, today=today))

    assert catch(session.day - 2 * day) == "tomorrow, or on Fri 12 June before 09:30"
    assert catch(session.day - day) == "today, or tomorrow before 09:30"
    assert catch(session.day) == "today before 09:30"


def test_keeper_and_coordinator_see_the_calls_at_the_source_and_others_do_not(
    world: Published, coordinator: Client, client: Client
) -> None:
    MemberPersonFactory(member=world.source.member)
    address = reverse("scheduling:source", args=[world.source.pk])
    calls = calls_of_source(world.source, today=NOW.date())
    assert [(call.session, call.drones) for call in calls] == [
        (call.session, call.drones) for call in world.calls(world.plan)
    ]
    shown = f"{calls[0].drones} drones to {calls[0].session.bench}, "
    assert shown in coordinator.get(address).content.decode()
    client.force_login(world.source.member.persons.get())
    assert shown in client.get(address).content.decode()
    client.force_login(world.person(world.rowan))
    assert "Drones to bring" not in client.get(address).content.decode()


def test_whoever_asked_hears_once_that_a_plan_is_ready_and_no_more_once_it_is_dealt_with(world: Published) -> None:
    assert news("plan_ready") == []  # the first one is published
    sketch = world.work_out()
    [(title, why)] = news("plan_ready")
    assert (title, why.split(".")[0]) == (
        f"A plan is ready to check: {sketch}",
        "It places 10 of the 10 queens asked for",
    )
    row = Reminder.objects.get(kind="plan_ready", state=ReminderState.WANTED)
    assert (row.person, row.member, row.link) == (world.by, None, reverse("scheduling:plan", args=[sketch.pk]))
    job = Job.objects.get(plan=sketch)
    plan_ready(job, now=NOW + dt.timedelta(minutes=5))
    assert Reminder.objects.filter(kind="plan_ready", subject_id=sketch.pk).count() == 1
    plan_discard(sketch, by=world.by, now=NOW)
    assert news("plan_ready") == []


def test_news_of_a_sketch_overtaken_by_another_ends_with_it(world: Published) -> None:
    first, second = world.work_out(), world.work_out()
    assert len(news("plan_ready")) == 2
    plan_publish(second, by=world.by, now=NOW)
    first.refresh_from_db()
    assert (first.state, news("plan_ready")) == ("closed", [])
