"""Figures by which two plans are compared."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduling.planning.measures import effective_number, measures_of, moved_queens, tenth_of
from scheduling.planning.plan import Part, Plan, Pool
from scheduling.planning.problem import (
    Accepted,
    Bench,
    BenchDay,
    Booking,
    Cohort,
    Member,
    Placement,
    Problem,
    Rules,
    Source,
)

volumes = st.dictionaries(st.sampled_from("ABCDEFGH"), st.integers(1, 10_000), min_size=1)


def test_sources_in_equal_parts_count_fully_and_one_alone_counts_one() -> None:
    assert effective_number(dict.fromkeys("ABCD", 250)) == 4
    assert effective_number({"A": 800}) == 1
    assert effective_number({}) == 0
    # 1 / (0.5² + 0.25² + 0.25²)
    assert effective_number({"A": 500, "B": 250, "C": 250}) == pytest.approx(1 / 0.375)


@given(volumes)
def test_the_effective_number_lies_between_one_and_the_sources_in_use(taken: dict[str, int]) -> None:
    assert 1 - 1e-12 <= effective_number(taken) <= len(taken) + 1e-12


@given(st.lists(st.fractions(0, 1, max_denominator=40), min_size=1, max_size=60))
def test_the_tenth_percentile_is_numpys_by_nearest_rank(shares: list[Fraction]) -> None:
    expected = np.percentile([float(share) for share in shares], 10, method="inverted_cdf")
    assert float(tenth_of(shares) or 0) == pytest.approx(float(expected))


def test_without_members_there_is_no_tenth() -> None:
    assert tenth_of([]) is None


def season() -> Problem:
    days = (BenchDay(2, 600, 900, 20, 40), BenchDay(3, 0, 0, 0, 40), BenchDay(1, 0, 0, 0, 40))
    sources = tuple(
        Source(name, 2000, 4000, ("bench",), (Cohort(0, 3, 10**6),) if name != "gone" else ()) for name in ("a", "b")
    )
    return Problem(
        name="s",
        days=4,
        weights=(1000, 1042, 1085, 1130),
        rules=Rules(4, 8, 6),
        benches=(Bench("bench", days),),
        sources=sources,
        members=(Member("m"), Member("n"), Member("late")),
        bookings=(
            Booking("m1", "m", 4, -6, 80, 5, 14, ("bench",), (Accepted("a"), Accepted("b"))),
            Booking(
                "n1", "n", 4, -6, 80, 5, 14, ("bench",), (Accepted("a"), Accepted("b")), mode="pool", min_sources=2
            ),
            Booking("late1", "late", 3, 2, 80, 5, 14, ("bench",), (Accepted("a"),)),
        ),
    )


def plan() -> Plan:
    return Plan(
        "s",
        assign=(Placement("m1", "bench", 2, 3, source="a"), Placement("n1", "bench", 2, 2, pool="mix")),
        pools=(Pool("mix", "bench", 2, (Part("a", 80.0), Part("b", 80.0))),),
    )


def test_a_plan_is_measured_by_queens_members_and_semen() -> None:
    found = measures_of(season(), plan())
    assert (found.served, found.requested) == (5, 11)
    assert found.by_member == {"m": (3, 4), "n": (2, 4), "late": (0, 3)}
    # Who is too young for every bench day can be served by no plan, and lowers no share.
    assert (found.lowest, found.tenth) == (Fraction(1, 2), Fraction(1, 2))
    assert found.volumes == {"a": 320, "b": 80}
    assert found.effective_sources == pytest.approx(1 / (0.8**2 + 0.2**2))


def test_moved_are_those_elsewhere_or_nowhere_and_a_mixture_is_one_place_by_any_name() -> None:
    told = plan().assign
    other = (Placement("m1", "bench", 2, 2, source="a"), Placement("m1", "bench", 2, 1, source="b"))
    assert moved_queens(told, told) == 0
    assert moved_queens(told, (*other, Placement("n1", "bench", 2, 2, pool="another"))) == 1
    assert moved_queens(told, other) == 3
    assert moved_queens(told, ()) == 5
    assert moved_queens((), told) == 0
