"""Calendar feeds: who gets which, what is in them, and that a change is seen as a change of the same event."""

import datetime as dt
import re
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from accounts.access import Viewer, viewer_of
from accounts.models import AuditEntry, MemberPerson, Person, Role, RoleGrant
from accounts.refusals import Refusal
from scheduling.models import (
    BenchSession,
    CalendarFeed,
    DroneCall,
    DroneSource,
    FeedEntry,
    Reminder,
    ReminderState,
    SessionState,
)
from scheduling.queries.feed_events import FeedEvent, events_of_bench, events_of_person
from scheduling.services.feeds import feed_end, feed_entries_refresh, feed_fetch, feed_make, feed_of_token
from tests.factories import (
    BenchFactory,
    BenchPlaceFactory,
    BookingFactory,
    CooperativeFactory,
    MemberFactory,
    MemberPersonFactory,
    PersonFactory,
    PlanFactory,
    ReminderFactory,
    RoleGrantFactory,
)
from tests.scheduling.world import NOW, TODAY, World

pytestmark = pytest.mark.django_db

DAY = dt.timedelta(days=1)


def viewer(person: Person) -> Viewer:
    found = viewer_of(person)
    assert found is not None
    return found


def fetch(client: Client, token: str, **headers: str) -> Any:
    return client.get(reverse("scheduling:feed", args=[token]), headers=headers)


def made(client: Client, person: Person, url: str = "") -> str:
    """Make the link on its page; the secret of it."""
    client.force_login(person)
    answer = client.post(url or reverse("scheduling:feed_make"))
    assert answer.status_code == 200
    found = set(re.findall(r"/calendar/([\w-]+)\.ics", answer.content.decode()))
    client.logout()
    assert len(found) == 1
    return str(found.pop())


def keys(events: list[FeedEvent]) -> set[str]:
    return {event.key for event in events}


# --- the link


def test_the_secret_is_long_and_only_its_digest_is_kept(client: Client, world: World) -> None:
    token = made(client, world.owner)
    assert len(token) == 43  # 256 bits in base64url
    feed = CalendarFeed.objects.get()
    assert feed.token_hash is not None
    assert token not in str(vars(feed))
    assert token not in str(list(AuditEntry.objects.values()))
    assert AuditEntry.objects.get().action == "feed.make"


def test_the_link_is_shown_once(client: Client, world: World) -> None:
    token = made(client, world.owner)
    client.force_login(world.owner)
    page = client.get(reverse("scheduling:feeds"))
    assert token not in page.content.decode()
    assert "Not fetched yet." in page.content.decode()


def test_the_feed_opens_without_signing_in_and_says_when_it_was_last_fetched(client: Client, world: World) -> None:
    token = made(client, world.owner)
    answer = fetch(client, token)
    assert (answer.status_code, answer["Content-Type"]) == (200, "text/calendar; charset=utf-8")
    assert answer.content.startswith(b"BEGIN:VCALENDAR\r\n")
    used = CalendarFeed.objects.get().last_used_at
    assert used is not None
    fetch(client, token)
    assert CalendarFeed.objects.get().last_used_at == used  # noted once an hour, not at each fetch
    client.force_login(world.owner)
    assert "Last fetched on" in client.get(reverse("scheduling:feeds")).content.decode()


def test_renewing_ends_the_earlier_link_and_keeps_what_was_shown(client: Client, world: World) -> None:
    world.batch()
    first = made(client, world.owner)
    before = re.findall(rb"UID:(\S+)", fetch(client, first).content)
    second = made(client, world.owner)
    assert fetch(client, first).status_code == 404
    assert re.findall(rb"UID:(\S+)", fetch(client, second).content) == before
    assert before
    assert [row.action for row in AuditEntry.objects.filter(action__startswith="feed")] == ["feed.renew", "feed.make"]


def test_an_ended_link_works_no_more_and_can_be_made_anew(client: Client, world: World) -> None:
    token = made(client, world.owner)
    feed = CalendarFeed.objects.get()
    client.force_login(world.owner)
    for _ in range(2):
        assert client.post(reverse("scheduling:feed_end", args=[feed.pk])).status_code == 302
    assert AuditEntry.objects.filter(action="feed.end").count() == 1
    assert fetch(client, token).status_code == 404
    assert "no link works" in client.get(reverse("scheduling:feeds")).content.decode()
    assert fetch(client, made(client, world.owner)).status_code == 200


