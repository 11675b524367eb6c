"""The season's pages as owner, colleague, coordinator, operator, other cooperative, nobody's and anonymous."""

import datetime as dt
import uuid
from collections.abc import Iterator
from decimal import Decimal
from typing import Any
from unittest import mock

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from accounts.models import Person, Role
from breeding.models import Queen
from scheduling.models import (
    BenchPlace,
    BenchSession,
    Booking,
    DroneSource,
    Offer,
    QueenBatch,
    Season,
    SeasonSetting,
)
from scheduling.planning.facts import FACTS
from scheduling.queries.words import day_words
from scheduling.urls import booking as booking_urls
from scheduling.urls import season as season_urls
from tests.factories import (
    BookingFactory,
    BookingSourceFactory,
    ColonyFactory,
    MemberPersonFactory,
    PersonFactory,
    PlanFactory,
)
from tests.scheduling.world import NOW, World, make_world

pytestmark = pytest.mark.django_db
DAY = dt.date

SIGN_IN, ELSEWHERE = "sign in", "no cooperative"
OUTSIDE = {"nobody": ELSEWHERE, "anonymous": SIGN_IN}
EVERYONE = {"owner": 200, "colleague": 200, "coordinator": 200, "operator": 200, "other cooperative": 200}
MEMBERS = {**EVERYONE, "operator": 403}
SEEN = {**EVERYONE, "other cooperative": 404}
OWN = {"owner": 200, "colleague": 403, "coordinator": 200, "operator": 403, "other cooperative": 404}
PLANNER = {"owner": 403, "colleague": 403, "coordinator": 200, "operator": 403, "other cooperative": 404}
ASKED = {"owner": 200, "colleague": 404, "coordinator": 200, "operator": 200, "other cooperative": 404}

PAGES: dict[str, tuple[str, dict[str, int]]] = {
    "lines": ("", EVERYONE),
    "still": ("", EVERYONE),
    "own_data": ("", EVERYONE),
    "settings": ("", EVERYONE),
    "season_add": ("", {**PLANNER, "other cooperative": 403}),
    "setting": ("setting", PLANNER),
    "batches": ("", EVERYONE),
    "batch_add": ("", MEMBERS),
    "batch": ("batch", SEEN),
    "batch_edit": ("batch", OWN),
    "batch_replan": ("batch", OWN),
    "batch_close": ("batch", OWN),
    "batch_co2": ("batch", OWN),
    "batch_second_co2": ("batch", OWN),
    "batch_step": ("batch step", OWN),
    "batch_emergence": ("batch", OWN),
    "batch_queen": ("queen", SEEN),
    "batch_queen_leaves": ("queen", OWN),
    "batch_queen_nuc": ("queen", OWN),
    "sources": ("", EVERYONE),
    "source_add": ("", MEMBERS),
    "source": ("source", SEEN),
    "source_edit": ("source", OWN),
    "source_hold": ("source", PLANNER),
    "source_withdraw": ("source", OWN),
    "cohort_add": ("source", OWN),
    "cohort": ("cohort", SEEN),
    "cohort_count": ("cohort", OWN),
    "cohort_step": ("cohort step", OWN),
    "book": ("", EVERYONE),
    "book_drones": ("book", OWN),
    "book_day": ("book day", OWN),
    "bookings": ("", EVERYONE),
    "bookings_csv": ("", EVERYONE),
    "season_csv": ("table", EVERYONE),
    "booking": ("booking", ASKED),
    "booking_withdraw": ("booking", {**ASKED, "operator": 403}),
    "ledger": ("", EVERYONE),
    "ledger_csv": ("", EVERYONE),
    "priorities": ("season", PLANNER),
}


def _acts(codes: dict[str, int]) -> dict[str, int]:
    return {who: 302 if code == 200 else code for who, code in codes.items()}


