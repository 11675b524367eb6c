"""What now? in a running session: who stays, who moves where, who is told; all of it or nothing."""

import datetime as dt

import pytest
from django.test import Client
from django.urls import reverse

from accounts.models import AuditEntry, Role
from accounts.refusals import Refusal
from scheduling.models import BatchQueen, BenchPlace, BenchSession, BookingState, PlaceState, Reminder, SessionState
from scheduling.planning.what_now import Fate
from scheduling.queries.bench import bench_page
from scheduling.queries.plans import plan_in_force
from scheduling.queries.what_now import sources_before, what_now_of
from scheduling.services.bench_moves import bench_move
from scheduling.services.bench_session import session_start
from scheduling.services.lots import lot_open, lot_read, lot_tally
from scheduling.services.places import places_assign_queens
from tests.factories import BatchQueenFactory, RoleGrantFactory
from tests.scheduling.plan_world import PlanWorld

pytestmark = pytest.mark.django_db

ON_DAY = dt.datetime(2026, 6, 12, 9, 0, tzinfo=dt.UTC)
EMERGED = dt.date(2026, 6, 3)


class ShortDay(PlanWorld):
    """Friday's session runs with ten queens of two members, and three of them can have a full dose."""

    def __init__(self) -> None:
        super().__init__()
        self.ask("Rowan")
        self.ask("Thrift", minutes=5)
        for booking in self.bookings:
            booking.batch.emerged_on, booking.batch.virgins_emerged = EMERGED, 5
            booking.batch.save()
            for number in range(1, 6):
                BatchQueenFactory(batch=booking.batch, number=number, queen__emerged_on=EMERGED)
        self.publish()
        self.session = self.sessions[0]
        BenchPlace.objects.exclude(session=self.session).update(session=self.session, position=0)
        for position, place in enumerate(BenchPlace.objects.order_by("booking", "pk"), start=1):
            BenchPlace.objects.filter(pk=place.pk).update(position=position)
        for booking in self.bookings:
            places_assign_queens(booking.batch_id)
        session_start(self.session, cautions_read=True, by=self.by, now=ON_DAY)
        lot = lot_open(self.session, source=self.source, tip="T1", by=self.by, now=ON_DAY)
        lot_tally(lot, outcome="usable", drones=25, by=self.by, now=ON_DAY)
        lot_tally(lot, outcome="none", drones=25, by=self.by, now=ON_DAY)
        lot_read(lot, volume_tenths=250, by=self.by, now=ON_DAY)
        self.places = list(BenchPlace.objects.filter(session=self.session).order_by("position"))

    @property
    def no_drones(self) -> dict[int, int]:
        return {self.source.pk: 0}


@pytest.fixture
def short() -> ShortDay:
    return ShortDay()


def test_without_drones_as_many_full_doses_as_are_ready(short: ShortDay) -> None:
    assert len(short.places) == 10
    found = what_now_of(short.session, drones_left=short.no_drones)
    assert (found.sure, found.perhaps, found.moving) == (3, 0, 7)
    [source] = found.sources
    assert (source.outlook.low, source.outlook.high, source.needed_tenths) == (250, 250, 800)
    assert all(row.next_sessions == [short.sessions[1]] for row in found.queens)


def test_with_drones_left_more_queens_wait_for_them(short: ShortDay) -> None:
    few = what_now_of(short.session, drones_left={short.source.pk: 40})
    many = what_now_of(short.session, drones_left={short.source.pk: 400})
    assert 3 < few.sure + few.perhaps < 10
    assert (many.sure, many.moving) == (10, 0)


def test_who_cannot_wait_for_another_day_comes_first(short: ShortDay) -> None:
    last = short.places[-1]
    assert last.batch_queen is not None
    last.batch_queen.queen.emerged_on = dt.date(2026, 5, 31)
    last.batch_queen.queen.save()
    found = what_now_of(short.session, drones_left=short.no_drones)
    assert found.queens[0].place == last
    assert (found.queens[0].is_last_chance, found.queens[0].verdict.fate) == (True, Fate.DOSE)


def test_who_asked_first_comes_first_at_equal_standing(short: ShortDay) -> None:
    found = what_now_of(short.session, drones_left=short.no_drones)
    assert [row.place.booking for row in found.queens[:3]] == [short.bookings[0]] * 3