def test_an_unchanged_feed_is_not_sent_again(client: Client, world: World) -> None:
    world.batch()
    token = made(client, world.owner)
    first = fetch(client, token)
    assert "private" in first["Cache-Control"]
    for tag in (first["ETag"], f"W/{first['ETag']}", f'"x", {first["ETag"]}'):
        again = fetch(client, token, if_none_match=tag)
        assert (again.status_code, again.content, again["ETag"]) == (304, b"", first["ETag"])
    ReminderFactory(member=world.member, cooperative=world.cooperative, due_at=timezone.now() + DAY)
    assert fetch(client, token, if_none_match=first["ETag"]).status_code == 200


def test_wrong_links_lead_nowhere_and_many_of_them_wait(client: Client, world: World) -> None:
    token = made(client, world.owner)
    codes = [fetch(client, token[:-1] + ("A" if token[-1] != "A" else "B")).status_code for _ in range(25)]
    assert codes[:20] == [404] * 20
    assert codes[-1] == 429
    assert fetch(client, token).status_code == 200


def test_nobody_fetches_by_an_empty_secret(client: Client, world: World) -> None:
    CalendarFeed.objects.create(person=world.owner, cooperative=world.cooperative, made_at=NOW, ended_at=NOW)
    assert feed_of_token("") is None
    assert feed_of_token("None") is None


def test_the_link_of_somebody_who_left_works_no_more(client: Client, world: World) -> None:
    token = made(client, world.owner)
    Person.objects.filter(pk=world.owner.pk).update(is_active=False)
    assert fetch(client, token).status_code == 404
    Person.objects.filter(pk=world.owner.pk).update(is_active=True)
    MemberPerson.objects.filter(person=world.owner).delete()
    assert fetch(client, token).status_code == 404
    MemberPersonFactory(member=MemberFactory(cooperative=CooperativeFactory()), person=world.owner)
    assert fetch(client, token).status_code == 404


def test_a_bench_is_for_those_who_work_there_for_as_long_as_they_do(client: Client, world: World) -> None:
    session = world.session(timezone.now().date() + 2 * DAY)
    url = reverse("scheduling:feed_make_bench", args=[session.bench_id])
    operator = world.person(role=Role.OPERATOR)
    token = made(client, operator, url)
    assert b"SUMMARY:Bench\\, 0 queens" in fetch(client, token).content
    RoleGrant.objects.filter(person=operator).delete()
    MemberPersonFactory(member=world.member, person=operator)
    assert fetch(client, token).status_code == 404
    client.force_login(operator)
    assert client.post(url).status_code == 403
    assert (
        reverse("scheduling:feed_end", args=[CalendarFeed.objects.get().pk])
        in client.get(reverse("scheduling:feeds")).content.decode()
    )
    with pytest.raises(Refusal, match="those who work there"):
        feed_make(viewer(operator), bench=session.bench, now=NOW)


@pytest.mark.parametrize(
    ("who", "page", "bench", "end"),
    [
        ("owner", 200, 403, 302),
        ("colleague", 200, 403, 404),
        ("operator", 200, 200, 404),
        ("coordinator", 200, 200, 404),
        ("elsewhere", 200, 404, 404),
        ("anonymous", 302, 302, 302),
    ],
)
def test_who_may_have_which_feed(client: Client, world: World, who: str, page: int, bench: int, end: int) -> None:
    session = world.session()
    feed, _token = feed_make(viewer(world.owner), bench=None, now=NOW)
    people = {
        "owner": world.owner,
        "colleague": world.person(member=world.member),
        "operator": world.person(role=Role.OPERATOR),
        "coordinator": world.coordinator(),
        "elsewhere": RoleGrantFactory(person=PersonFactory(), cooperative=CooperativeFactory()).person,
    }
    if who in people:
        client.force_login(people[who])
    assert client.get(reverse("scheduling:feeds")).status_code == page
    assert client.post(reverse("scheduling:feed_make_bench", args=[session.bench_id])).status_code == bench
    assert client.post(reverse("scheduling:feed_end", args=[feed.pk])).status_code == end
    works = CalendarFeed.objects.get(pk=feed.pk).token_hash is not None
    assert works == (who != "owner")


