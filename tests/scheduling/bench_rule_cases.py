"""One table of cases for the rules of the bench: the services and the tablet are both held against it.

Each case sets the scene, taps on a tablet, and ends with the tap that is in question. `rule` is what the server's
refusal is called, empty where it takes the tap in; `tablet` what the tablet does before: nothing, `stop`, or `ask` for
a reason.
"""

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from scheduling.models import BatchQueen, BenchPlace, DroneSource, QueenBatch, SemenLot
from scheduling.services.bench_queens import bench_set_aside
from scheduling.services.lots import lot_open, lot_read
from scheduling.services.mixtures import lots_mix
from tests.factories import (
    NOW,
    BatchQueenFactory,
    BenchPlaceFactory,
    BenchSessionFactory,
    BookingSourceFactory,
    DroneSourceFactory,
)
from tests.scheduling.device import Device
from tests.scheduling.test_bench import Bench

HOUR = dt.timedelta(hours=1)
MINUTE = dt.timedelta(minutes=1)
LATER = NOW + 12 * HOUR  # when what was tapped reaches the server

Scene = Callable[[Bench, Device], object]


@dataclass(frozen=True)
class Case:
    name: str
    rule: str
    tablet: str
    scene: Scene


CASES: list[Case] = []


def case(rule: str = "", tablet: str = "") -> Callable[[Scene], Scene]:
    def kept(scene: Scene) -> Scene:
        CASES.append(Case(scene.__name__, rule, tablet, scene))
        return scene

    return kept


def dose(
    bench: Bench, device: Device, lot: str, *, volume: int | None = 80, at: dt.datetime = NOW, **more: Any
) -> None:
    facts: dict[str, Any] = {
        "place": bench.places[0].pk,
        "queen": bench.queens[0].pk,
        "lot": lot,
        "volume": volume,
        **more,
    }
    device.tap("dose", at=at, **facts)


def home(bench: Bench, at: dt.datetime | None) -> None:
    """The CO2 given at home to the whole batch."""
    QueenBatch.objects.filter(pk=bench.batch.pk).update(first_co2_at=at)


# Lots and tips


@case()
def a_lot_with_its_own_tip(bench: Bench, device: Device) -> None:
    device.tap("lot_open", source=bench.source.pk, tip="T1")


@case("tip_named", "stop")
def a_lot_without_a_tip(bench: Bench, device: Device) -> None:
    device.tap("lot_open", source=bench.source.pk, tip="")


@case("tip_of_other_source", "stop")
def a_lot_with_the_tip_of_another_source(bench: Bench, device: Device) -> None:
    device.lot()
    device.tap("lot_open", source=bench.other.pk, tip="t1")


@case("source_hold", "stop")
def a_lot_of_a_source_on_hold(bench: Bench, device: Device) -> None:
    bench.source.hold_since, bench.source.hold_reason = NOW.date(), "Chalky brood seen."
    bench.source.save()
    device.tap("lot_open", source=bench.source.pk, tip="T1")


@case("source_certificate", "stop")
def a_lot_of_a_source_whose_certificate_ran_out(bench: Bench, device: Device) -> None:
    bench.source.health_valid_until = NOW.date() - dt.timedelta(days=1)
    bench.source.save()
    device.tap("lot_open", source=bench.source.pk, tip="T1")


@case()
def a_clean_tip_for_an_earlier_lot(bench: Bench, device: Device) -> None:
    lot = device.lot()
    device.tap("lot_open", source=bench.other.pk, tip="T2")
    device.tap("tip", lot=lot, tip="T3")


@case("tip_of_other_source", "stop")
def a_tip_of_another_source_for_an_earlier_lot(bench: Bench, device: Device) -> None:
    lot = device.lot()
    device.tap("lot_open", source=bench.other.pk, tip="T2")
    device.tap("tip", lot=lot, tip="T2")


@case("tip_named", "stop")
def a_tip_without_a_name(bench: Bench, device: Device) -> None:
    device.tap("tip", lot=device.lot(), tip="")