ACTS: dict[str, tuple[str, dict[str, int]]] = {
    "own_data_file": ("", EVERYONE),
    "batch_reopen": ("batch", _acts(OWN)),
    "batch_step_withdraw": ("batch step", _acts(OWN)),
    "batch_queen_back": ("queen", _acts(OWN)),
    "source_hold_lift": ("source", _acts(PLANNER)),
    "cohort_step_withdraw": ("cohort step", _acts(OWN)),
    "booking_widen": ("booking", _acts({**ASKED, "operator": 403})),
    "offer_accept": ("offer", _acts({**ASKED, "operator": 404})),
    "offer_decline": ("offer", _acts({**ASKED, "operator": 404})),
}


@pytest.fixture(autouse=True)
def today_is_8_june() -> Iterator[None]:
    with mock.patch("accounts.http.timezone.now", return_value=NOW):
        yield


@pytest.fixture
def stocked(world: World) -> World:
    """A batch, a source, a bench day and a request of the owner."""
    batch = world.batch(virgins=6, name="Rowan 1", excluder_on=DAY(2026, 6, 1))
    source = world.source(name="Ling", letter="A")
    session = world.session()
    booking = BookingFactory(batch=batch, queens=2, wished_session=session)
    BookingSourceFactory(booking=booking, source=source)
    return world


def offer_of(booking: Booking, session: BenchSession, source: DroneSource) -> Offer:
    """Two places offered until the evening, as the standby list does it."""
    plan = PlanFactory(season=booking.season, state="published", number=1, published_at=NOW)
    offer = Offer.objects.create(
        booking=booking,
        session=session,
        source=source,
        queens=2,
        rank=1,
        offered_at=NOW,
        expires_at=NOW + dt.timedelta(hours=12),
    )
    for position in (1, 2):
        BenchPlace.objects.create(
            session=session,
            position=position,
            plan=plan,
            booking=booking,
            offer=offer,
            source=source,
            dose_tenths=80,
            state="offered",
        )
    return offer


def person_of(world: World, who: str) -> Person | None:
    if who == "anonymous":
        return None
    if who == "owner":
        return world.owner
    if who == "colleague":
        return world.person(member=world.other_member())
    if who == "coordinator":
        return world.coordinator()
    if who == "operator":
        return world.person(role=Role.OPERATOR)
    person: Person = PersonFactory()
    if who == "other cooperative":
        other = make_world()
        MemberPersonFactory(member=other.member, person=person)
    return person


def client_of(world: World, who: str) -> Client:
    client, person = Client(), person_of(world, who)
    if person is not None:
        client.force_login(person)
    return client


def address(name: str, kind: str) -> str:
    batch, source, booking = (
        QueenBatch.objects.get(name="Rowan 1"),
        DroneSource.objects.get(name="Ling"),
        Booking.objects.get(),
    )
    cohort = source.cohorts.get()
    arguments: dict[str, list[Any]] = {
        "": [],
        "setting": [batch.season_id, "virgin_age_last_days"],
        "batch": [batch.pk],
        "batch step": [batch.pk, "excluder"],
        "queen": [batch.batch_queens.get(number=1).pk],
        "source": [source.pk],
        "cohort": [cohort.pk],
        "cohort step": [cohort.pk, "marked_on"],
        "booking": [booking.pk],
        "season": [batch.season_id],
        "table": ["batches"],
    }
    if kind == "offer":
        assert booking.wished_session is not None
        arguments["offer"] = [offer_of(booking, booking.wished_session, source).pk]
    if kind == "book":
        return f"{reverse('scheduling:book_drones')}?batch={batch.pk}"
    if kind == "book day":
        return f"{reverse('scheduling:book_day')}?batch={batch.pk}&source={source.pk}"
    return reverse(f"scheduling:{name}", args=arguments[kind])


def test_every_route_of_these_rooms_stands_in_the_tables() -> None:
    names = {pattern.name for pattern in [*season_urls.urlpatterns, *booking_urls.urlpatterns]}
    assert names == {*PAGES, *ACTS}


def check(response: Any, expected: int | str) -> None:
    if expected == SIGN_IN:
        assert (response.status_code, response["Location"].split("?")[0]) == (302, reverse("accounts:sign_in"))
    elif expected == ELSEWHERE:
        assert (response.status_code, response["Location"]) == (302, reverse("accounts:no_cooperative"))
    else:
        assert response.status_code == expected