def test_accepting_moves_the_queens_and_tells_their_keepers(short: ShortDay) -> None:
    found = what_now_of(short.session, drones_left=short.no_drones)
    moving = [row.place for row in found.queens if row.moves]
    queens = {place.batch_queen_id for place in moving}
    moves: dict[BenchPlace, BenchSession | None] = dict.fromkeys(moving, short.sessions[1])
    freed = bench_move(short.session, moves=moves, reason="No drones left", by=short.by, now=ON_DAY)
    assert {place.pk for place in freed} == {place.pk for place in moving}
    there = BenchPlace.objects.filter(session=short.sessions[1], state=PlaceState.HELD)
    assert {place.batch_queen_id for place in there} == queens
    assert sorted(place.position for place in there) == list(range(1, 8))
    told = Reminder.objects.filter(kind="place_moved", state="wanted").values_list("member", flat=True)
    assert set(told) == {booking.member_id for booking in short.bookings}
    assert AuditEntry.objects.get(action="bench.move").note == "No drones left"
    plan = plan_in_force(short.season)
    assert plan is not None
    assert sum(p.queens for p in plan.placements.filter(session=short.sessions[1])) == 7
    assert bench_move(short.session, moves=moves, reason="No drones left", by=short.by, now=ON_DAY) == []
    assert there.count() == 7


def test_a_queen_goes_back_into_the_queue_and_her_booking_says_so_at_the_end(short: ShortDay) -> None:
    [place] = bench_move(short.session, moves={short.places[9]: None}, reason="short", by=short.by, now=ON_DAY)
    assert place.state == PlaceState.FREED
    assert not BenchPlace.objects.filter(batch_queen=place.batch_queen).exclude(state=PlaceState.FREED).exists()
    words = str(Reminder.objects.get(kind="place_moved").why)
    assert words == f"{place.batch_queen} waits in the queue for another place."
    short.bookings[1].refresh_from_db()
    assert short.bookings[1].state == BookingState.AT_BENCH


@pytest.mark.parametrize("why", ["full", "over", "dosed"])
def test_nothing_moves_when_one_of_them_cannot(short: ShortDay, why: str) -> None:
    target = short.sessions[1]
    if why == "full":
        BenchSession.objects.filter(pk=target.pk).update(places=1)
    elif why == "over":
        BenchSession.objects.filter(pk=target.pk).update(state=SessionState.CANCELLED)
    else:
        BenchPlace.objects.filter(pk=short.places[1].pk).update(state=PlaceState.DONE)
    moves: dict[BenchPlace, BenchSession | None] = dict.fromkeys(short.places[:2], target)
    with pytest.raises(Refusal):
        bench_move(short.session, moves=moves, reason="short", by=short.by, now=ON_DAY)
    assert BenchPlace.objects.filter(session=target).count() == 0
    assert not Reminder.objects.filter(kind="place_moved").exists()


def test_before_the_start_the_page_says_what_each_source_is_expected_to_give(client: Client) -> None:
    world = PlanWorld()
    world.ask("Rowan")
    world.publish()
    session = world.sessions[0]
    BenchPlace.objects.update(session=session)
    person = RoleGrantFactory(person=world.by, cooperative=world.season.cooperative, role=Role.OPERATOR).person
    client.force_login(person)
    [row] = sources_before(session, bench_page(session))
    assert (row.source, row.needed_tenths, row.is_short) == (world.source, 400, False)
    assert row.drones > 0
    assert row.outlook.low <= row.outlook.mean <= row.outlook.high
    assert row.ages[0] is not None
    page = client.get(f"/bench/{session.pk}/").content.decode()
    assert f"{row.ages[0]} to {row.ages[1]} days" in page


def test_moving_asks_for_the_reason(short: ShortDay) -> None:
    with pytest.raises(Refusal, match="Say why"):
        bench_move(short.session, moves={short.places[0]: None}, reason=" ", by=short.by, now=ON_DAY)


def test_the_page_works_it_out_and_keeps_what_the_operator_changed(
    short: ShortDay, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("django.utils.timezone.now", lambda: ON_DAY)
    operator = RoleGrantFactory(person=short.by, cooperative=short.season.cooperative, role=Role.OPERATOR).person
    client.force_login(operator)
    address = reverse("scheduling:what_now", args=[short.session.pk])
    page = client.get(address, {f"left{short.source.pk}": "0"}).content.decode()
    assert "3 queens are sure of their full dose, 0 may get it, 7 cannot" in page
    chosen = {f"place{place.pk}": "" for place in short.places}
    chosen[f"place{short.places[4].pk}"] = str(short.sessions[1].pk)
    chosen[f"place{short.places[5].pk}"] = "queue"
    client.post(address, {**chosen, "reason": "The drones ran out"})
    states = BenchPlace.objects.filter(session=short.session, state=PlaceState.FREED)
    assert set(states) == {short.places[4], short.places[5]}
    assert BenchPlace.objects.get(session=short.sessions[1]).batch_queen == short.places[4].batch_queen
    assert BatchQueen.objects.count() == 10
