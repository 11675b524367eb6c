"""A bench day: rules at the hook, lots that add up, matings as they really were, follow-ups 24 h elapsed after."""

import datetime as dt
import uuid

import pytest
from django.test import Client
from django.urls import reverse

from accounts.models import AuditEntry, Person, Role
from accounts.refusals import Refusal
from breeding.models import Mating
from scheduling.models import (
    BatchQueen,
    BenchPlace,
    BenchSession,
    BenchState,
    Booking,
    BookingState,
    Co2Treatment,
    Dose,
    DroneSource,
    DroneTally,
    LotState,
    PlaceState,
    Reminder,
    ReminderState,
    SemenLot,
)
from scheduling.queries.bench import bench_page
from scheduling.queries.lots import lot_view
from scheduling.services.bench_queens import bench_set_aside, bench_take_back, co2_start, co2_stop, dose_give, dose_undo
from scheduling.services.bench_session import session_close, session_start
from scheduling.services.lots import lot_open, lot_read, lot_take_out, lot_tally, lot_tally_undo
from scheduling.services.mixtures import lots_mix
from tests.factories import (
    NOW,
    BatchQueenFactory,
    BenchPlaceFactory,
    BenchSessionFactory,
    BookingFactory,
    DroneSourceFactory,
    MemberFactory,
    PersonFactory,
    PlanFactory,
    QueenBatchFactory,
    ReminderFactory,
    RoleGrantFactory,
)

pytestmark = pytest.mark.django_db

MINUTE = dt.timedelta(minutes=1)


class Bench:
    """A running session with three virgins of one batch, planned with one source."""

    def __init__(self, queens: int = 3) -> None:
        self.by: Person = PersonFactory()
        self.batch = QueenBatchFactory(
            emerged_on=dt.date(2026, 6, 1), virgins_emerged=queens, first_co2_at=NOW - dt.timedelta(hours=24)
        )
        season = self.batch.season
        self.session: BenchSession = BenchSessionFactory(season=season)
        self.source: DroneSource = DroneSourceFactory(season=season)
        self.other: DroneSource = DroneSourceFactory(season=season)
        self.booking: Booking = BookingFactory(batch=self.batch, queens=queens, state=BookingState.PLACED)
        plan = PlanFactory(season=season)
        self.queens: list[BatchQueen] = []
        self.places: list[BenchPlace] = []
        for number in range(1, queens + 1):
            queen = BatchQueenFactory(
                batch=self.batch, number=number, queen__emerged_on=dt.date(2026, 6, 1), queen__birth_year=2026
            )
            self.queens.append(queen)
            self.places.append(
                BenchPlaceFactory(
                    session=self.session,
                    position=number,
                    plan=plan,
                    booking=self.booking,
                    batch_queen=queen,
                    source=self.source,
                )
            )
        session_start(self.session, cautions_read=True, by=self.by, now=NOW)

    def lot(
        self, *, source: DroneSource | None = None, tip: str = "T1", usable: int = 20, tenths: int = 200
    ) -> SemenLot:
        lot = lot_open(self.session, source=source or self.source, tip=tip, by=self.by, now=NOW)
        lot_tally(lot, outcome="usable", drones=usable, by=self.by, now=NOW)
        lot_read(lot, volume_tenths=tenths, by=self.by, now=NOW)
        return lot

    def dose(self, index: int, lot: SemenLot, tenths: int = 80, **more: object) -> Dose:
        return dose_give(self.places[index], lot=lot, volume_tenths=tenths, by=self.by, now=NOW, **more)  # type: ignore[arg-type]


def refused(rule: str) -> "pytest.RaisesExc[Refusal]":
    return pytest.raises(Refusal, check=lambda refusal: refusal.rule == rule)


def test_a_session_starts_only_when_the_cautions_are_read_and_on_its_day() -> None:
    session = BenchSessionFactory()
    by = PersonFactory()
    with refused("cautions"):
        session_start(session, cautions_read=False, by=by, now=NOW)
    with refused("session_day"):
        session_start(session, cautions_read=True, by=by, now=NOW - dt.timedelta(days=1))
    started = session_start(session, cautions_read=True, by=by, now=NOW)
    assert (started.state, started.cautions_read_by) == ("running", by)
    session_start(session, cautions_read=True, by=by, now=NOW)
    assert AuditEntry.objects.filter(action="session.start").count() == 1


