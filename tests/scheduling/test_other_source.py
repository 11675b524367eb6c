"""Semen of another source than planned: the keeper is told at once, and the second part of a split dose follows it."""

import datetime as dt
from typing import Any

import pytest

from scheduling.models import BenchPlace, Dose, PlaceState, Reminder, SemenLot
from scheduling.queries.second_doses import reserved_for_seconds
from scheduling.services.bench_correct import dose_correct
from scheduling.services.bench_queens import dose_undo
from scheduling.services.bench_session import session_close
from scheduling.services.lot_corrections import lot_source_correct
from scheduling.services.mixtures import lots_mix
from tests.factories import NOW, BookingSourceFactory
from tests.scheduling.device import Device
from tests.scheduling.test_bench import MINUTE, Bench
from tests.scheduling.test_bench_correct import LATER
from tests.scheduling.test_bench_second_doses import begun, second_day, split

pytestmark = pytest.mark.django_db

END = NOW + 30 * MINUTE


@pytest.fixture
def bench() -> Bench:
    """Her request accepts the other source as well."""
    one = Bench()
    BookingSourceFactory(booking=one.booking, source=one.other)
    return one


def other_first(bench: Bench) -> tuple[Dose, SemenLot]:
    """The first part of 4 µl, of the other source; the day closed."""
    lot = bench.lot(source=bench.other, tip="T2")
    dose = bench.dose(0, lot, 40, second_planned=True, override_reason="no drones came")
    session_close(bench.session, reason_for_rest="dried", by=bench.by, now=END)
    lot.refresh_from_db()
    return dose, lot


def told() -> list[Reminder]:
    return list(Reminder.objects.filter(kind="semen_news", state="wanted"))


def reserved(bench: Bench) -> dict[int, float]:
    [one] = reserved_for_seconds(bench.session.season).values()
    return dict(one.tenths)


def test_the_keeper_is_told_at_once_what_she_got_instead_and_why(bench: Bench) -> None:
    device = Device(bench)
    lot = str(device.tap("lot_open", source=bench.other.pk, tip="T2").id)
    device.tap("reading", lot=lot, volume=100, left=0)
    wanted: dict[str, Any] = {"place": bench.places[0].pk, "queen": bench.queens[0].pk, "lot": lot, "volume": 80}
    device.tap("dose", override_reason="no drones came", **wanted)
    device.send()
    [row] = told()
    assert (row.member, row.due_at, str(row.title)) == (
        bench.booking.member,
        NOW,
        f"{bench.queens[0]} got semen of another source",
    )
    assert f"{bench.other} in place of {bench.source}: no drones came" in str(row.why)


def test_nothing_is_told_of_what_was_planned(bench: Bench) -> None:
    bench.dose(0, bench.lot())
    assert told() == []


def test_nothing_stays_told_of_a_dose_taken_back(bench: Bench) -> None:
    dose = bench.dose(0, bench.lot(source=bench.other, tip="T2"), override_reason="no drones came")
    dose_undo(dose, by=bench.by, now=NOW + MINUTE)
    assert told() == []
    assert Reminder.objects.get(kind="semen_news").state == "superseded"


def test_a_lot_that_was_of_another_source_all_along_is_told_as_well(bench: Bench) -> None:
    lot = bench.lot()
    bench.dose(0, lot)
    session_close(bench.session, reason_for_rest="dried", by=bench.by, now=END)
    lot.refresh_from_db()
    lot_source_correct(lot, source=bench.other, reason="cages mixed up", by=bench.by, now=LATER)
    [row] = told()
    assert f"{bench.other} in place of {bench.source}: cages mixed up" in str(row.why)
    lot_source_correct(lot, source=bench.source, reason="they were not", by=bench.by, now=LATER + MINUTE)
    assert told() == []


def test_the_second_part_is_of_the_source_that_gave_the_first(bench: Bench) -> None:
    second = second_day(bench)
    other_first(bench)
    assert reserved(bench) == {bench.other.pk: 40.0}
    begun(second, bench)
    place = BenchPlace.objects.get(session=second, is_second=True)
    assert (place.source, place.batch_queen, place.state) == (bench.other, bench.queens[0], PlaceState.HELD)


def test_a_second_part_in_the_order_follows_a_correction_of_the_first(bench: Bench) -> None:
    second = second_day(bench)
    _dose, lot = other_first(bench)
    begun(second, bench)
    lot_source_correct(lot, source=bench.source, reason="cages mixed up", by=bench.by, now=LATER)
    assert BenchPlace.objects.get(session=second, is_second=True).source == bench.source


def test_a_first_part_corrected_to_another_lot_moves_what_is_reserved(bench: Bench) -> None:
    second_day(bench)
    other = bench.lot(source=bench.other, tip="T2")
    split(bench)
    assert reserved(bench) == {bench.source.pk: 40.0}
    place = BenchPlace.objects.select_related("session").get(pk=bench.places[0].pk)
    dose_correct(place, lot=other, volume_tenths=40, reason="the other syringe", by=bench.by, now=LATER)
    assert reserved(bench) == {bench.other.pk: 40.0}


def test_a_first_part_of_a_mixture_reserves_each_source_by_its_share(bench: Bench) -> None:
    second = second_day(bench)
    BenchPlace.objects.update(source=None)
    BookingSourceFactory(booking=bench.booking, source=bench.source)
    parts = {bench.lot(): 90, bench.lot(source=bench.other, tip="T2"): 30}
    mixture = lots_mix(bench.session, parts=parts, tip="M1", by=bench.by, now=NOW)
    bench.dose(0, mixture, 40, second_planned=True)
    session_close(bench.session, reason_for_rest="dried", by=bench.by, now=END)
    assert reserved(bench) == {bench.source.pk: 30.0, bench.other.pk: 10.0}
    begun(second, bench)
    assert BenchPlace.objects.get(session=second, is_second=True).source is None
    assert second.day == bench.session.day + dt.timedelta(days=2)