@pytest.mark.parametrize("name", ["feed_make", "feed_end", "feed_make_bench"])
def test_a_mere_visit_makes_and_ends_nothing(client: Client, world: World, name: str) -> None:
    client.force_login(world.owner)
    args = [] if name == "feed_make" else [1]
    assert client.get(reverse(f"scheduling:{name}", args=args)).status_code == 405
    assert CalendarFeed.objects.count() == 0


# --- what is in it


def test_a_person_finds_their_own_things_and_nobody_elses(world: World) -> None:
    mine = ReminderFactory(member=world.member, cooperative=world.cooperative, subject_id=5)
    ReminderFactory(member=world.other_member(), cooperative=world.cooperative, subject_id=6)
    personal = ReminderFactory(
        member=None, person=world.owner, cooperative=world.cooperative, subject_id=7, kind="graft"
    )
    found = keys(events_of_person(viewer(world.owner), now=NOW))
    assert found == {f"{row.kind}-queenbatch-{row.subject_id}-due" for row in (mine, personal)}


def test_whole_days_are_days_and_their_last_one_is_in(world: World) -> None:
    due = dt.datetime(2026, 6, 9, 6, tzinfo=dt.UTC)
    ReminderFactory(
        member=world.member, cooperative=world.cooperative, kind="graft", due_at=due, wall_date=dt.date(2026, 6, 9),
        wall_zone="Europe/Berlin", useful_until=dt.datetime(2026, 6, 10, 21, 59, tzinfo=dt.UTC),
    )  # fmt: skip
    [event] = events_of_person(viewer(world.owner), now=NOW)
    assert (event.start, event.end) == (dt.date(2026, 6, 9), dt.date(2026, 6, 11))
    assert event.alarms_min == [8 * 60]


def test_a_moment_stays_a_moment_with_the_alarms_of_a_critical_kind(world: World) -> None:
    due = dt.datetime(2026, 6, 9, 6, tzinfo=dt.UTC)
    ReminderFactory(member=world.member, cooperative=world.cooperative, due_at=due)
    [event] = events_of_person(viewer(world.owner), now=NOW)
    assert (event.start, event.end) == (due, due + dt.timedelta(hours=1))
    assert event.alarms_min == [-120, -30, 0]


def test_ones_own_lead_time_is_an_alarm_too(world: World) -> None:
    world.owner.reminder_leads.create(kind="cage_cells", minutes=24 * 60)
    ReminderFactory(member=world.member, cooperative=world.cooperative)
    [event] = events_of_person(viewer(world.owner), now=NOW)
    assert event.alarms_min == [-24 * 60, -120, -30, 0]


def test_what_is_done_stays_without_an_alarm_and_news_does_not_come(world: World) -> None:
    ReminderFactory(member=world.member, cooperative=world.cooperative, state=ReminderState.DONE, title="Cage")
    ReminderFactory(member=world.member, cooperative=world.cooperative, kind="place_moved")
    [event] = events_of_person(viewer(world.owner), now=NOW)
    assert (event.title, event.alarms_min) == ("Done: Cage", [])


def placed(world: World) -> tuple[BenchSession, str]:
    batch = world.batch(name="Rowan", virgins=8)
    session = world.session()
    booking = BookingFactory(batch=batch, season=world.season, member=world.member)
    plan = PlanFactory(season=world.season, state="published", number=1, published_at=NOW)
    for position in (1, 2):
        BenchPlaceFactory(
            session=session, position=position, plan=plan, booking=booking, source=world.source(name=f"Ling {position}")
        )
    return session, f"places-{booking.pk}-{session.pk}"


def test_ones_places_are_one_event_at_the_hours_of_the_bench(world: World) -> None:
    session, key = placed(world)
    [event] = [event for event in events_of_person(viewer(world.owner), now=NOW) if event.key == key]
    assert (event.start, event.end, event.busy) == (session.starts_at, session.ends_at, True)
    assert event.title == f"{session.bench}: bring 2 queens of Rowan"
    assert "Drones of Ling 1 and Ling 2." in event.text


def test_queens_that_wait_show_the_days_on_which_they_may_go_to_the_bench(world: World) -> None:
    batch = world.batch(name="Rowan", virgins=8)  # emerged on Mon 1 June
    [event] = events_of_person(viewer(world.owner), now=NOW)
    assert event.key == f"window-{batch.pk}"
    assert isinstance(event.start, dt.date)
    assert event.start <= TODAY + DAY < event.end


def cohort_events(world: World, person: Person) -> dict[str, FeedEvent]:
    return {event.key: event for event in events_of_person(viewer(person), now=NOW)}