# Pools: drones of several sources together


def pool(bench: Bench, device: Device, *, tip: str = "P1", drones: tuple[int, ...] = (30, 10)) -> str:
    parts = [[source.pk, n] for source, n in zip((bench.source, bench.other), drones, strict=False)]
    return str(device.tap("lot_open", source=None, parts=parts, tip=tip).id)


@case()
def a_pool_with_its_own_tip(bench: Bench, device: Device) -> None:
    device.lot()
    pool(bench, device)


@case("pool_of_two", "stop")
def a_pool_of_one_source(bench: Bench, device: Device) -> None:
    pool(bench, device, drones=(30,))


@case("source_hold", "stop")
def a_pool_with_a_source_on_hold(bench: Bench, device: Device) -> None:
    bench.other.hold_since, bench.other.hold_reason = NOW.date(), "Chalky brood seen."
    bench.other.save()
    pool(bench, device)


@case("tip_of_other_source", "stop")
def a_pool_with_the_tip_of_a_source(bench: Bench, device: Device) -> None:
    device.lot(tip="T1")
    pool(bench, device, tip="T1")


@case("tip_of_other_source", "stop")
def a_pool_with_the_tip_of_another_pool(bench: Bench, device: Device) -> None:
    pool(bench, device)
    pool(bench, device)


@case()
def a_dose_of_a_pool_where_the_plan_names_no_single_source(bench: Bench, device: Device) -> None:
    BenchPlace.objects.update(source=None)
    lot = pool(bench, device)
    device.tap("reading", lot=lot, volume=100, left=0)
    dose(bench, device, lot)


@case("lot_of_other_source", "stop")
def a_dose_of_a_pool_where_the_plan_names_a_source(bench: Bench, device: Device) -> None:
    lot = pool(bench, device)
    device.tap("reading", lot=lot, volume=100, left=0)
    dose(bench, device, lot)


@case("source_hold", "stop")
def a_dose_of_a_pool_of_which_a_source_came_under_hold(bench: Bench, device: Device) -> None:
    BenchPlace.objects.update(source=None)
    parts = {bench.source: 30, bench.other: 10}
    lot = lot_open(bench.session, parts=parts, tip="P1", by=bench.by, now=NOW)
    lot_read(lot, volume_tenths=100, by=bench.by, now=NOW)
    bench.other.hold_since, bench.other.hold_reason = NOW.date(), "Chalky brood seen."
    bench.other.save()
    dose(bench, device, str(lot.entry))


# Mixtures: several lots made one


def mix(
    bench: Bench,
    device: Device,
    *,
    tip: str = "M1",
    volumes: tuple[int, ...] = (100, 50),
    lots: list[str] | None = None,
) -> str:
    """Two lots of two sources, 20 µl each, and what of them is mixed."""
    if lots is None:
        lots = [device.lot(), str(device.tap("lot_open", source=bench.other.pk, tip="T2").id)]
        device.tap("reading", lot=lots[1], volume=200, left=0)
    parts = [[lot, volume] for lot, volume in zip(lots, volumes, strict=False)]
    return str(device.tap("mix", lots=parts, tip=tip).id)


def of_tables(bench: Bench) -> list[SemenLot]:
    return [bench.lot(), bench.lot(source=bench.other, tip="T2")]


@case()
def a_mixture_of_two_lots(bench: Bench, device: Device) -> None:
    mix(bench, device)


@case()
def a_mixture_of_a_mixture(bench: Bench, device: Device) -> None:
    first = mix(bench, device)
    mix(bench, device, tip="M2", lots=[first, str(device.kept[0].id)])


@case()
def a_dose_of_a_mixture_made_on_the_tablet(bench: Bench, device: Device) -> None:
    BenchPlace.objects.update(source=None)
    dose(bench, device, mix(bench, device))


@case("lot_holds_less", "stop")
def a_dose_above_what_was_mixed(bench: Bench, device: Device) -> None:
    BenchPlace.objects.update(source=None)
    dose(bench, device, mix(bench, device), volume=151)