def rows(table: dict[str, tuple[str, dict[str, int]]]) -> list[tuple[str, str, int | str]]:
    found: list[tuple[str, str, int | str]] = []
    for name, (_, codes) in table.items():
        found += [(name, who, code) for who, code in codes.items()]
        found += [(name, who, where) for who, where in OUTSIDE.items()]
    return found


@pytest.mark.parametrize(("name", "who", "expected"), rows(PAGES))
def test_who_may_open_which_page(stocked: World, name: str, who: str, expected: int | str) -> None:
    check(client_of(stocked, who).get(address(name, PAGES[name][0])), expected)


@pytest.mark.parametrize(("name", "who", "expected"), rows(ACTS))
def test_who_may_do_what(stocked: World, name: str, who: str, expected: int | str) -> None:
    check(client_of(stocked, who).post(address(name, ACTS[name][0])), expected)


@pytest.mark.parametrize("name", ACTS)
def test_acts_are_posts_only(stocked: World, name: str) -> None:
    assert client_of(stocked, "coordinator").get(address(name, ACTS[name][0])).status_code == 405


@pytest.mark.parametrize("who", ["owner", "colleague", "coordinator", "operator", "other cooperative"])
def test_today_opens_for_everybody_who_belongs_somewhere(stocked: World, who: str) -> None:
    assert client_of(stocked, who).get(reverse("today")).status_code == 200


def test_without_a_season_every_page_says_who_opens_one(world: World) -> None:
    Season.objects.all().delete()
    client, coordinator = client_of(world, "owner"), client_of(world, "coordinator")
    for name in ("lines", "settings", "batches", "batch_add", "sources", "source_add", "book", "bookings"):
        page = client.get(reverse(f"scheduling:{name}")).content.decode()
        assert "No season is open" in page
        assert reverse("scheduling:season_add") not in page
        assert reverse("scheduling:season_add") in coordinator.get(reverse(f"scheduling:{name}")).content.decode()
    assert client.get(reverse("today")).status_code == 200


# -- what the pages do ------------------------------------------------------------------------------------------------


def test_a_plan_is_shown_with_its_late_steps_before_it_is_saved(world: World) -> None:
    client = client_of(world, "owner")
    data = {
        "member": world.member.pk,
        "mother": world.mother().label,
        "name": "Rowan 9",
        "wanted_bench_on": "2026-06-28",
    }
    shown = client.post(reverse("scheduling:batch_add"), data)
    assert "Graft on Mon 8 June" in shown.content.decode()
    assert "Save this plan" in shown.content.decode()
    assert "late already" in shown.content.decode()
    assert not QueenBatch.objects.exists()
    saved = client.post(reverse("scheduling:batch_add"), {**data, "save": "1"})
    batch = QueenBatch.objects.get()
    assert (saved["Location"], batch.planned_graft_on) == (
        reverse("scheduling:batch", args=[batch.pk]),
        DAY(2026, 6, 8),
    )


def test_mothers_and_drone_queens_are_named_by_label_and_only_those_that_may_be_are_taken(world: World) -> None:
    client = client_of(world, "owner")
    gone = world.mother(label="Gone 1")
    Queen.objects.filter(pk=gone.pk).update(status="gone")
    theirs = world.mother(label="Theirs 1", owner=world.other_member())
    own = world.mother(label="Own 1")

    def batch(label: str) -> str:
        data = {"member": world.member.pk, "mother": label, "name": f"Of {label}", "grafted_on": "2026-06-01"}
        return client.post(reverse("scheduling:batch_add"), data, follow=True).content.decode()

    def source(label: str) -> str:
        return client.post(
            reverse("scheduling:source_add"), {"drone_queen": label, "name": label}, follow=True
        ).content.decode()

    assert "There is no queen Nobody 1." in batch("Nobody 1")
    assert "Gone 1 is not mated and alive on record." in batch("gone 1")
    assert "Gone 1 is gone on record, or belongs to a member that you do not act for." in source("gone 1")
    assert "Theirs 1 is gone on record, or belongs to a member" in source("Theirs 1")
    assert 'value="Theirs 1"' in source("Theirs 1")
    assert not QueenBatch.objects.exists()
    assert not DroneSource.objects.exists()
    batch("theirs 1"), source("own 1")
    assert (QueenBatch.objects.get().mother, DroneSource.objects.get().drone_queen) == (theirs, own)
    offered = client.get(reverse("scheduling:source_add")).content.decode()
    assert '<option value="Own 1">' in offered
    assert "Theirs 1" not in offered


