"""A place whose queen was set aside or lost goes to another queen at the bench, in the published order."""

import datetime as dt

import pytest
from django.test import Client
from django.urls import reverse

from accounts.models import AuditEntry, Role
from breeding.models import Mating
from scheduling.forms.bench_correct import CorrectFateForm
from scheduling.models import (
    BatchQueen,
    BenchPlace,
    Booking,
    BookingState,
    Co2Treatment,
    Dose,
    PlaceState,
    Reminder,
    SemenLot,
)
from scheduling.queries.place_again import successors_of
from scheduling.services.bench_corrections import fate_correct
from scheduling.services.bench_queens import bench_set_aside, bench_take_back
from scheduling.services.bench_session import session_close
from scheduling.services.place_again import place_give_on, place_take_again
from tests.factories import (
    NOW,
    BatchQueenFactory,
    BenchSessionFactory,
    BookingFactory,
    BookingSourceFactory,
    MemberFactory,
    QueenBatchFactory,
    RoleGrantFactory,
)
from tests.scheduling.device import Device
from tests.scheduling.test_bench import MINUTE, Bench, refused

pytestmark = pytest.mark.django_db

EMERGED = dt.date(2026, 6, 1)


@pytest.fixture
def bench() -> Bench:
    """Three places; the queen on the first was set aside."""
    one = Bench()
    bench_set_aside(one.places[0], reason="lame", lost=False, by=one.by, now=NOW)
    one.places[0].refresh_from_db()
    return one


def waits(bench: Bench, *, number: int = 1, **more: object) -> BatchQueen:
    """A virgin of another batch whose booking waits in the queue and takes the source of the order."""
    member = more.pop("member", None) or MemberFactory(cooperative=bench.session.season.cooperative)
    batch = QueenBatchFactory(season=bench.session.season, member=member, emerged_on=EMERGED, virgins_emerged=1)
    asked_at = NOW - dt.timedelta(days=30 - number)
    booking = BookingFactory(batch=batch, member=member, queens=1, state=BookingState.QUEUED, asked_at=asked_at, **more)
    BookingSourceFactory(booking=booking, source=bench.source)
    queen: BatchQueen = BatchQueenFactory(
        batch=batch, number=1, queen__emerged_on=EMERGED, queen__birth_year=EMERGED.year
    )
    return queen


def give(bench: Bench, queen: BatchQueen, **more: str) -> None:
    place_give_on(bench.places[0], batch_queen=queen, by=bench.by, now=NOW, **more)
    bench.places[0].refresh_from_db()


def test_sisters_come_first_then_the_members_others_then_the_queue_as_published(bench: Bench) -> None:
    early, late = waits(bench, number=1), waits(bench, number=2)
    own = waits(bench, number=3, member=bench.booking.member)
    sister = BatchQueenFactory(batch=bench.batch, number=4, queen__emerged_on=EMERGED)
    found = successors_of(bench.places[0])
    assert [(one.queen, one.rank, one.is_same_member) for one in found] == [
        (sister, 1, True),
        (own, 2, True),
        (early, 3, False),
        (late, 4, False),
    ]


def test_who_is_too_old_has_a_place_or_does_not_take_these_drones_is_not_among_them(bench: Bench) -> None:
    old = waits(bench)
    old.queen.emerged_on = dt.date(2026, 5, 1)
    old.queen.save()
    other_drones = waits(bench)
    other_drones.batch.bookings.get().accepted.update(source=bench.other)
    assert successors_of(bench.places[0]) == []
    with refused("queen_not_free"):
        give(bench, old)
    with refused("queen_not_free"):
        give(bench, bench.queens[1])


def test_the_next_of_the_queue_gets_the_place_with_its_dose_and_both_keepers_are_told(bench: Bench) -> None:
    queen = waits(bench, dose_tenths=100)
    give(bench, queen)
    place, booking = bench.places[0], queen.batch.bookings.get()
    assert (place.batch_queen, place.booking, place.state) == (queen, booking, PlaceState.HELD)
    assert (place.dose_tenths, place.co2_before) == (100, False)
    assert booking.state == BookingState.AT_BENCH
    told = dict(Reminder.objects.filter(kind="place_moved", state="wanted").values_list("member", "why"))
    assert {member: str(why) for member, why in told.items()} == {
        bench.booking.member_id: f"{bench.queens[0]} was not inseminated (lame). Her place at {bench.session} went to "
        "the next in the queue.",
        booking.member_id: f"{queen} is inseminated today at {bench.session}: a place became free there.",
    }
    row = AuditEntry.objects.get(action="place.give_on")
    assert (row.by_name, row.before["queen"], row.after["queen"]) == (bench.by.name, str(bench.queens[0]), str(queen))