@case("mixture_of_two", "stop")
def a_mixture_of_one_lot(bench: Bench, device: Device) -> None:
    mix(bench, device, volumes=(100,))


@case("tip_named", "stop")
def a_mixture_without_a_tip(bench: Bench, device: Device) -> None:
    mix(bench, device, tip="")


@case("tip_of_other_source", "stop")
def a_mixture_with_the_tip_of_one_of_its_lots(bench: Bench, device: Device) -> None:
    mix(bench, device, tip="t2")


@case("lot_holds_less", "stop")
def a_mixture_of_more_than_a_lot_holds(bench: Bench, device: Device) -> None:
    mix(bench, device, volumes=(201, 50))


@case("lot_holds_less", "stop")
def a_mixture_of_a_lot_with_nothing_left(bench: Bench, device: Device) -> None:
    mix(bench, device, volumes=(200, 50))
    mix(bench, device, tip="M2", lots=[str(one.id) for one in device.kept if one.kind == "lot_open"], volumes=(1, 1))


@case("source_hold", "stop")
def a_mixture_with_a_lot_whose_source_came_under_hold(bench: Bench, device: Device) -> None:
    lots = of_tables(bench)
    bench.other.hold_since, bench.other.hold_reason = NOW.date(), "Chalky brood seen."
    bench.other.save()
    mix(bench, device, lots=[str(lot.entry) for lot in lots])


@case("lot_too_old", "stop")
def a_mixture_with_a_lot_past_its_limit(bench: Bench, device: Device) -> None:
    lots = of_tables(bench)
    lots[0].opened_at = NOW - dt.timedelta(days=60)
    lots[0].save()
    mix(bench, device, lots=[str(lot.entry) for lot in lots])


@case("lot_ended", "stop")
def a_mixture_with_a_lot_that_is_used_up(bench: Bench, device: Device) -> None:
    lots = of_tables(bench)
    SemenLot.objects.filter(pk=lots[0].pk).update(state="used_up")
    mix(bench, device, lots=[str(lot.entry) for lot in lots])


@case("mixture_without_drones", "stop")
def a_drone_counted_to_a_mixture(bench: Bench, device: Device) -> None:
    device.tap("tally", lot=mix(bench, device), outcome="usable", drones=1)


@case("tip_of_other_source", "stop")
def a_dose_of_a_lot_through_the_tip_of_its_mixture(bench: Bench, device: Device) -> None:
    mix(bench, device)
    dose(bench, device, str(device.kept[0].id))


# Places that are planned with a mixture


def planned_mixture(bench: Bench) -> DroneSource:
    """Every place is planned with a mixture of both sources; the request accepts a third too. Gives back a fourth."""
    season = bench.session.season
    mixture = bench.places[0].plan.pools.create(session=bench.session, name="P1")
    for source in (bench.source, bench.other):
        mixture.parts.create(source=source, volume_tenths=120)
    BenchPlace.objects.update(source=None, pool=mixture)
    third, fourth = DroneSourceFactory(season=season), DroneSourceFactory(season=season)
    BookingSourceFactory(booking=bench.booking, source=third)
    return fourth


def opened(device: Device, source: DroneSource, tip: str) -> str:
    lot = str(device.tap("lot_open", source=source.pk, tip=tip).id)
    device.tap("reading", lot=lot, volume=200, left=0)
    return lot


@case()
def a_dose_of_the_mixture_that_was_planned(bench: Bench, device: Device) -> None:
    planned_mixture(bench)
    dose(bench, device, mix(bench, device))


@case()
def a_dose_of_a_pool_of_the_sources_that_were_planned(bench: Bench, device: Device) -> None:
    planned_mixture(bench)
    lot = pool(bench, device)
    device.tap("reading", lot=lot, volume=200, left=0)
    dose(bench, device, lot)


@case("other_source", "ask")
def a_dose_of_one_source_where_a_mixture_was_planned(bench: Bench, device: Device) -> None:
    planned_mixture(bench)
    dose(bench, device, device.lot())