def test_ones_drones_show_when_they_emerge_when_they_are_ripe_and_how_many_are_asked(world: World) -> None:
    """Comb in on 27 April: laid until 30 April, 24 days on (row R01), ripe from 14 days of the last to 28 of the
    first (rows R12, R14)."""
    source = world.source(name="Ling")
    cohort = source.cohorts.get()
    plan = PlanFactory(season=world.season, state="published", number=1, published_at=NOW)
    session, late = world.session(dt.date(2026, 6, 11)), world.session(dt.date(2026, 6, 28))
    for number, asked in enumerate([session, late]):
        DroneCall.objects.create(plan=plan, session=asked, source=source, drones=40 + number, volume_tenths=400)

    found = cohort_events(world, world.owner)

    emerging, ripe = found[f"emerging-{cohort.pk}"], found[f"ripe-{cohort.pk}"]
    assert (emerging.start, emerging.end) == (dt.date(2026, 5, 21), dt.date(2026, 5, 25))
    assert (ripe.start, ripe.end) == (dt.date(2026, 6, 7), dt.date(2026, 6, 19))
    assert (ripe.title, ripe.busy, ripe.alarms_min) == (f"{cohort}: drones ripe", False, [])
    assert ripe.text == (
        "All of them from the first of these days on; best until Thu 11 June.\n"
        f"Asked: 40 drones to {session.bench} on Thu 11 June."
    )
    stranger = MemberPersonFactory(member=world.other_member()).person
    assert cohort_events(world, stranger) == {}


@pytest.mark.parametrize("over", ["ended", "withdrawn", "long ago"])
def test_drones_that_are_gone_are_in_no_calendar(world: World, over: str) -> None:
    source = world.source(comb_in_on=dt.date(2026, 2, 1) if over == "long ago" else dt.date(2026, 4, 27))
    if over == "ended":
        source.cohorts.update(ended_on=TODAY)
    if over == "withdrawn":
        DroneSource.objects.filter(pk=source.pk).update(withdrawn_at=NOW)
    assert cohort_events(world, world.owner) == {}


def test_a_comb_that_goes_in_later_moves_its_windows_as_the_same_events(world: World, feed: CalendarFeed) -> None:
    cohort = world.source().cohorts.get()
    feed_fetch(feed, viewer(world.owner), now=NOW)
    cohort.comb_in_on = dt.date(2026, 4, 28)
    cohort.save()
    feed_fetch(feed, viewer(world.owner), now=NOW)
    rows = {row.key: (row.sequence, row.content["start"]) for row in FeedEntry.objects.all()}
    assert rows == {f"emerging-{cohort.pk}": (1, "2026-05-22"), f"ripe-{cohort.pk}": (1, "2026-06-08")}


def test_a_bench_shows_how_much_comes_and_nobodys_name(world: World) -> None:
    session, _key = placed(world)
    bench = session.bench
    bench.place = "By the mill 3"
    bench.save()
    [event] = events_of_bench(bench, now=NOW)
    assert (event.title, event.start) == ("Bench, 2 queens", session.starts_at)
    assert event.text == (
        "2 of 14 places are taken.\nDoses: 16 µl.\nRowan: 1 queen, 8 µl of Ling 1\nRowan: 1 queen, 8 µl of Ling 2"
    )
    assert events_of_bench(BenchFactory(cooperative=world.cooperative), now=NOW) == []


def test_no_telephone_no_address_and_no_person_is_in_a_file(client: Client, world: World) -> None:
    Person.objects.filter(pk=world.owner.pk).update(name="Ane Dalgaard", phone="+45 1234 5678")
    world.apiary.place = "Behind the chapel"
    world.apiary.save()
    session, _key = placed(world)
    session.bench.place = "By the mill 3"
    session.bench.save()
    operator = world.person(role=Role.OPERATOR)
    own, _token = feed_make(viewer(world.owner), bench=None, now=NOW)
    of_bench, _token = feed_make(viewer(operator), bench=session.bench, now=NOW)
    files = feed_fetch(own, viewer(world.owner), now=NOW) + feed_fetch(of_bench, viewer(operator), now=NOW)
    text = files.replace(b"\r\n ", b"").decode()
    assert text.count("BEGIN:VEVENT") >= 3
    for secret in ("Dalgaard", "1234", "chapel", "mill", "@example.org", "ATTENDEE", "ORGANIZER", "LOCATION"):
        assert secret not in text