def test_a_refused_step_stands_beside_its_field_and_keeps_what_was_typed(stocked: World) -> None:
    batch = QueenBatch.objects.get()
    address_ = reverse("scheduling:batch_step", args=[batch.pk, "sealed"])
    page = client_of(stocked, "owner").post(address_, {"sealed_on": "2026-06-20", "version": batch.version})
    text = page.content.decode()
    assert page.status_code == 200
    assert "Sat 20 June is still to come" in text
    assert 'value="2026-06-20"' in text
    batch.refresh_from_db()
    assert batch.sealed_on is None


def test_an_observation_that_breaks_a_booked_day_says_so_at_once(stocked: World) -> None:
    stocked.session(DAY(2026, 6, 13), places=5)
    batch = QueenBatch.objects.get()
    address_ = reverse("scheduling:batch_step", args=[batch.pk, "emerged"])
    data = {"emerged_on": "2026-06-06", "virgins_emerged": "6", "version": batch.version}
    page = client_of(stocked, "owner").post(address_, data, follow=True).content.decode()
    assert "Tue 9 June no longer fits" in page
    assert "Sat 13 June would fit: 7 days old, 5 places free." in page


def test_the_batch_card_shows_each_step_on_the_day_timing_says(stocked: World) -> None:
    page = client_of(stocked, "owner").get(reverse("scheduling:batch", args=[QueenBatch.objects.get().pk]))
    shown = {row.step.key: day_words(row.day) for row in page.context["steps"]}
    calendar = page.context["view"].calendar
    assert shown["graft"] == "Wed 20 May"
    assert {row.step for row in page.context["steps"]} <= set(calendar.steps)
    assert "Rowan 1 is ready until Sat 13 June" in page.content.decode()


def test_a_page_of_batches_begins_with_those_that_have_queens_to_book_for(stocked: World) -> None:
    left = QueenBatch.objects.get()
    booked_out = [stocked.batch(virgins=1, name=f"Booked {number}", grafted_on=DAY(2026, 5, 1)) for number in range(24)]
    for batch in booked_out:
        BookingFactory(batch=batch, queens=1)
    grafted = stocked.batch(virgins=None, name="Larch 1", grafted_on=DAY(2026, 6, 1))
    page = client_of(stocked, "owner").get(reverse("scheduling:book"))
    assert [view.batch for view in page.context["bookable"]] == [left, grafted]
    assert [view.batch for view in page.context["booked_out"]] == booked_out[:22]
    chosen = booked_out[-1]
    first = client_of(stocked, "owner").get(reverse("scheduling:book"), {"batch": chosen.pk})
    assert first.context["page"].object_list[0] == chosen
    second = client_of(stocked, "owner").get(reverse("scheduling:book"), {"page": 2}).content.decode()
    assert "Booked 23: the only queen is booked." in second
    assert "No queens to book for" not in second


