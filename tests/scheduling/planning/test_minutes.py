"""Minutes at the bench, learned from the clock."""

import numpy as np
import pytest

from scheduling.planning.minutes import Interval, Minutes, learned_minutes

PRIOR = Minutes(4.0, 0.5, 8.0)


def rows(n: int, *, queen: float, drone: float, change: float, seed: int = 3) -> list[Interval]:
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(n):
        drones, changes = int(rng.integers(0, 12)), int(rng.random() < 0.2)
        minutes = queen + drone * drones + change * changes + rng.normal(0, 0.5)
        found.append(Interval(minutes, drones, changes))
    return found


def test_without_a_clock_what_was_known_stands() -> None:
    assert learned_minutes([], PRIOR) == PRIOR


def test_many_intervals_find_the_minutes_behind_them() -> None:
    found = learned_minutes(rows(300, queen=6.0, drone=0.3, change=5.0), PRIOR)
    assert found.queen == pytest.approx(6.0, abs=0.2)
    assert found.drone == pytest.approx(0.3, abs=0.05)
    assert found.change == pytest.approx(5.0, abs=0.5)
    assert found.intervals == 300


def test_a_few_intervals_move_it_only_a_little() -> None:
    few, many = (learned_minutes(rows(n, queen=12.0, drone=0.5, change=8.0), PRIOR) for n in (1, 40))
    assert PRIOR.queen < few.queen < many.queen < 12.5


def test_an_interval_with_a_break_says_nothing() -> None:
    assert learned_minutes([Interval(45.0, 3, 0)], PRIOR) == PRIOR


def test_no_figure_falls_below_what_is_possible() -> None:
    found = learned_minutes([Interval(0.1, 10, 1)] * 200, PRIOR)
    assert (found.queen, found.drone, found.change) >= (0.5, 0.02, 0.5)
    assert min(found.queen - 0.5, found.drone - 0.02, found.change - 0.5) >= 0


def test_a_prior_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="prior"):
        learned_minutes([], Minutes(0.0, 1.0, 1.0))
