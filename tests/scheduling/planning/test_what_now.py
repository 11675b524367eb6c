"""Drones run out: the chance of a full dose, hand-worked and by slow simulation; full doses for the first in order."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduling.planning.what_now import Fate, SourceNow, Verdict, outlook, what_now

KNOWN = SourceNow(
    left=0, usable=0, tried=0, drones_left=0, collected=0, share_mean=0.6, share_kappa=10, tenths_per_drone=10
)


def test_semen_that_is_ready_is_certain() -> None:
    ready = replace(KNOWN, left=160)
    verdicts = what_now({"A": ready}, [("q1", "A", 80), ("q2", "A", 80), ("q3", "A", 1)])
    assert verdicts == {
        "q1": Verdict(Fate.DOSE, 1.0),
        "q2": Verdict(Fate.DOSE, 1.0),
        "q3": Verdict(Fate.MOVE, 0.0),
    }


def test_one_drone_gives_with_the_posterior_mean_of_the_share() -> None:
    # Beta(6 + 3, 4 + 7): of ten tried three were usable; one drone more is usable with chance 9/20.
    one = replace(KNOWN, usable=3, tried=10, drones_left=1)
    assert what_now({"A": one}, [("q", "A", 10)])["q"].chance == pytest.approx(9 / 20)


def test_two_drones_both_give_with_the_rising_factorial() -> None:
    # Beta(6, 4): a(a + 1) / ((a + b)(a + b + 1)) = 42/110.
    two = replace(KNOWN, drones_left=2)
    assert what_now({"A": two}, [("q", "A", 20)])["q"].chance == pytest.approx(42 / 110)


def test_the_volume_of_a_drone_moves_with_the_reading() -> None:
    # Ten drones' worth of 1 µl and ten drones that gave 2 µl each: 1.5 µl.
    assert replace(KNOWN, usable=10, tried=15, collected=200).per_drone == 15
    assert replace(KNOWN, usable=10, tried=15, collected=0).per_drone == 10


def test_who_is_moved_takes_nothing_from_those_behind() -> None:
    some = replace(KNOWN, left=100)
    verdicts = what_now({"A": some}, [("large", "A", 120), ("small", "A", 80)])
    assert [verdicts[name].fate for name in ("large", "small")] == [Fate.MOVE, Fate.DOSE]


def test_sources_do_not_cover_for_each_other() -> None:
    verdicts = what_now({"A": replace(KNOWN, left=500), "B": KNOWN}, [("a", "A", 80), ("b", "B", 80)])
    assert [verdicts[name].fate for name in "ab"] == [Fate.DOSE, Fate.MOVE]


def test_the_outlook_agrees_with_simulated_sessions() -> None:
    source = replace(KNOWN, left=30, usable=8, tried=20, drones_left=60, collected=90)
    a, b = source.share
    random = np.random.default_rng(3)
    volumes = 30 + random.binomial(60, random.beta(a, b, size=200_000)) * source.per_drone
    found = outlook(source)
    assert found.mean == pytest.approx(volumes.mean(), rel=0.01)
    assert found.low == pytest.approx(np.quantile(volumes, 0.1), abs=source.per_drone + 1)
    assert found.high == pytest.approx(np.quantile(volumes, 0.9), abs=source.per_drone + 1)
    doses = [(f"q{number}", "A", 80) for number in range(8)]
    for number, verdict in enumerate(what_now({"A": source}, doses).values(), start=1):
        if verdict.fate == Fate.MOVE:
            break
        assert verdict.chance == pytest.approx((volumes >= 80 * number - 1e-6).mean(), abs=0.01)


@given(
    left=st.integers(0, 300),
    drones=st.integers(0, 120),
    usable=st.integers(0, 30),
    none=st.integers(0, 30),
    doses=st.lists(st.integers(20, 120), max_size=12),
)
def test_chances_fall_along_the_order_and_rise_with_every_drone(
    left: int, drones: int, usable: int, none: int, doses: list[int]
) -> None:
    source = replace(KNOWN, left=left, drones_left=drones, usable=usable, tried=usable + none)
    queens = [(str(number), "A", dose) for number, dose in enumerate(doses)]
    verdicts = list(what_now({"A": source}, queens).values())
    kept = [verdict.chance for verdict in verdicts if verdict.fate != Fate.MOVE]
    assert kept == sorted(kept, reverse=True)
    if queens:
        more = what_now({"A": replace(source, drones_left=drones + 1)}, queens[:1])["0"]
        assert more.chance >= verdicts[0].chance - 1e-9
    found = outlook(source)
    assert left <= found.low <= found.high <= left + math.ceil(drones * source.per_drone)


@pytest.mark.parametrize(
    "wrong",
    [
        {"left": -1},
        {"usable": 2, "tried": 1},
        {"drones_left": -1},
        {"share_mean": 1.0},
        {"share_kappa": 0.0},
        {"tenths_per_drone": 0.0},
    ],
)
def test_figures_that_cannot_be_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="must"):
        replace(KNOWN, **wrong)  # type: ignore[arg-type]


@pytest.mark.parametrize("queen", [("q", "B", 80), ("q", "A", 0)])
def test_a_queen_without_source_or_dose_is_refused(queen: tuple[str, str, int]) -> None:
    with pytest.raises(ValueError, match="queens"):
        what_now({"A": KNOWN}, [queen])