# --- changes


@pytest.fixture
def feed(world: World) -> CalendarFeed:
    made, _token = feed_make(viewer(world.owner), bench=None, now=NOW)
    return made


def event(key: str = "a", title: str = "Cage", **changes: Any) -> FeedEvent:
    fields: dict[str, Any] = {"text": "", "link": "", "start": TODAY, "end": TODAY + DAY} | changes
    return FeedEvent(key=key, title=title, **fields)


def states(feed: CalendarFeed) -> list[tuple[str, int, dt.datetime, bool]]:
    return [(row.key, row.sequence, row.changed_at, row.cancelled_at is not None) for row in feed.entries.all()]


def test_every_change_raises_the_number_and_nothing_else_does(feed: CalendarFeed) -> None:
    feed_entries_refresh(feed, [event()], now=NOW)
    feed_entries_refresh(feed, [event()], now=NOW + DAY)
    assert states(feed) == [("a", 0, NOW, False)]
    for number, changed in enumerate(
        [event(title="Cage now"), event(start=TODAY - DAY), event(start=TODAY - DAY, text="x"), event()], 1
    ):
        feed_entries_refresh(feed, [changed], now=NOW + number * DAY)
        assert states(feed) == [("a", number, NOW + number * DAY, False)]


def test_what_is_gone_is_called_off_for_a_month_and_may_come_back(feed: CalendarFeed) -> None:
    feed_entries_refresh(feed, [event(), event("b")], now=NOW)
    feed_entries_refresh(feed, [event()], now=NOW + DAY)
    assert states(feed) == [("a", 0, NOW, False), ("b", 1, NOW + DAY, True)]
    feed_entries_refresh(feed, [event(), event("b")], now=NOW + 2 * DAY)
    assert states(feed)[1] == ("b", 2, NOW + 2 * DAY, False)
    feed_entries_refresh(feed, [event()], now=NOW + 3 * DAY)
    feed_entries_refresh(feed, [event()], now=NOW + 32 * DAY)
    assert len(states(feed)) == 2
    feed_entries_refresh(feed, [event()], now=NOW + 34 * DAY)
    assert states(feed) == [("a", 0, NOW, False)]


def test_a_date_that_moves_stays_the_same_event(world: World, feed: CalendarFeed) -> None:
    old = ReminderFactory(member=world.member, cooperative=world.cooperative)
    feed_fetch(feed, viewer(world.owner), now=NOW)
    new = ReminderFactory(
        member=world.member, cooperative=world.cooperative, subject_id=old.subject_id, due_at=old.due_at + DAY,
        created_at=NOW,
    )  # fmt: skip
    Reminder.objects.filter(pk=old.pk).update(state=ReminderState.SUPERSEDED, replaced_by=new)
    feed_fetch(feed, viewer(world.owner), now=NOW)
    [entry] = FeedEntry.objects.all()
    assert (entry.sequence, entry.content["start"]) == (1, new.due_at.isoformat())


def test_a_bench_day_that_is_called_off_is_called_off_in_the_calendar(world: World) -> None:
    session = world.session()
    operator = viewer(world.person(role=Role.OPERATOR))
    feed, _token = feed_make(operator, bench=session.bench, now=NOW)
    assert b"STATUS:CONFIRMED" in feed_fetch(feed, operator, now=NOW)
    BenchSession.objects.filter(pk=session.pk).update(state=SessionState.CANCELLED)
    file = feed_fetch(feed, operator, now=NOW + DAY)
    assert (file.count(b"STATUS:CANCELLED"), file.count(b"BEGIN:VALARM"), file.count(b"SEQUENCE:1")) == (1, 0, 1)


def test_ending_a_feed_keeps_who_ended_it(world: World, feed: CalendarFeed) -> None:
    assert feed_end(feed, by=world.owner, now=NOW).ended_at == NOW
    assert AuditEntry.objects.get(action="feed.end").by == world.owner


def test_a_feed_of_many_entries_is_read_with_few_questions(
    world: World, feed: CalendarFeed, django_assert_max_num_queries: Any
) -> None:
    for number in range(30):
        ReminderFactory(member=world.member, cooperative=world.cooperative, subject_id=number)
    who = viewer(world.owner)
    feed_fetch(feed, who, now=NOW)
    with django_assert_max_num_queries(12):
        feed_fetch(feed, who, now=NOW)