def test_starting_brings_the_bookings_to_the_bench() -> None:
    bench = Bench()
    bench.booking.refresh_from_db()
    assert bench.booking.state == BookingState.AT_BENCH


def test_a_tap_sent_twice_is_kept_once_and_can_be_taken_back() -> None:
    bench = Bench()
    lot = lot_open(bench.session, source=bench.source, tip="T1", by=bench.by, now=NOW)
    entry = uuid.uuid4()
    for _ in range(2):
        lot_tally(lot, outcome="none", by=bench.by, now=NOW, entry=entry)
    assert DroneTally.objects.count() == 1
    lot_tally_undo(lot, by=bench.by, now=NOW)
    assert (lot_view(lot).tried, DroneTally.objects.count()) == (0, 1)


def test_a_change_of_source_needs_another_tip() -> None:
    bench = Bench()
    bench.lot()
    with refused("tip_of_other_source"):
        lot_open(bench.session, source=bench.other, tip="t1", by=bench.by, now=NOW)
    lot = lot_open(bench.session, source=bench.other, tip="T2", by=bench.by, now=NOW)
    assert lot.tip == "T2"


def test_no_dose_from_a_lot_when_the_tip_has_touched_another_source() -> None:
    bench = Bench()
    lot = bench.lot()
    bench.lot(source=bench.other, tip="T2")
    with refused("tip_of_other_source"):
        bench.dose(0, lot)


def test_a_source_on_hold_gives_nothing() -> None:
    bench = Bench()
    lot = bench.lot()
    DroneSource.objects.filter(pk=bench.source.pk).update(hold_since=NOW.date(), hold_reason="Chalky brood seen.")
    with refused("source_hold"):
        bench.dose(0, lot)
    with refused("source_hold"):
        lot_open(bench.session, source=DroneSource.objects.get(pk=bench.source.pk), tip="T3", by=bench.by, now=NOW)


def test_a_lot_older_than_its_limit_is_refused() -> None:
    bench = Bench()
    lot = bench.lot()
    SemenLot.objects.filter(pk=lot.pk).update(opened_at=NOW - dt.timedelta(days=43))
    with refused("lot_too_old"):
        bench.dose(0, lot)
    SemenLot.objects.filter(pk=lot.pk).update(viability_checked_on=NOW.date(), viability_percent=70)
    assert bench.dose(0, lot).volume_tenths == 80


def test_a_dose_above_what_the_lot_holds_is_refused() -> None:
    bench = Bench()
    lot = bench.lot(tenths=100)
    bench.dose(0, lot)
    with refused("lot_holds_less"):
        bench.dose(1, lot)


def test_a_dose_above_18_ul_needs_a_reason_with_a_name() -> None:
    bench = Bench()
    lot = bench.lot(tenths=400)
    with refused("dose_limit"):
        bench.dose(0, lot, 181)
    dose = bench.dose(0, lot, 181, override_reason="test of storage")
    assert (dose.override_by, dose.override_reason) == (bench.by, "dose_limit: test of storage")
    assert bench.dose(1, lot, 180).override_reason == ""


def test_a_queen_out_of_her_window_needs_a_reason() -> None:
    bench = Bench()
    lot = bench.lot()
    queen = bench.queens[0].queen
    queen.emerged_on = dt.date(2026, 5, 27)
    queen.save()
    with refused("queen_age"):
        bench.dose(0, lot)
    assert bench.dose(0, lot, override_reason="last chance").override_reason == "queen_age: last chance"


def test_a_missing_first_co2_is_said() -> None:
    bench = Bench()
    bench.batch.first_co2_at = None
    bench.batch.save()
    lot = bench.lot()
    with refused("first_co2_missing"):
        bench.dose(0, lot)
    BenchPlace.objects.filter(pk=bench.places[0].pk).update(co2_before=False)
    assert bench.dose(0, lot).override_reason == ""


def test_semen_of_a_source_the_place_is_not_planned_with_is_refused() -> None:
    bench = Bench()
    lot = bench.lot(source=bench.other, tip="T2")
    with refused("lot_of_other_source"):
        bench.dose(0, lot)


def test_a_dose_taken_back_leaves_the_queen_on_the_hook_and_the_lot_full() -> None:
    bench = Bench()
    lot = bench.lot()
    dose = bench.dose(0, lot)
    dose_undo(dose, by=bench.by, now=NOW)
    bench.queens[0].refresh_from_db()
    bench.places[0].refresh_from_db()
    assert (bench.queens[0].state, bench.places[0].state, lot_view(lot).left) == ("on_hook", PlaceState.HELD, 200)