@case()
def a_dose_of_one_source_where_a_mixture_was_planned_for_a_reason(bench: Bench, device: Device) -> None:
    planned_mixture(bench)
    dose(bench, device, device.lot(), override_reason="no drones of the other came")


@case("other_source", "ask")
def a_dose_of_a_mixture_with_a_source_accepted_besides(bench: Bench, device: Device) -> None:
    planned_mixture(bench)
    third = bench.booking.accepted.get().source
    dose(bench, device, mix(bench, device, lots=[device.lot(), opened(device, third, "T3")]))


@case("lot_of_other_source", "stop")
def a_dose_of_a_mixture_with_a_source_she_does_not_accept(bench: Bench, device: Device) -> None:
    fourth = planned_mixture(bench)
    made = mix(bench, device, lots=[device.lot(), opened(device, fourth, "T4")])
    dose(bench, device, made, override_reason="no drones came")


@case("lot_of_other_source", "stop")
def a_dose_of_one_source_she_does_not_accept_where_a_mixture_was_planned(bench: Bench, device: Device) -> None:
    fourth = planned_mixture(bench)
    dose(bench, device, opened(device, fourth, "T4"), override_reason="no drones came")


@case("lot_of_other_source", "stop")
def a_dose_of_a_mixture_on_the_tables_with_a_source_she_does_not_accept(bench: Bench, device: Device) -> None:
    fourth = planned_mixture(bench)
    parts = {bench.lot(): 50, bench.lot(source=fourth, tip="T4"): 50}
    made = lots_mix(bench.session, parts=parts, tip="M1", by=bench.by, now=NOW)
    dose(bench, device, str(made.entry), override_reason="no drones came")


@case("lot_of_other_source", "stop")
def a_dose_of_a_mixture_where_one_source_was_planned(bench: Bench, device: Device) -> None:
    dose(bench, device, mix(bench, device), override_reason="as it is there")


# Tips once more: what a tip has touched, and mixtures, each a source of its own


@case("tip_of_other_source", "stop")
def a_lot_with_a_tip_that_went_to_another_source_later(bench: Bench, device: Device) -> None:
    device.tap("tip", lot=device.lot(), tip="T3")
    device.tap("lot_open", source=bench.other.pk, tip="t3")


@case()
def a_lot_with_the_name_of_a_tip_of_an_earlier_day(bench: Bench, device: Device) -> None:
    before = BenchSessionFactory(season=bench.session.season, bench=bench.session.bench, day=dt.date(2026, 6, 8))
    SemenLot.objects.create(session=before, source=bench.other, label="S", tip="T1", opened_at=NOW, state="stored")
    device.tap("lot_open", source=bench.source.pk, tip="T1")


@case("tip_of_other_source", "stop")
def a_pool_with_a_tip_that_went_to_a_source_later(bench: Bench, device: Device) -> None:
    device.tap("tip", lot=device.lot(), tip="T3")
    pool(bench, device, tip="T3")


def mixtures(bench: Bench) -> tuple[str, str]:
    """Two mixtures of the same two lots; the tip in the holder has touched the second."""
    BenchPlace.objects.update(source=None)
    parts = {bench.lot(): 50, bench.lot(source=bench.other, tip="T2"): 50}
    first, second = (lots_mix(bench.session, parts=parts, tip=tip, by=bench.by, now=NOW) for tip in ("M1", "M2"))
    return str(first.entry), str(second.entry)


@case()
def a_dose_of_the_mixture_whose_tip_is_in_the_holder(bench: Bench, device: Device) -> None:
    _first, second = mixtures(bench)
    dose(bench, device, second)


@case("tip_of_other_source", "stop")
def a_dose_through_the_tip_of_another_mixture(bench: Bench, device: Device) -> None:
    first, _second = mixtures(bench)
    dose(bench, device, first)


@case()
def a_dose_of_a_mixture_through_a_new_tip_of_its_own(bench: Bench, device: Device) -> None:
    first, _second = mixtures(bench)
    device.tap("tip", lot=first, tip="M3")
    dose(bench, device, first)


