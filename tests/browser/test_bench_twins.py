"""What the tablet works out by itself is what the server works out: the fold of the log, the chances of What now?"""

import json
import random
from collections.abc import Callable
from typing import Any

import pytest

from scheduling.models import BenchPlace
from scheduling.planning.bench_log import STEPS, UNDO, BenchState, Entry, reduce_log
from scheduling.planning.what_now import SourceNow, what_now
from scheduling.queries.bench_log import bench_state, ms_of
from scheduling.queries.what_now import what_now_of
from scheduling.services.bench_tablet import tablet_data
from scheduling.services.mixtures import lots_mix
from tests.browser.conftest import Switch
from tests.factories import NOW
from tests.scheduling.bench_rule_cases import CASES
from tests.scheduling.device import Device
from tests.scheduling.test_bench import Bench
from tests.scheduling.test_bench_pools import planned_pool, pooled

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

SEED = 20
CHANCES = """async (cases) => {
  const {whatNow} = await import("/static/js/bench/what-now.js");
  return cases.map(({sources, queens}) => whatNow(sources, queens));
}"""
RULES = """async (cases) => {
  const {Fold} = await import("/static/js/bench/reduce.js");
  const rules = await import("/static/js/bench/rules.js");
  const check = {
    lot_open: rules.refuseLot, tally: rules.refuseTally, mix: rules.refuseMix, tip: rules.refuseTip,
    reading: rules.refuseReading, take_out: rules.refuseTakeOut,
    dose: rules.refuseDose, give_on: rules.refuseGiveOn,
  };
  const [words, ul] = [(name) => name, (tenths) => `${tenths / 10} µl`];
  return cases.map(({data, taps}) => {
    const last = taps.pop();
    const fold = new Fold(data.state);
    for (const tap of taps) fold.add(tap);
    return check[last.kind]({state: fold.state, data, words, facts: last.facts, ul, now: last.at_ms});
  });
}"""
NOW_SOURCES = """async (data) => {
  const {sourcesNow} = await import("/static/js/bench/what-now.js");
  return sourcesNow(data.state, data);
}"""
FOLD = """async ({initial, logs}) => {
  const {reduceLog} = await import("/static/js/bench/reduce.js");
  return logs.map((log) => reduceLog(initial, log));
}"""


def test_tablet_and_server_give_the_same_chances(bench: Bench, tablet: Switch) -> None:
    one = tablet()
    chance = random.Random(SEED)
    cases: list[dict[str, Any]] = []
    for _ in range(40):
        sources = {
            name: {
                "left": chance.randrange(200),
                "usable": (usable := chance.randrange(40)),
                "tried": usable + chance.randrange(40),
                "drones_left": chance.randrange(200),
                "collected": chance.randrange(500),
                "share_mean": chance.uniform(0.1, 0.9),
                "share_kappa": chance.uniform(1, 60),
                "tenths_per_drone": chance.uniform(5, 20),
            }
            for name in "AB"
        }
        queens = [[str(number), chance.choice("AB"), chance.randrange(30, 120)] for number in range(15)]
        cases.append({"sources": sources, "queens": queens})
    for case, found in zip(cases, one.page.evaluate(CHANCES, cases), strict=True):
        wanted = what_now(
            {name: SourceNow(**facts) for name, facts in case["sources"].items()},
            [(queen, source, dose) for queen, source, dose in case["queens"]],
        )
        for queen, verdict in wanted.items():
            assert found[queen]["chance"] == pytest.approx(verdict.chance, abs=1e-9)
            assert found[queen]["fate"] == verdict.fate


def test_the_tablet_holds_the_rules_that_the_server_holds(bench: Bench, tablet: Switch) -> None:
    """The table of cases that `test_bench_rules` holds the services against."""
    one = tablet()
    cases = []
    for case in CASES:
        scene = Bench()
        device = Device(scene)
        case.scene(scene, device)
        scene.session.refresh_from_db()
        data = tablet_data(scene.session, device=None, person=scene.by, now=NOW)
        taps = [
            {
                "id": str(sent.id),
                "kind": sent.kind,
                "facts": sent.facts,
                "at_ms": ms_of(sent.device_at) + (sent.offset_ms or 0),
            }
            for sent in device.kept
        ]
        cases.append({"data": data, "taps": taps})
    found = one.page.evaluate(RULES, json.loads(json.dumps(cases, default=str)))
    said = {case.name: "".join(answer or {}) for case, answer in zip(CASES, found, strict=True)}
    assert said == {case.name: case.tablet for case in CASES}
    near = next(answer for case, answer in zip(CASES, found, strict=True) if "one_minute_less" in case.name)
    assert near["ask"].startswith("Her first CO2 ended 179 minutes before; nearer than 3 hours, two work as one.")


