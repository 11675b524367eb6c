"""What a session's log says: the state of the bench, folded from its entries one by one.

The services at the bench are the rules: they decide whether an entry is taken. This fold is the bookkeeping beside
them: it knows no refusal, and from the entries that were taken, in the order in which they were, it gives the same
tallies, volumes and states as the tables. `static/js/bench/reduce.js` is its twin on the tablet; both fold the same
logs in the tests. Plain dicts that are JSON as they stand; volumes in whole tenths of a microlitre, moments in
milliseconds since 1970.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any, TypedDict

OUTCOMES = ("usable", "none", "immature", "broke", "soiled", "mucus")
AWAY = ("set_aside", "lost")
LEAST_GAS_MS = 1000  # as the services have it: a clock that went back loses no tap


class Tip(TypedDict):
    """In the holder. Without a source it has touched a pool or a mixture: then `lot` says which."""

    name: str
    source: int | None
    lot: str | None


class LotState(TypedDict):
    """`tips`: names of those that have touched it at this session; `pooled`: drones its pool was put together of."""

    source: int | None
    tips: list[str]
    pooled: int
    state: str
    tally: dict[str, int]
    collected: int
    mixed_in: int
    dosed: int
    mixed_out: int
    stored: int
    discarded: int
    lost: int


class PlaceState(TypedDict):
    queen: str | None
    state: str
    doses: int
    second: bool


class QueenState(TypedDict):
    state: str
    reason: str
    doses: int
    co2_ended: list[int]
    gas_since: int | None
    gas_with_dose: bool


class BenchState(TypedDict):
    """Lots by the id of the entry that opened them, places and virgins by their numbers as text."""

    tip: Tip
    lots: dict[str, LotState]
    places: dict[str, PlaceState]
    queens: dict[str, QueenState]


class Entry(TypedDict):
    id: str
    kind: str
    facts: dict[str, Any]
    at_ms: int


class _Tap(TypedDict):
    kind: str
    facts: dict[str, Any]
    at_ms: int
    moved: int
    undone: bool


Taps = dict[str, _Tap]


def lot_new(*, source: int | None, tips: Iterable[str], pooled: int = 0) -> LotState:
    return {
        "source": source,
        "tips": sorted(set(tips)),
        "pooled": pooled,
        "state": "open",
        "tally": {},
        "collected": 0,
        "mixed_in": 0,
        "dosed": 0,
        "mixed_out": 0,
        "stored": 0,
        "discarded": 0,
        "lost": 0,
    }


def lot_left(lot: LotState) -> int:
    """What the lot should still hold by the record, stored semen with it. [0.1 µl]"""
    used = lot["dosed"] + lot["mixed_out"] + lot["discarded"] + lot["lost"]
    return lot["collected"] + lot["mixed_in"] - used


def reduce_log(state: BenchState, entries: Iterable[Entry]) -> BenchState:
    """Fold entries that were taken into a state.

    Parameters
    ----------
    state : BenchState
        As it was before the first entry; it is not changed.
    entries : iterable of Entry
        In the order in which they were taken. An id that comes twice counts once.

    Returns
    -------
    BenchState

    Raises
    ------
    KeyError
        When an entry names a kind, lot, place or virgin that is not there: such an entry was never taken.
    """
    state = _copied(state)
    taps: Taps = {}
    for entry in entries:
        if entry["id"] in taps:
            continue
        tap: _Tap = {
            "kind": entry["kind"],
            "facts": entry["facts"],
            "at_ms": entry["at_ms"],
            "moved": 0,
            "undone": False,
        }
        STEPS[entry["kind"]](state, entry["id"], tap, taps)
        taps[entry["id"]] = tap
    return state


def _copied(state: BenchState) -> BenchState:
    return {
        "tip": {**state["tip"]},
        "lots": {key: {**lot, "tips": [*lot["tips"]], "tally": {**lot["tally"]}} for key, lot in state["lots"].items()},
        "places": {key: {**place} for key, place in state["places"].items()},
        "queens": {key: {**queen, "co2_ended": [*queen["co2_ended"]]} for key, queen in state["queens"].items()},
    }


def _lot_open(state: BenchState, entry: str, tap: _Tap, taps: Taps) -> None:
    facts = tap["facts"]
    pooled = sum(drones for _source, drones in facts.get("parts") or [])
    state["lots"][entry] = lot_new(source=facts["source"], tips=[facts["tip"]], pooled=pooled)
    _in_holder(state, entry, facts["tip"])


def _in_holder(state: BenchState, lot: str, tip: str) -> None:
    source = state["lots"][lot]["source"]
    state["tip"] = {"name": tip, "source": source, "lot": lot if source is None else None}


def _tally(state: BenchState, entry: str, tap: _Tap, taps: Taps) -> None:
    _add_tally(state, tap["facts"], 1)


def _add_tally(state: BenchState, facts: Mapping[str, Any], sign: int) -> None:
    tally = state["lots"][facts["lot"]]["tally"]
    drones = tally.get(facts["outcome"], 0) + sign * facts["drones"]
    if drones:
        tally[facts["outcome"]] = drones
    else:
        tally.pop(facts["outcome"], None)


def _reading(state: BenchState, entry: str, tap: _Tap, taps: Taps) -> None:
    lot = state["lots"][tap["facts"]["lot"]]
    tap["moved"] = max(0, tap["facts"]["volume"] - lot_left(lot))
    lot["collected"] += tap["moved"]


def _take_out(state: BenchState, entry: str, tap: _Tap, taps: Taps) -> None:
    facts = tap["facts"]
    lot = state["lots"][facts["lot"]]
    _add_out(lot, facts["what"], facts["volume"])
    if facts["what"] == "stored":
        lot["state"] = "stored"
    elif lot["state"] == "stored" and not lot_left(lot):
        lot["state"] = "discarded"


def _add_out(lot: LotState, what: str, volume: int) -> None:
    if what == "stored":
        lot["stored"] += volume
    elif what == "discarded":
        lot["discarded"] += volume
    else:
        lot["lost"] += volume


def _mix(state: BenchState, entry: str, tap: _Tap, taps: Taps) -> None:
    facts = tap["facts"]
    mixture = lot_new(source=None, tips=[facts["tip"]])
    for lot, volume in facts["lots"]:
        state["lots"][lot]["mixed_out"] += volume
        mixture["mixed_in"] += volume
    state["lots"][entry] = mixture
    tap["facts"] = {**facts, "mixture": entry}
    _in_holder(state, entry, facts["tip"])


def _tip(state: BenchState, entry: str, tap: _Tap, taps: Taps) -> None:
    lot, tip = tap["facts"]["lot"], tap["facts"]["tip"]
    state["lots"][lot]["tips"] = sorted({*state["lots"][lot]["tips"], tip})
    _in_holder(state, lot, tip)


def _gas_on(state: BenchState, entry: str, tap: _Tap, taps: Taps) -> None:
    queen = state["queens"][str(tap["facts"]["queen"])]
    if queen["gas_since"] is not None:
        return
    queen["gas_since"], queen["gas_with_dose"] = tap["at_ms"], tap["facts"]["with_dose"]
    if tap["facts"]["with_dose"] and queen["state"] in {"waiting", "first_co2"}:
        queen["state"] = "on_hook"


def _gas_off(state: BenchState, entry: str, tap: _Tap, taps: Taps) -> None:
    queen = state["queens"][str(tap["facts"]["queen"])]
    if queen["gas_since"] is None:
        return
    if not queen["gas_with_dose"]:
        queen["co2_ended"].append(max(tap["at_ms"], queen["gas_since"] + LEAST_GAS_MS))
        queen["co2_ended"].sort()
        queen["state"] = "second_co2" if queen["state"] == "inseminated" else "first_co2"
    queen["gas_since"], queen["gas_with_dose"] = None, False


def _dose(state: BenchState, entry: str, tap: _Tap, taps: Taps) -> None:
    place = state["places"][str(tap["facts"]["place"])]
    queen = state["queens"][str(place["queen"])]
    tap["facts"] = {**tap["facts"], "queen": place["queen"]}
    state["lots"][tap["facts"]["lot"]]["dosed"] += tap["facts"]["volume"]
    place["state"] = "done"
    queen["state"] = "inseminated"
    queen["doses"] += 1
    place["doses"] += 1


def _aside(state: BenchState, entry: str, tap: _Tap, taps: Taps) -> None:
    place = state["places"][str(tap["facts"]["place"])]
    queen = state["queens"][str(place["queen"])]
    queen["state"] = "lost" if tap["facts"]["lost"] else "set_aside"
    queen["reason"] = tap["facts"]["reason"]
    if not place["doses"]:
        place["state"] = "not_used"


def _back(state: BenchState, entry: str, tap: _Tap, taps: Taps) -> None:
    _take_back(state, str(tap["facts"]["place"]))


def _take_back(state: BenchState, place_id: str) -> None:
    place = state["places"][place_id]
    queen = state["queens"][str(place["queen"])]
    if queen["state"] in AWAY:
        queen["state"] = "inseminated" if queen["doses"] else "waiting"
        queen["reason"] = ""
        place["state"] = "done" if place["doses"] else "held"


def _mark(state: BenchState, entry: str, tap: _Tap, taps: Taps) -> None:
    place = state["places"][str(tap["facts"]["place"])]
    wanted = str(tap["facts"]["queen"])
    if place["queen"] == wanted:
        return
    for other in state["places"].values():
        if other["queen"] == wanted and other["state"] == "held":
            other["queen"] = place["queen"]
    place["queen"] = wanted


def _give_on(state: BenchState, entry: str, tap: _Tap, taps: Taps) -> None:
    place = state["places"][str(tap["facts"]["place"])]
    place["queen"], place["state"] = str(tap["facts"]["queen"]), "held"


def _undo(state: BenchState, entry: str, tap: _Tap, taps: Taps) -> None:
    of = taps[tap["facts"]["of"]]
    if of["undone"]:
        return
    of["undone"] = True
    UNDO[of["kind"]](state, of)


def _undo_tally(state: BenchState, of: _Tap) -> None:
    _add_tally(state, of["facts"], -1)


def _undo_reading(state: BenchState, of: _Tap) -> None:
    state["lots"][of["facts"]["lot"]]["collected"] -= of["moved"]


def _undo_take_out(state: BenchState, of: _Tap) -> None:
    lot = state["lots"][of["facts"]["lot"]]
    _add_out(lot, of["facts"]["what"], -of["facts"]["volume"])
    if of["facts"]["what"] == "stored" and not lot["stored"]:
        lot["state"] = "open"
    elif lot["state"] == "discarded" and lot["stored"]:
        lot["state"] = "stored"


def _undo_mix(state: BenchState, of: _Tap) -> None:
    mixture = state["lots"][of["facts"]["mixture"]]
    for lot, volume in of["facts"]["lots"]:
        state["lots"][lot]["mixed_out"] -= volume
        mixture["mixed_in"] -= volume
    mixture["state"] = "discarded"


def _undo_dose(state: BenchState, of: _Tap) -> None:
    queen = state["queens"][str(of["facts"]["queen"])]
    state["lots"][of["facts"]["lot"]]["dosed"] -= of["facts"]["volume"]
    place = state["places"][str(of["facts"]["place"])]
    queen["doses"] -= 1
    place["doses"] -= 1
    if not queen["doses"]:
        queen["state"] = "on_hook"
    if not place["doses"] and place["state"] == "done":
        place["state"] = "held"


def _undo_give_on(state: BenchState, of: _Tap) -> None:
    place = state["places"][str(of["facts"]["place"])]
    place["queen"], place["state"] = str(of["facts"]["before"]), "not_used"


def _undo_aside(state: BenchState, of: _Tap) -> None:
    _take_back(state, str(of["facts"]["place"]))


Step = Callable[[BenchState, str, _Tap, Taps], None]
STEPS: dict[str, Step] = {
    "lot_open": _lot_open,
    "tally": _tally,
    "reading": _reading,
    "take_out": _take_out,
    "mix": _mix,
    "tip": _tip,
    "gas_on": _gas_on,
    "gas_off": _gas_off,
    "dose": _dose,
    "aside": _aside,
    "back": _back,
    "mark": _mark,
    "give_on": _give_on,
    "undo": _undo,
}
UNDO: dict[str, Callable[[BenchState, _Tap], None]] = {
    "tally": _undo_tally,
    "reading": _undo_reading,
    "take_out": _undo_take_out,
    "mix": _undo_mix,
    "dose": _undo_dose,
    "aside": _undo_aside,
    "give_on": _undo_give_on,
}