@case()
def a_mixture_back_at_its_own_tip(bench: Bench, device: Device) -> None:
    first, _second = mixtures(bench)
    device.tap("tip", lot=first, tip="M1")
    dose(bench, device, first)


@case("tip_of_other_source", "stop")
def a_mixture_with_the_tip_of_another_mixture(bench: Bench, device: Device) -> None:
    first, _second = mixtures(bench)
    device.tap("tip", lot=first, tip="m2")


@case("tip_of_other_source", "stop")
def a_dose_of_a_mixture_through_the_tip_of_a_source(bench: Bench, device: Device) -> None:
    _first, second = mixtures(bench)
    device.tap("lot_open", source=bench.source.pk, tip="T4")
    dose(bench, device, second)


@case("tip_of_other_source", "stop")
def a_dose_of_a_source_through_the_tip_of_a_mixture(bench: Bench, device: Device) -> None:
    BenchPlace.objects.filter(pk=bench.places[0].pk).update(source=bench.source)
    mixtures(bench)
    dose(bench, device, str(SemenLot.objects.get(source=bench.source).entry))


@case("tip_of_other_source", "stop")
def a_dose_of_a_pool_through_the_tip_of_another_pool(bench: Bench, device: Device) -> None:
    BenchPlace.objects.update(source=None)
    first = pool(bench, device, tip="P1")
    device.tap("reading", lot=first, volume=100, left=0)
    pool(bench, device, tip="P2")
    dose(bench, device, first)


# Volumes


@case()
def a_reading_above_the_record(bench: Bench, device: Device) -> None:
    device.tap("reading", lot=device.lot(tenths=200), volume=260, left=200)


@case("reading_below_record", "stop")
def a_reading_below_the_record(bench: Bench, device: Device) -> None:
    device.tap("reading", lot=device.lot(tenths=200), volume=150, left=200)


@case("unreadable", "stop")
def a_reading_that_is_no_volume(bench: Bench, device: Device) -> None:
    device.tap("reading", lot=device.lot(), volume=None, left=200)


@case()
def semen_thrown_away_with_its_reason(bench: Bench, device: Device) -> None:
    device.tap("take_out", lot=device.lot(tenths=200), what="discarded", volume=200, reason="uneven")


@case("movement_says_why", "stop")
def semen_thrown_away_without_a_reason(bench: Bench, device: Device) -> None:
    device.tap("take_out", lot=device.lot(), what="lost", volume=20, reason="")


@case("lot_holds_less", "stop")
def more_taken_out_than_the_lot_holds(bench: Bench, device: Device) -> None:
    device.tap("take_out", lot=device.lot(tenths=200), what="stored", volume=201, reason="Cupboard")


@case("lot_holds_less", "stop")
def what_is_stored_is_not_stored_again(bench: Bench, device: Device) -> None:
    lot = device.lot(tenths=200)
    device.tap("take_out", lot=lot, what="stored", volume=150, reason="Cupboard")
    device.tap("take_out", lot=lot, what="stored", volume=60, reason="Cupboard")


@case()
def what_is_stored_can_be_thrown_away(bench: Bench, device: Device) -> None:
    lot = device.lot(tenths=200)
    device.tap("take_out", lot=lot, what="stored", volume=150, reason="Cupboard")
    device.tap("take_out", lot=lot, what="discarded", volume=150, reason="dried")


# The dose


@case()
def a_dose_as_planned(bench: Bench, device: Device) -> None:
    dose(bench, device, device.lot())


@case("place_not_held", "stop")
def a_second_dose_that_nobody_said_expressly(bench: Bench, device: Device) -> None:
    lot = device.lot()
    dose(bench, device, lot)
    dose(bench, device, lot, volume=40)


@case()
def more_for_the_same_queen_said_expressly(bench: Bench, device: Device) -> None:
    lot = device.lot()
    dose(bench, device, lot)
    dose(bench, device, lot, volume=40, more=True)