def test_a_place_is_booked_in_three_steps(stocked: World) -> None:
    client = client_of(stocked, "owner")
    batch, source = QueenBatch.objects.get(), DroneSource.objects.get()
    first = client.get(reverse("scheduling:book")).content.decode()
    assert "4 of 6 queens are not booked yet." in first
    second = client.get(reverse("scheduling:book_drones"), {"batch": batch.pk}).content.decode()
    assert "Which drones for Rowan 1?" in second
    assert "inbreeding of the workers" in second
    third = client.get(reverse("scheduling:book_day"), {"batch": batch.pk, "source": source.pk})
    assert "Ask for 4 places" in third.content.decode()
    form = third.context["form"]
    data = {
        "batch": batch.pk,
        "source": [source.pk],
        "mode": "each",
        "dose": "8,5",
        "queens": "3",
        "key": str(form["key"].value()),
        "session": batch.season.sessions.get().pk,
        "note": "",
    }
    for _ in range(2):
        response = client.post(reverse("scheduling:book_day"), data)
    booking = Booking.objects.latest("pk")
    assert response["Location"] == reverse("scheduling:booking", args=[booking.pk])
    assert (Booking.objects.count(), booking.queens, booking.dose_tenths, booking.state) == (2, 3, 85, "asked")


def test_a_refused_request_keeps_the_form_and_says_why(stocked: World) -> None:
    batch, source = QueenBatch.objects.get(), DroneSource.objects.get()
    data = {
        "batch": batch.pk,
        "source": [source.pk],
        "mode": "each",
        "dose": "8",
        "queens": "5",
        "key": str(uuid.uuid4()),
        "session": batch.season.sessions.get().pk,
    }
    page = client_of(stocked, "owner").post(reverse("scheduling:book_day"), data)
    assert "2 of the 6 queens of Rowan 1 are booked already. Enter 4 or fewer." in page.content.decode()
    assert Booking.objects.count() == 1


def test_the_coordinator_books_for_a_member(stocked: World) -> None:
    batch, source = QueenBatch.objects.get(), DroneSource.objects.get()
    data = {
        "batch": batch.pk,
        "source": [source.pk],
        "mode": "each",
        "dose": "8",
        "queens": "1",
        "key": str(uuid.uuid4()),
        "session": batch.season.sessions.get().pk,
    }
    client_of(stocked, "coordinator").post(reverse("scheduling:book_day"), data)
    booking = Booking.objects.latest("pk")
    assert (booking.member, booking.queens) == (stocked.member, 1)
    assert booking.asked_by != stocked.owner


def test_a_blocked_source_is_shown_with_its_rule_and_cannot_be_ticked(stocked: World) -> None:
    DroneSource.objects.update(hold_since=DAY(2026, 6, 3), hold_reason="chalk brood seen")
    batch = QueenBatch.objects.get()
    page = client_of(stocked, "owner").get(reverse("scheduling:book_drones"), {"batch": batch.pk}).content.decode()
    assert "Health hold since Wed 3 June: chalk brood seen. The coordinator can lift it." in page
    assert "disabled" in page


def test_a_figure_is_changed_by_the_coordinator_and_shown_with_the_name(stocked: World) -> None:
    person = stocked.coordinator()
    client = Client()
    client.force_login(person)
    address_ = reverse("scheduling:setting", args=[stocked.season.pk, "virgin_age_last_days"])
    wrong = client.post(address_, {"value": "30", "reason": ""})
    assert "outside" in wrong.content.decode()
    shown = client.post(address_, {"value": "11", "reason": "our own log"}).content.decode()
    assert "Nothing is saved yet." in shown
    assert "last day Sat 13 June" in shown
    assert not SeasonSetting.objects.exists()
    client.post(address_, {"value": "11", "reason": "our own log", "save": "1"})
    row = SeasonSetting.objects.get()
    assert (row.value, row.changed_by) == (Decimal(11), person)
    page = client.get(reverse("scheduling:settings")).content.decode()
    assert person.name in page
    assert "our own log" in page


def test_every_figure_stands_on_the_settings_page_with_its_source(stocked: World) -> None:
    page = client_of(stocked, "owner").get(reverse("scheduling:settings"))
    text = page.content.decode()
    assert [key for key in FACTS if f'id="{key}"' not in text] == []
    assert "Gap: the coordinator must set it." in text
    assert "Published: Standard methods" in text


