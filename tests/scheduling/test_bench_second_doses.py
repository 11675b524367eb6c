"""Split doses, more from a second lot, and the tip in the holder."""

import datetime as dt
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from accounts.models import Role
from breeding.models import Mating
from scheduling.models import (
    BenchPlace,
    BenchSession,
    BookingState,
    Dose,
    LotState,
    PlaceState,
    Reminder,
    ReminderState,
    SemenLot,
    TipChange,
)
from scheduling.queries.batches import batches_with_facts
from scheduling.queries.bench import bench_page
from scheduling.queries.events import events_of_queen
from scheduling.queries.lots import lot_view
from scheduling.queries.second_doses import second_doses_at, second_doses_open
from scheduling.services.bench_queens import bench_set_aside, dose_give, dose_undo
from scheduling.services.bench_session import session_close, session_start
from scheduling.services.checks import check_record
from scheduling.services.lots import lot_open, lot_read, lot_tally
from scheduling.services.mixtures import lots_mix
from scheduling.services.tips import tip_change
from tests.factories import NOW, BenchSessionFactory, RoleGrantFactory
from tests.scheduling.device import Device, assert_server_is_log, device_initial
from tests.scheduling.test_bench import MINUTE, Bench, refused

pytestmark = pytest.mark.django_db

TWO_DAYS = dt.timedelta(days=2)


def second_day(bench: Bench, days: int = 2) -> BenchSession:
    moment = dt.timedelta(days=days)
    first = bench.session
    return BenchSessionFactory(
        season=first.season,
        bench=first.bench,
        day=first.day + moment,
        starts_at=first.starts_at + moment,
        ends_at=first.ends_at + moment,
    )


def split(bench: Bench, index: int = 0) -> Dose:
    """The first part of 4 µl, and the day closed."""
    lot = bench.lot()
    dose = bench.dose(index, lot, 40, second_planned=True)
    session_close(bench.session, reason_for_rest="dried", by=bench.by, now=NOW + 30 * MINUTE)
    return dose


def begun(session: BenchSession, bench: Bench) -> BenchSession:
    return session_start(session, cautions_read=True, by=bench.by, now=session.starts_at)


def test_taps_go_to_the_lot_whose_tip_is_in_the_holder() -> None:
    bench = Bench()
    first = bench.lot()
    other = bench.lot(source=bench.other, tip="T2")

    def lot_now() -> SemenLot | None:
        bench.session.refresh_from_db()
        page = bench_page(bench.session)
        return page.lot.lot if page.lot else None

    assert lot_now() == other, "her source is the first, but the second is in the syringe"
    tip_change(bench.session, lot=first, tip="T3", by=bench.by, now=NOW)
    assert lot_now() == first
    mixture = lots_mix(bench.session, parts={first: 50, other: 50}, tip="M1", by=bench.by, now=NOW)
    assert lot_now() == mixture
    BenchSession.objects.update(current_tip="", current_tip_source=None)
    assert lot_now() == first


def test_the_second_part_joins_the_order_of_the_bench_day_48_hours_later() -> None:
    bench = Bench()
    split(bench)
    early, due = second_day(bench, 1), second_day(bench)
    assert [one.first.batch_queen for one in second_doses_open(due)] == [bench.queens[0]]
    begun(early, bench)
    assert not BenchPlace.objects.filter(session=early).exists()
    begun(due, bench)
    begun(due, bench)
    place = BenchPlace.objects.get(session=due)
    assert (place.batch_queen, place.is_second, place.dose_tenths, place.source) == (
        bench.queens[0],
        True,
        40,
        bench.source,
    )
    [row] = bench_page(due).rows
    assert not row.is_done


def test_both_parts_make_one_mating_and_the_booking_counts_her_once() -> None:
    bench = Bench(queens=2)
    split(bench)
    due = second_day(bench)
    begun(due, bench)
    lot = lot_open(due, source=bench.source, tip="T1", by=bench.by, now=due.starts_at)
    lot_tally(lot, outcome="usable", drones=4, by=bench.by, now=due.starts_at)
    lot_read(lot, volume_tenths=45, by=bench.by, now=due.starts_at)
    place = BenchPlace.objects.select_related("session").get(session=due)
    dose = dose_give(place, lot=lot, volume_tenths=40, by=bench.by, now=due.starts_at)
    dose_undo(dose, by=bench.by, now=due.starts_at)
    place.refresh_from_db()
    bench.queens[0].refresh_from_db()
    assert (place.state, bench.queens[0].state) == (PlaceState.HELD, "inseminated")
    dose_give(place, lot=lot, volume_tenths=40, by=bench.by, now=due.starts_at)
    session_close(due, by=bench.by, now=due.starts_at + 30 * MINUTE)
    mating = Mating.objects.get(queen=bench.queens[0].queen)
    assert (mating.total_tenths, mating.mated_on) == (80, bench.session.day)
    bench.booking.refresh_from_db()
    assert bench.booking.state == BookingState.QUEUED  # one of two queens: two places were hers
    assert second_doses_open(due) == []