@case("place_without_queen", "stop")
def a_dose_for_a_place_without_a_queen(bench: Bench, device: Device) -> None:
    BenchPlace.objects.filter(pk=bench.places[0].pk).update(batch_queen=None)
    device.tap("dose", place=bench.places[0].pk, lot=device.lot(), volume=80)


@case("place_not_held", "stop")
def a_dose_for_a_queen_set_aside(bench: Bench, device: Device) -> None:
    bench_set_aside(bench.places[0], reason="lame", lost=False, by=bench.by, now=NOW)
    dose(bench, device, device.lot())


@case("lot_of_other_source", "stop")
def a_dose_of_another_source_than_planned(bench: Bench, device: Device) -> None:
    lot = str(device.tap("lot_open", source=bench.other.pk, tip="T2").id)
    device.tap("reading", lot=lot, volume=100, left=0)
    dose(bench, device, lot)


def other_lot(bench: Bench, device: Device, **accepted: Any) -> str:
    """A lot of a source that the place is not planned with and her request accepts, as it was shown then."""
    BookingSourceFactory(booking=bench.booking, source=bench.other, **accepted)
    lot = str(device.tap("lot_open", source=bench.other.pk, tip="T2").id)
    device.tap("reading", lot=lot, volume=100, left=0)
    return lot


@case("other_source", "ask")
def a_dose_of_another_source_that_her_request_accepts(bench: Bench, device: Device) -> None:
    dose(bench, device, other_lot(bench, device))


@case()
def a_dose_of_another_accepted_source_for_a_reason(bench: Bench, device: Device) -> None:
    lot = other_lot(bench, device, inbreeding=0.01, viability=0.95)
    dose(bench, device, lot, override_reason="no drones came")


@case("lot_of_other_source", "stop")
def a_dose_of_an_accepted_source_over_the_limit_of_inbreeding(bench: Bench, device: Device) -> None:
    dose(bench, device, other_lot(bench, device, inbreeding=0.3), override_reason="no drones came")


@case("lot_of_other_source", "stop")
def a_dose_of_an_accepted_source_whose_brood_would_not_live(bench: Bench, device: Device) -> None:
    dose(bench, device, other_lot(bench, device, viability=0.5), override_reason="no drones came")


@case("lot_of_other_source", "stop")
def a_dose_of_a_source_she_does_not_accept_whatever_the_reason(bench: Bench, device: Device) -> None:
    lot = str(device.tap("lot_open", source=bench.other.pk, tip="T2").id)
    device.tap("reading", lot=lot, volume=100, left=0)
    dose(bench, device, lot, override_reason="no drones came")


@case("source_hold", "stop")
def a_dose_of_an_accepted_source_under_hold(bench: Bench, device: Device) -> None:
    BookingSourceFactory(booking=bench.booking, source=bench.other)
    lot = bench.lot(source=bench.other, tip="T2")
    bench.other.hold_since, bench.other.hold_reason = NOW.date(), "Chalky brood seen."
    bench.other.save()
    dose(bench, device, str(lot.entry), override_reason="no drones came")


@case("source_hold", "stop")
def a_dose_of_a_lot_whose_source_came_under_hold(bench: Bench, device: Device) -> None:
    lot = bench.lot()
    bench.source.hold_since, bench.source.hold_reason = NOW.date(), "Chalky brood seen."
    bench.source.save()
    dose(bench, device, str(lot.entry))


@case("lot_too_old", "stop")
def a_dose_of_a_lot_past_its_limit(bench: Bench, device: Device) -> None:
    lot = bench.lot()
    lot.opened_at = NOW - dt.timedelta(days=60)
    lot.save()
    dose(bench, device, str(lot.entry))


@case("tip_of_other_source", "stop")
def a_dose_through_a_tip_that_touched_another_source(bench: Bench, device: Device) -> None:
    lot = device.lot()
    device.tap("lot_open", source=bench.other.pk, tip="T2")
    dose(bench, device, lot)


@case("unreadable", "stop")
def a_dose_that_is_no_volume(bench: Bench, device: Device) -> None:
    dose(bench, device, device.lot(), volume=None)