def test_asked_for_twice_it_is_given_once_and_one_keeper_hears_of_a_sister_once(bench: Bench) -> None:
    sister = BatchQueenFactory(batch=bench.batch, number=4, queen__emerged_on=EMERGED)
    give(bench, sister)
    give(bench, sister)
    assert AuditEntry.objects.filter(action="place.give_on").count() == 1
    [why] = Reminder.objects.filter(kind="place_moved", state="wanted").values_list("why", flat=True)
    assert str(why) == f"{bench.queens[0]} was not inseminated (lame). {sister} has her place at {bench.session}."


def test_whoever_passes_the_first_over_says_why(bench: Bench) -> None:
    first, second = waits(bench, number=1), waits(bench, number=2)
    with refused("says_why"):
        give(bench, second)
    give(bench, second, reason="The first is not here")
    assert AuditEntry.objects.get(action="place.give_on").note == "The first is not here"
    assert first.batch.bookings.get().state == BookingState.QUEUED


def test_a_queen_set_aside_does_not_get_her_place_back_once_it_went_on(bench: Bench) -> None:
    sister = BatchQueenFactory(batch=bench.batch, number=4, queen__emerged_on=EMERGED)
    give(bench, sister)
    bench_take_back(bench.places[0], by=bench.by, now=NOW)
    bench.places[0].refresh_from_db()
    bench.queens[0].refresh_from_db()
    assert (bench.places[0].batch_queen, bench.queens[0].state) == (sister, "set_aside")
    place_take_again(bench.places[0], batch_queen=bench.queens[0], by=bench.by, now=NOW)
    bench_take_back(bench.places[0], by=bench.by, now=NOW)
    bench.places[0].refresh_from_db()
    assert (bench.places[0].batch_queen, bench.places[0].state) == (bench.queens[0], PlaceState.HELD)
    assert not Reminder.objects.filter(kind="place_moved", state="wanted").exists()


def test_a_booking_that_lost_its_only_place_waits_in_the_queue_and_the_other_is_done_at_the_end(bench: Bench) -> None:
    queen = waits(bench)
    for place in bench.places[1:]:
        place.delete()
    give(bench, queen, reason="Her sisters are not here")
    lot = bench.lot()
    bench.dose(0, lot)
    session_close(bench.session, reason_for_rest="left over", by=bench.by, now=NOW)
    states = dict(Booking.objects.values_list("pk", "state"))
    assert states[bench.booking.pk] == BookingState.QUEUED
    assert states[queen.batch.bookings.get().pk] == BookingState.DONE


@pytest.fixture
def went_on(bench: Bench) -> Bench:
    """Closed: the queen on the first place was lost, a sister was inseminated on it."""
    bench_take_back(bench.places[0], by=bench.by, now=NOW)
    bench_set_aside(bench.places[0], reason="flew off", lost=True, by=bench.by, now=NOW)
    bench.places[0].refresh_from_db()
    sister = BatchQueenFactory(batch=bench.batch, number=4, queen__emerged_on=EMERGED, queen__birth_year=EMERGED.year)
    give(bench, sister)
    bench.dose(0, bench.lot())
    session_close(bench.session, reason_for_rest="left over", by=bench.by, now=NOW + MINUTE)
    bench.session.refresh_from_db()
    bench.queens[0].refresh_from_db()
    return bench


def fate(bench: Bench, queen: BatchQueen, what: str) -> BatchQueen:
    fate_correct(bench.session, queen=queen, fate=what, reason="found again", by=bench.by, now=NOW + 2 * MINUTE)
    queen.refresh_from_db()
    queen.queen.refresh_from_db()
    return queen


def test_she_whose_place_went_on_is_found_again_and_the_place_stays_the_others(went_on: Bench) -> None:
    lost = went_on.queens[0]
    assert (lost.state, lost.queen.status, lost.gave_place_up_at) == ("lost", "gone", went_on.session)
    places = list(BenchPlace.objects.order_by("pk").values_list("pk", "batch_queen", "state"))
    went_on.booking.refresh_from_db()
    before = went_on.booking.state
    found = fate(went_on, lost, "there")
    assert (found.state, found.state_reason, found.queen.status) == ("waiting", "", "virgin")
    assert list(BenchPlace.objects.order_by("pk").values_list("pk", "batch_queen", "state")) == places
    assert (Mating.objects.count(), Booking.objects.get(pk=went_on.booking.pk).state) == (1, before)
    row = AuditEntry.objects.get(action="session.correct")
    assert (row.before, row.after) == ({str(lost): "Lost"}, {str(lost): "Waiting"})
    assert fate(went_on, lost, "set_aside").state == "set_aside"