def test_set_aside_and_back_again() -> None:
    bench = Bench()
    with refused("says_why"):
        bench_set_aside(bench.places[0], reason=" ", lost=False, by=bench.by, now=NOW)
    bench_set_aside(bench.places[0], reason="wing torn", lost=True, by=bench.by, now=NOW)
    bench.queens[0].queen.refresh_from_db()
    assert bench.queens[0].queen.status == "gone"
    queen = bench_take_back(bench.places[0], by=bench.by, now=NOW)
    queen.queen.refresh_from_db()
    assert (queen.state, queen.state_reason, queen.queen.status) == (BenchState.WAITING, "", "virgin")


def test_gas_runs_once_and_stops_once() -> None:
    bench = Bench()
    queen = bench.queens[0]
    first = co2_start(bench.session, batch_queen=queen, with_insemination=True, by=bench.by, now=NOW)
    again = co2_start(bench.session, batch_queen=queen, with_insemination=True, by=bench.by, now=NOW + MINUTE)
    assert first == again
    stopped = co2_stop(bench.session, batch_queen=queen, by=bench.by, now=NOW + 3 * MINUTE)
    assert stopped is not None
    assert (stopped.started_at, stopped.ended_at) == (NOW, NOW + 3 * MINUTE)
    assert co2_stop(bench.session, batch_queen=queen, by=bench.by, now=NOW + 4 * MINUTE) is None


def test_a_session_with_gas_on_or_a_lot_that_does_not_add_up_is_not_closed() -> None:
    bench = Bench()
    lot = bench.lot()
    co2_start(bench.session, batch_queen=bench.queens[0], with_insemination=True, by=bench.by, now=NOW)
    with refused("gas_on"):
        session_close(bench.session, by=bench.by, now=NOW)
    co2_stop(bench.session, batch_queen=bench.queens[0], by=bench.by, now=NOW + MINUTE)
    bench.dose(0, lot)
    with refused("lot_adds_up"):
        session_close(bench.session, by=bench.by, now=NOW + MINUTE)
    assert Mating.objects.count() == 0
    lot_take_out(lot, kind="discarded", volume_tenths=118, reason="colour uneven", by=bench.by, now=NOW)
    closed = session_close(bench.session, by=bench.by, now=NOW + MINUTE)
    assert (closed.state, lot_view(lot).balance.unexplained) == ("closed", 0)


def test_closing_writes_the_mating_with_the_real_shares_and_frees_the_rest() -> None:
    bench = Bench()
    lot = bench.lot(usable=20, tenths=200)
    bench.dose(0, lot, 80)
    bench.dose(1, lot, 100)
    session_close(bench.session, reason_for_rest="dried in the tip", by=bench.by, now=NOW + MINUTE)
    session_close(bench.session, by=bench.by, now=NOW + MINUTE)
    rows = [
        (m.queen, m.kind, m.total_tenths, m.is_complete, m.shares.get().drone_queen, m.shares.get().drones)
        for m in Mating.objects.filter(queen__batch_queen__batch=bench.batch).order_by("queen_id")
    ]
    drone_queen = bench.source.drone_queen
    assert rows == [
        (bench.queens[0].queen, "dpq", 80, True, drone_queen, 8),
        (bench.queens[1].queen, "dpq", 100, True, drone_queen, 10),
    ]
    assert [place.state for place in BenchPlace.objects.order_by("position")] == ["done", "done", "not_used"]
    bench.booking.refresh_from_db()
    assert (bench.booking.state, str(bench.booking.why)) == (BookingState.QUEUED, "2 of 3 queens were inseminated.")
    lot.refresh_from_db()
    assert lot.state == LotState.USED_UP


def test_a_single_drone_is_recorded_as_one() -> None:
    bench = Bench(queens=1)
    lot = bench.lot(usable=1, tenths=10)
    bench.dose(0, lot, 10)
    session_close(bench.session, by=bench.by, now=NOW + MINUTE)
    assert Mating.objects.get(queen=bench.queens[0].queen).kind == "single_drone"