@case("dose_positive", "stop")
def a_dose_of_nothing(bench: Bench, device: Device) -> None:
    dose(bench, device, device.lot(), volume=0)


@case("lot_holds_less", "stop")
def a_dose_above_what_the_lot_holds(bench: Bench, device: Device) -> None:
    dose(bench, device, device.lot(tenths=60))


@case("dose_limit", "ask")
def a_dose_above_the_limit(bench: Bench, device: Device) -> None:
    dose(bench, device, device.lot(), volume=181)


@case()
def a_dose_at_the_limit(bench: Bench, device: Device) -> None:
    dose(bench, device, device.lot(), volume=180)


@case()
def a_dose_above_the_limit_with_a_reason(bench: Bench, device: Device) -> None:
    dose(bench, device, device.lot(), volume=190, override_reason="asked for")


@case("dose_limit", "ask")
def two_doses_of_one_day_above_the_limit_together(bench: Bench, device: Device) -> None:
    lot = device.lot(tenths=300)
    dose(bench, device, lot, volume=100)
    dose(bench, device, lot, volume=81, more=True)


@case("queen_age", "ask")
def a_dose_for_a_queen_outside_her_window(bench: Bench, device: Device) -> None:
    bench.queens[0].queen.emerged_on = dt.date(2026, 5, 20)
    bench.queens[0].queen.save()
    dose(bench, device, device.lot())


# A place whose queen was set aside or lost


def given_on(bench: Bench, device: Device, *, to: BatchQueen, place: int = 0) -> None:
    gave_up = bench.queens[place].pk
    device.tap("give_on", place=bench.places[place].pk, queen=to.pk, before=gave_up)


def aside(bench: Bench, device: Device, *, lost: bool = False) -> BatchQueen:
    """The queen on the first place is set aside; a fourth virgin of the batch waits without a place."""
    device.tap("aside", place=bench.places[0].pk, lost=lost, reason="lame")
    return BatchQueenFactory(batch=bench.batch, number=4, queen__emerged_on=dt.date(2026, 6, 1), queen__birth_year=2026)


@case()
def a_place_given_up_goes_to_a_sister(bench: Bench, device: Device) -> None:
    given_on(bench, device, to=aside(bench, device))


@case()
def a_sister_is_dosed_on_a_place_that_went_on(bench: Bench, device: Device) -> None:
    sister = aside(bench, device, lost=True)
    given_on(bench, device, to=sister)
    device.tap("dose", place=bench.places[0].pk, queen=sister.pk, lot=device.lot(), volume=80)


@case("place_not_given_up", "stop")
def a_place_whose_queen_waits_does_not_go_on(bench: Bench, device: Device) -> None:
    sister = aside(bench, device)
    given_on(bench, device, to=sister, place=1)


@case("queen_has_place", "stop")
def a_place_does_not_go_to_a_queen_who_has_one(bench: Bench, device: Device) -> None:
    aside(bench, device)
    given_on(bench, device, to=bench.queens[1])


@case("queen_has_place", "stop")
def a_place_does_not_go_to_a_queen_with_a_place_on_another_day(bench: Bench, device: Device) -> None:
    sister = aside(bench, device)
    later = BenchSessionFactory(season=bench.session.season, bench=bench.session.bench, day=dt.date(2026, 6, 11))
    plan = bench.places[0].plan
    BenchPlaceFactory(session=later, plan=plan, booking=bench.booking, batch_queen=sister, source=bench.source)
    given_on(bench, device, to=sister)


@case("queen_dealt_with", "stop")
def a_place_does_not_go_to_a_queen_set_aside(bench: Bench, device: Device) -> None:
    aside(bench, device)
    given_on(bench, device, to=bench.queens[0])


# The first CO2: 3 hours before the dose at least (the season's setting), and not before the second day ahead.


@case("first_co2_missing", "ask")
def no_first_co2_on_record(bench: Bench, device: Device) -> None:
    home(bench, None)
    dose(bench, device, device.lot())