def test_her_first_co2_is_known_again_when_she_is_found(went_on: Bench) -> None:
    lost = went_on.queens[0]
    at = NOW - dt.timedelta(hours=20)
    Co2Treatment.objects.create(batch_queen=lost, started_at=at, ended_at=at + 3 * MINUTE)
    assert fate(went_on, lost, "there").state == "first_co2"


def test_what_became_of_her_is_told_where_she_was_last(went_on: Bench) -> None:
    found = fate(went_on, went_on.queens[0], "there")
    later = BenchSessionFactory(season=went_on.session.season, bench=went_on.session.bench, day=dt.date(2026, 6, 12))
    lot = SemenLot.objects.get()
    Dose.objects.create(batch_queen=found, session=later, lot=lot, volume_tenths=80, given_at=NOW)
    with refused("queen_dealt_with"):
        fate(went_on, found, "lost")
    with refused("queen_unknown"):
        fate(went_on, waits(went_on), "lost")


def test_the_form_of_corrections_names_her_and_not_once_her_place_was_given_back(bench: Bench) -> None:
    sister = BatchQueenFactory(batch=bench.batch, number=4, queen__emerged_on=EMERGED)
    give(bench, sister)
    gave_up, *others = bench.queens
    assert set(CorrectFateForm(session=bench.session).fields["queen"].queryset) == {gave_up, sister, *others}  # type: ignore[attr-defined]
    place_take_again(bench.places[0], batch_queen=gave_up, by=bench.by, now=NOW)
    gave_up.refresh_from_db()
    assert gave_up.gave_place_up_at is None
    assert set(CorrectFateForm(session=bench.session).fields["queen"].queryset) == {gave_up, *others}  # type: ignore[attr-defined]


def test_a_tablet_gives_a_place_to_a_sister_only(bench: Bench) -> None:
    device = Device(bench)
    stranger = waits(bench)
    device.tap("give_on", place=bench.places[0].pk, queen=stranger.pk, before=bench.queens[0].pk)
    assert device.send()[-1].rule == "queen_unknown"


def test_the_page_gives_the_place_and_the_closed_session_names_who_gave_it_up(bench: Bench, client: Client) -> None:
    RoleGrantFactory(person=bench.by, cooperative=bench.session.season.cooperative, role=Role.OPERATOR)
    client.force_login(bench.by)
    first, second = waits(bench, number=1), waits(bench, number=2)
    address = reverse("scheduling:place_give_on", args=[bench.session.pk, bench.places[0].pk])
    page = client.get(address).content.decode()
    assert page.index(str(first)) < page.index(str(second))
    again = client.post(address, {"queen": second.pk})
    assert (again.status_code, "comes first" in again.content.decode()) == (422, True)
    assert client.post(address, {"queen": first.pk}).status_code == 302
    assert client.get(address).status_code == 302
    session_close(bench.session, by=bench.by, now=NOW)
    closed = client.get(reverse("scheduling:bench_session", args=[bench.session.pk])).content.decode()
    assert f"{bench.queens[0]} gave her place up; {first} had it" in closed


def test_where_nobody_waits_the_page_says_so(bench: Bench, client: Client) -> None:
    RoleGrantFactory(person=bench.by, cooperative=bench.session.season.cooperative, role=Role.OPERATOR)
    client.force_login(bench.by)
    page = client.get(reverse("scheduling:place_give_on", args=[bench.session.pk, bench.places[0].pk]))
    assert "Nobody waits whom these drones suit" in page.content.decode()


def test_only_who_works_at_the_bench_gives_a_place_on(bench: Bench, client: Client) -> None:
    address = reverse("scheduling:place_give_on", args=[bench.session.pk, bench.places[0].pk])
    assert client.get(address).status_code == 302
    client.force_login(RoleGrantFactory(cooperative=bench.session.season.cooperative, role=Role.BREEDER).person)
    assert (client.get(address).status_code, client.post(address).status_code) == (403, 403)
    client.force_login(RoleGrantFactory(role=Role.OPERATOR).person)
    assert (client.get(address).status_code, client.post(address).status_code) == (404, 404)