def test_season_lines_say_when_queens_and_drones_meet(stocked: World) -> None:
    page = client_of(stocked, "owner").get(reverse("scheduling:lines")).content.decode()
    assert "Rowan 1 and Ling 1 meet on Tue 9 June." in page
    assert page.count("<svg") > 4
    assert "Show as a table" in page


def test_mine_leaves_out_what_is_others(stocked: World) -> None:
    other = stocked.other_member()
    stocked.batch(member=other, name="Thrift 3")
    stocked.source(member=other, name="Tarn", letter="D")
    client = client_of(stocked, "owner")
    mine, everyones = (
        client.get(reverse("scheduling:lines"), {"who": who}).content.decode() for who in ("mine", "all")
    )
    assert [name in mine for name in ("Rowan 1", "Ling", "Thrift 3", "Tarn")] == [True, True, False, False]
    assert [name in everyones for name in ("Rowan 1", "Ling", "Thrift 3", "Tarn")] == [True] * 4


def test_other_members_requests_are_in_no_list(stocked: World) -> None:
    page = client_of(stocked, "colleague").get(reverse("scheduling:bookings")).content.decode()
    assert "Rowan 1" not in page
    assert "Rowan 1" in client_of(stocked, "coordinator").get(reverse("scheduling:bookings")).content.decode()


def test_the_newcomers_list_ticks_itself_off(world: World) -> None:
    client = client_of(world, "owner")
    steps = [(step.key, step.done) for step, *_ in client.get(reverse("today")).context["steps"]]
    assert steps == [("apiary", True), ("colony", False), ("season", False)]
    ColonyFactory(apiary=world.apiary)
    world.batch()
    assert client.get(reverse("today")).context["steps"] == []


def test_today_counts_down_to_the_next_bench_day_in_elapsed_hours(stocked: World) -> None:
    page = client_of(stocked, "owner").get(reverse("today"))
    bench = page.context["bench"]
    assert (bench.session.day, bench.countdown.days, bench.countdown.hours) == (DAY(2026, 6, 9), 0, 23)
    assert (bench.placed, bench.asked) == (0, 2)
    assert "Next bench day: Tue 9 June, 09:30." in page.content.decode()


def test_the_coordinator_sees_who_waits_and_what_is_held(stocked: World) -> None:
    Booking.objects.update(state="queued", why="Tue 9 June is full.")
    DroneSource.objects.update(hold_since=DAY(2026, 6, 3), hold_reason="chalk brood seen")
    page = client_of(stocked, "coordinator").get(reverse("today"))
    assert [(conflict.source, conflict.booking) for conflict in page.context["conflicts"]] == [
        (DroneSource.objects.get(), None),
        (None, Booking.objects.get()),
    ]
    assert client_of(stocked, "owner").get(reverse("today")).context["conflicts"] is None


def test_the_season_rule_is_on_every_page(stocked: World) -> None:
    page = client_of(stocked, "owner").get(reverse("scheduling:bookings")).content.decode()
    assert 'class="season-rule"' in page
    assert "&lt;svg" not in page


# -- lists under a literal number of queries --------------------------------------------------------------------------


def queries_for(name: str, many: int) -> int:
    world = make_world()
    for number in range(many):
        booking = BookingFactory(batch=world.batch(virgins=2, name=f"Rowan {number}"), queens=1)
        BookingSourceFactory(booking=booking, source=world.source())
        world.session(DAY(2026, 6, 9 + number))
    client = client_of(world, "owner")
    with CaptureQueriesContext(connection) as queries:
        assert client.get(reverse(name)).status_code == 200
    return len(queries)


@pytest.mark.parametrize(
    ("name", "most"),
    [
        ("today", 32),
        ("scheduling:lines", 40),  # asked for the first time: the sources are read, and looked at once more
        ("scheduling:batches", 22),
        ("scheduling:book", 22),
        ("scheduling:sources", 17),
        ("scheduling:bookings", 16),
    ],
)
def test_lists_take_the_same_few_queries_for_one_row_and_for_three(name: str, most: int) -> None:
    one, three = queries_for(name, 1), queries_for(name, 3)
    assert one == three
    assert three <= most
