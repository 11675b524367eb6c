"""The rules of the bench as the server holds them, by the table that the tablet is held against as well."""

import pytest

from breeding.models import Mating
from scheduling.models import Dose, SeasonSetting
from scheduling.queries.bench_log import bench_state
from scheduling.queries.kinship import matings_done
from scheduling.services.bench_session import session_close
from tests.factories import NOW
from tests.scheduling.bench_rule_cases import CASES, HOUR, LATER, Case, dose, home, other_lot
from tests.scheduling.device import Device, assert_server_is_log
from tests.scheduling.test_bench import Bench

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_server_holds_the_rule(case: Case) -> None:
    bench = Bench()
    device = Device(bench)
    case.scene(bench, device)
    bench.session.refresh_from_db()
    before = bench_state(bench.session)
    *_scene, last = device.send(now=LATER)
    assert (last.rule, last.state) == (case.rule, "look" if case.rule else "taken")
    assert_server_is_log(bench.session, before)


def test_a_first_co2_too_near_is_said_with_its_minutes_and_kept_with_the_reason() -> None:
    bench = Bench()
    home(bench, NOW - HOUR)
    device = Device(bench)
    dose(bench, device, device.lot())
    assert device.send()[-1].words == (
        "Her first CO2 ended 60 minutes before; nearer than 3 hours, two work as one. "
        "Plan another one for tomorrow. Give it all the same? Then say why; it stays on record with your name."
    )
    dose(bench, device, str(device.kept[0].id), override_reason="another one tomorrow")
    assert device.send()[-1].state == "taken"
    assert Dose.objects.get().override_reason == "first_co2_too_near: another one tomorrow"


def test_the_shortest_spacing_is_the_seasons_own() -> None:
    bench = Bench()
    SeasonSetting.objects.create(season=bench.session.season, key="co2_pair_min_hours", value=6, changed_at=NOW)
    home(bench, NOW - 5 * HOUR)
    device = Device(bench)
    dose(bench, device, device.lot())
    assert device.send()[-1].rule == "first_co2_too_near"


def test_another_accepted_source_is_given_for_a_reason_and_stands_in_mating_and_kinship() -> None:
    bench = Bench()
    device = Device(bench)
    lot = other_lot(bench, device)
    dose(bench, device, lot)
    dose(bench, device, lot, override_reason="no drones came")
    asked, taken = device.send()[-2:]
    assert asked.words == (
        f"This place is planned with {bench.source}, the lot is of {bench.other}. "
        "Give it all the same? Then say why; it stays on record with your name."
    )
    given = Dose.objects.get()
    assert (taken.state, given.override_reason, given.override_by) == (
        "taken",
        "other_source: no drones came",
        bench.by,
    )
    session_close(bench.session, reason_for_rest="dried", by=bench.by, now=LATER)
    shares = Mating.objects.get(queen=bench.queens[0].queen).shares.values_list("drone_queen", flat=True)
    assert list(shares) == [bench.other.drone_queen_id]
    mother, drone_queen = bench.batch.mother_id, bench.other.drone_queen_id
    assert matings_done(bench.session.season) == [(mother, drone_queen, 1.0, 80.0)]


def test_a_request_that_accepts_no_other_source_says_what_it_accepts() -> None:
    bench = Bench()
    device = Device(bench)
    lot = str(device.tap("lot_open", source=bench.other.pk, tip="T2").id)
    device.tap("reading", lot=lot, volume=100, left=0)
    dose(bench, device, lot, override_reason="no drones came")
    assert device.send()[-1].words == (
        f"Her request accepts {bench.source}, the lot is of {bench.other}. Take another lot, or set her aside."
    )


def test_every_rule_that_a_reason_sets_aside_is_named() -> None:
    bench = Bench()
    home(bench, None)
    device = Device(bench)
    dose(bench, device, other_lot(bench, device))
    words = device.send()[-1].words
    assert words.index("is planned with") < words.index("first CO2 is not on record") < words.index("Give it all")