def test_a_mixture_shared_by_two_queens_is_one_batch_for_both() -> None:
    bench = Bench(queens=2)
    BenchPlace.objects.update(source=None, pool=None)
    first = bench.lot(usable=10, tenths=100)
    second = bench.lot(source=bench.other, tip="T2", usable=10, tenths=100)
    mixture = lots_mix(bench.session, parts={first: 100, second: 60}, tip="M1", by=bench.by, now=NOW)
    for index in range(2):
        bench.dose(index, mixture, 80)
    session_close(bench.session, reason_for_rest="left in the tube", by=bench.by, now=NOW + MINUTE)
    matings = list(Mating.objects.filter(queen__batch_queen__batch=bench.batch))
    assert {mating.kind for mating in matings} == {"batch"}
    [batch] = {mating.shared_batch for mating in matings}
    assert batch is not None
    assert list(batch.shares.values_list("drone_queen", "volume_tenths", "drones")) == [
        (bench.source.drone_queen_id, 100, 10),
        (bench.other.drone_queen_id, 60, 6),
    ]


def test_the_follow_up_co2_is_due_24_hours_elapsed_after_the_gas_really_ended() -> None:
    bench = Bench(queens=1)
    end = dt.datetime(2026, 6, 9, 8, 7, tzinfo=dt.UTC)
    bench.batch.first_co2_at = None
    bench.batch.save()
    BenchPlace.objects.update(co2_before=False)
    lot = bench.lot(tenths=80)
    co2_start(bench.session, batch_queen=bench.queens[0], with_insemination=True, by=bench.by, now=NOW)
    bench.dose(0, lot)
    co2_stop(bench.session, batch_queen=bench.queens[0], by=bench.by, now=end)
    session_close(bench.session, by=bench.by, now=end + MINUTE)
    reminder = Reminder.objects.get(kind="second_co2", state=ReminderState.WANTED)
    assert reminder.due_at == end + dt.timedelta(hours=24)
    assert Reminder.objects.filter(kind="egg_check", state=ReminderState.WANTED).count() == 3
    assert Co2Treatment.objects.count() == 1


def test_nothing_is_written_into_a_closed_session() -> None:
    bench = Bench()
    lot = lot_open(bench.session, source=bench.source, tip="T1", by=bench.by, now=NOW)
    session_close(bench.session, by=bench.by, now=NOW)
    with refused("session_closed"):
        lot_tally(lot, outcome="usable", by=bench.by, now=NOW)
    with refused("session_closed"):
        bench.dose(0, lot)


def test_the_order_shows_the_next_queen_who_waits() -> None:
    bench = Bench()
    lot = bench.lot()
    bench.dose(0, lot)
    page = bench_page(bench.session)
    assert page.current is not None
    assert (page.current.place, page.done, page.lot.left if page.lot else None) == (bench.places[1], 1, 120)


def test_whoever_is_at_the_bench_is_not_reminded_of_coming_there() -> None:
    session = BenchSessionFactory()
    rows = [
        ReminderFactory(member=MemberFactory(cooperative=session.season.cooperative), kind=kind, stage=stage)
        for kind, stage in [
            ("bench_time", f"s{session.pk}"),
            ("catch_drones", f"s{session.pk}n140"),
            ("bench_time", f"s{session.pk + 1}"),
        ]
    ]
    session_start(session, cautions_read=True, by=PersonFactory(), now=NOW)
    states = [Reminder.objects.get(pk=row.pk).state for row in rows]
    assert states == [ReminderState.DONE, ReminderState.DONE, ReminderState.WANTED]


def test_lots_are_mixed_on_a_page_once_however_often_it_is_sent(client: Client) -> None:
    bench = Bench(queens=2)
    RoleGrantFactory(person=bench.by, cooperative=bench.session.season.cooperative, role=Role.OPERATOR)
    client.force_login(bench.by)
    first, second = bench.lot(tenths=100), bench.lot(source=bench.other, tip="T2", tenths=100)
    address = reverse("scheduling:lots_mix", args=[bench.session.pk])
    page = client.get(address).content.decode()
    assert f"{first} (" in page
    assert f"{second} (" in page
    wanted = {f"lot{first.pk}": "8,0", f"lot{second.pk}": "0", "tip": "M1", "entry": str(uuid.uuid4())}
    assert "at least two lots" in client.post(address, wanted).content.decode()
    wanted[f"lot{second.pk}"] = "4,5"
    for _ in range(2):
        assert client.post(address, wanted).status_code == 302
    mixture = SemenLot.objects.get(source=None)
    assert (lot_view(mixture).left, lot_view(first).left, lot_view(second).left) == (125, 20, 55)
    bench.session.refresh_from_db()
    assert (bench.session.current_tip, bench.session.current_tip_source) == ("M1", None)