@case()
def no_first_co2_where_the_other_comes_the_day_after(bench: Bench, device: Device) -> None:
    home(bench, None)
    BenchPlace.objects.update(co2_before=False)
    dose(bench, device, device.lot())


@case()
def no_first_co2_before_the_second_part_of_a_split_dose(bench: Bench, device: Device) -> None:
    """The gas at the first part is the first of the pair: 48 h where both come with a dose."""
    home(bench, None)
    BenchPlace.objects.update(is_second=True)
    dose(bench, device, device.lot())


@case("first_co2_too_near", "ask")
def a_first_co2_one_minute_less_than_three_hours_before(bench: Bench, device: Device) -> None:
    home(bench, NOW - 3 * HOUR + MINUTE)
    dose(bench, device, device.lot())


@case()
def a_first_co2_three_hours_before(bench: Bench, device: Device) -> None:
    home(bench, NOW - 3 * HOUR)
    dose(bench, device, device.lot())


@case()
def a_first_co2_too_near_for_a_reason(bench: Bench, device: Device) -> None:
    home(bench, NOW - HOUR)
    dose(bench, device, device.lot(), override_reason="second one tomorrow")


@case()
def a_first_co2_too_near_beside_one_the_day_before(bench: Bench, device: Device) -> None:
    device.tap("gas_on", queen=bench.queens[0].pk, with_dose=False, at=NOW - HOUR)
    device.tap("gas_off", queen=bench.queens[0].pk, at=NOW - 57 * MINUTE)
    dose(bench, device, device.lot())


@case("first_co2_too_near", "ask")
def a_first_co2_given_at_the_bench_an_hour_before(bench: Bench, device: Device) -> None:
    home(bench, None)
    device.tap("gas_on", queen=bench.queens[0].pk, with_dose=False, at=NOW)
    device.tap("gas_off", queen=bench.queens[0].pk, at=NOW + 3 * MINUTE)
    dose(bench, device, device.lot(), at=NOW + HOUR)


@case()
def a_first_co2_given_at_the_bench_in_the_morning(bench: Bench, device: Device) -> None:
    home(bench, None)
    device.tap("gas_on", queen=bench.queens[0].pk, with_dose=False, at=NOW)
    device.tap("gas_off", queen=bench.queens[0].pk, at=NOW + 3 * MINUTE)
    dose(bench, device, device.lot(), at=NOW + 3 * HOUR + 3 * MINUTE)


@case()
def a_gas_at_the_bench_by_a_clock_that_is_wrong_counts_from_the_real_time(bench: Bench, device: Device) -> None:
    home(bench, None)
    day = 24 * 3_600_000
    device.tap("gas_on", queen=bench.queens[0].pk, with_dose=False, at=NOW - 24 * HOUR, offset_ms=day)
    device.tap("gas_off", queen=bench.queens[0].pk, at=NOW - 24 * HOUR + 3 * MINUTE, offset_ms=day)
    dose(bench, device, device.lot(), at=NOW + 4 * HOUR)


@case("first_co2_missing", "ask")
def the_gas_of_the_insemination_is_no_first_co2(bench: Bench, device: Device) -> None:
    home(bench, None)
    device.tap("gas_on", queen=bench.queens[0].pk, with_dose=True, at=NOW)
    device.tap("gas_off", queen=bench.queens[0].pk, at=NOW + 3 * MINUTE)
    dose(bench, device, device.lot(), at=NOW + 4 * HOUR)


@case()
def a_first_co2_early_on_the_second_day_before(bench: Bench, device: Device) -> None:
    home(bench, dt.datetime(2026, 6, 6, 22, 0, tzinfo=dt.UTC))  # midnight in Berlin: 7 June begins
    dose(bench, device, device.lot())


@case("first_co2_too_early", "ask")
def a_first_co2_on_the_third_day_before(bench: Bench, device: Device) -> None:
    home(bench, dt.datetime(2026, 6, 6, 21, 59, tzinfo=dt.UTC))
    dose(bench, device, device.lot())