def test_her_calendar_and_her_keeper_know_of_the_second_part() -> None:
    bench = Bench()
    due = second_day(bench)
    dose = split(bench)
    row = Reminder.objects.get(subject_type="scheduling.batchqueen", subject_id=bench.queens[0].pk, kind="bench_time")
    assert (row.due_at, row.member, row.state) == (
        max(dose.given_at + TWO_DAYS, due.starts_at),
        bench.batch.member,
        "wanted",
    )
    batch = batches_with_facts(type(bench.batch).objects.filter(pk=bench.batch.pk))[0]
    queen = next(one for one in batch.batch_queens.all() if one.pk == bench.queens[0].pk)
    assert events_of_queen(queen, batch=batch).is_split_dose


def test_who_lays_or_is_set_aside_gets_no_second_part() -> None:
    bench = Bench()
    split(bench)
    later = NOW + TWO_DAYS
    due = second_day(bench)
    check_record(bench.queens[0], checked_on=later.date(), finding="eggs", by=bench.by, now=later)
    assert second_doses_at(due) == []
    begun(due, bench)
    assert not BenchPlace.objects.filter(session=due).exists()


def test_a_second_part_that_is_set_aside_keeps_the_first() -> None:
    bench = Bench()
    split(bench)
    due = second_day(bench)
    begun(due, bench)
    place = BenchPlace.objects.get(session=due)
    bench_set_aside(place, reason="lame", lost=False, by=bench.by, now=due.starts_at)
    place.refresh_from_db()
    assert place.state == PlaceState.NOT_USED
    session_close(due, by=bench.by, now=due.starts_at + MINUTE)
    assert Mating.objects.get(queen=bench.queens[0].queen).total_tenths == 40


def test_more_from_a_second_lot_is_said_expressly() -> None:
    bench = Bench()
    first, second = bench.lot(tenths=50), bench.lot(tenths=60)
    bench.dose(0, first, 50)
    with refused("place_not_held"):
        bench.dose(0, second, 30)
    bench.dose(0, second, 30, more=True)
    lot_read(second, volume_tenths=120, by=bench.by, now=NOW)
    with refused("dose_limit"):
        bench.dose(0, second, 101, more=True)
    session_close(bench.session, reason_for_rest="dried", by=bench.by, now=NOW + MINUTE)
    assert Mating.objects.get().total_tenths == 80


def test_a_tip_that_touched_a_mixture_serves_that_mixture_alone() -> None:
    bench = Bench()
    one, other = bench.lot(), bench.lot(source=bench.other, tip="T2")
    with refused("tip_of_other_source"):
        lots_mix(bench.session, parts={one: 50, other: 50}, tip="t1", by=bench.by, now=NOW)
    mixture = lots_mix(bench.session, parts={one: 50, other: 50}, tip="M1", by=bench.by, now=NOW)
    second = lots_mix(bench.session, parts={one: 50, other: 50}, tip="M2", by=bench.by, now=NOW)
    with refused("tip_of_other_source"):
        bench.dose(0, one)
    BenchPlace.objects.update(source=None)
    with refused("tip_of_other_source"):
        bench.dose(0, mixture)
    bench.dose(0, second)
    with refused("tip_of_other_source"):
        tip_change(bench.session, lot=one, tip="M2", by=bench.by, now=NOW)
    tip_change(bench.session, lot=one, tip="T1", by=bench.by, now=NOW)
    bench.dose(1, one)
    assert Dose.objects.count() == 2


def test_a_tablet_changes_the_tip_and_gives_more_and_the_tables_are_its_log() -> None:
    bench = Bench()
    before = device_initial(bench)
    device = Device(bench)
    lot = device.lot()
    facts: dict[str, Any] = {"place": bench.places[0].pk, "queen": bench.queens[0].pk, "lot": lot}
    device.tap("dose", **facts, volume=40, second_planned=True)
    device.tap("tip", lot=lot, tip="T1b")
    device.tap("dose", **facts, volume=20, more=True)
    last = device.tap("dose", **facts, volume=20, more=True)
    device.tap("undo", of=str(last.id))
    device.send()
    device.send(device.kept)
    assert [entry.state for entry in bench.session.entries.all()] == ["taken"] * 8
    assert (TipChange.objects.get().tip, Dose.objects.filter(undone_at=None).count()) == ("T1b", 2)
    assert Dose.objects.filter(second_planned=True).count() == 1
    assert_server_is_log(bench.session, before)


def test_the_forms_do_the_same_without_a_script(client: Client) -> None:
    bench = Bench()
    RoleGrantFactory(person=bench.by, cooperative=bench.session.season.cooperative, role=Role.OPERATOR)
    client.force_login(bench.by)
    lot = bench.lot()
    address = reverse("scheduling:dose", args=[bench.session.pk, bench.places[0].pk])
    SemenLot.objects.update(viability_checked_on=NOW.date())  # the page takes the real day
    client.post(address, {"lot": lot.pk, "volume": "4", "second_planned": "on"})
    client.post(address, {"lot": lot.pk, "volume": "3", "more": "on"})
    client.post(reverse("scheduling:lot_tip", args=[bench.session.pk, lot.pk]), {"tip": "T1 cleaned"})
    assert list(Dose.objects.values_list("volume_tenths", "second_planned")) == [(40, True), (30, False)]
    bench.session.refresh_from_db()
    assert (bench.session.current_tip, bench.session.current_tip_source) == ("T1 cleaned", bench.source)
    assert lot_view(lot).left == 130
    assert SemenLot.objects.get().state == LotState.OPEN
    assert not Reminder.objects.filter(kind="bench_time", state=ReminderState.WANTED).exists()