def test_tablet_and_server_see_the_same_of_each_source(bench: Bench, tablet: Switch) -> None:
    one = tablet()
    scenes: list[Callable[[Bench], object]] = [lambda scene: scene.lot(), pooled, lambda scene: mixed(scene)]

    def mixed(scene: Bench) -> None:
        BenchPlace.objects.filter(session=scene.session).update(source=None)
        planned_pool(scene)
        lots = {scene.lot(): 50, scene.lot(source=scene.other, tip="T2"): 60}
        lots_mix(scene.session, parts=lots, tip="M1", by=scene.by, now=NOW)

    for prepare in scenes:
        scene = Bench()
        prepare(scene)
        data = json.loads(json.dumps(tablet_data(scene.session, device=None, person=scene.by, now=NOW)))
        found = one.page.evaluate(NOW_SOURCES, data)
        known = {str(row.source.pk) if row.source else "mixed": row.now for row in what_now_of(scene.session).sources}
        names = ["left", "usable", "tried", "drones_left", "collected"]
        assert known
        for key, now in known.items():
            assert [found[key][name] for name in names] == [getattr(now, name) for name in names], key


def test_both_folds_say_the_same(bench: Bench, tablet: Switch) -> None:
    one = tablet()
    chance = random.Random(SEED)
    initial = bench_state(bench.session)
    logs = [random_log(chance, initial) for _ in range(60)]
    found = one.page.evaluate(FOLD, {"initial": initial, "logs": logs})
    for log, state in zip(logs, found, strict=True):
        for queen in state["queens"].values():
            queen.pop("given", None)
        for lot in state["lots"].values():
            lot.pop("sources")
        assert state == reduce_log(initial, log)


def random_log(chance: random.Random, initial: BenchState) -> list[Entry]:
    """A log of entries that a server could have taken, as far as a fold can tell."""
    log: list[Entry] = []
    lots: list[str] = []
    at_ms = ms_of(NOW)
    places, queens = [int(pk) for pk in initial["places"]], [int(pk) for pk in initial["queens"]]
    for number in range(40):
        kind = chance.choice(["lot_open", *STEPS]) if lots else "lot_open"
        one = f"e{number}"
        at_ms += chance.randrange(-500, 60_000)
        said: dict[str, dict[str, Any]] = {
            "lot_open": chance.choice(
                [
                    {"source": chance.choice([1, 2]), "tip": chance.choice("AB")},
                    {"source": None, "parts": [[1, chance.randrange(1, 40)], [2, 10]], "tip": chance.choice("PQ")},
                ]
            ),
            "tally": {"outcome": chance.choice(["usable", "none"]), "drones": chance.choice([1, 2])},
            "reading": {"volume": chance.randrange(300)},
            "take_out": {"what": chance.choice(["stored", "discarded", "lost"]), "volume": chance.randrange(1, 40)},
            "gas_on": {"queen": chance.choice(queens), "with_dose": chance.random() < 0.5},
            "gas_off": {"queen": chance.choice(queens)},
            "dose": {"place": chance.choice(places), "volume": chance.randrange(1, 100)},
            "aside": {"place": chance.choice(places), "lost": chance.random() < 0.5, "reason": "lame"},
            "back": {"place": chance.choice(places)},
            "mark": {"place": chance.choice(places), "queen": chance.choice(queens)},
            "give_on": {
                "place": chance.choice(places),
                "queen": chance.choice(queens),
                "before": chance.choice(queens),
            },
            "tip": {"tip": f"T{chance.randrange(9)}"},
            "mix": {
                "lots": [[lot, chance.randrange(1, 60)] for lot in chance.sample(lots, min(2, len(lots)))],
                "tip": "M",
            },
            "undo": {"of": chance.choice([entry["id"] for entry in log if entry["kind"] in UNDO] or [""])},
        }
        facts = said[kind]
        if kind == "undo" and not facts["of"]:
            continue
        if kind in {"tally", "reading", "take_out", "tip", "dose"}:
            facts["lot"] = chance.choice(lots)
        if kind in {"lot_open", "mix"}:
            lots.append(one)
        log.append({"id": one, "kind": kind, "facts": facts, "at_ms": at_ms})
    return log
