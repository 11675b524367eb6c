"""Every rule and every reason has a sentence of its own."""

import pytest

from scheduling.planning.checker import RULES
from scheduling.planning.problem import Problem, Rules
from scheduling.planning.reasons import REASONS
from scheduling.queries.plan_words import REASON_SENTENCES, SENTENCES, reason_words
from tests.factories import BenchFactory, DroneSourceFactory

PROBLEM = Problem("s", 5, (1000,) * 5, Rules(4, 8, 5), meta={"first_day": "2026-06-10"})

# A plan made by the app's own solver and moves cannot break these: they guard files from elsewhere.
ONLY_IN_FILES = {"season", "unknown_pool", "pool_double", "pool_session", "pool_sharing"}


def test_every_rule_the_app_can_break_has_words() -> None:
    assert set(RULES) - set(SENTENCES) == ONLY_IN_FILES


def test_every_reason_has_words() -> None:
    assert set(REASONS) <= set(REASON_SENTENCES)


@pytest.mark.django_db
def test_a_short_source_is_named_with_its_day_and_number() -> None:
    source, bench = DroneSourceFactory(name="Ling"), BenchFactory(name="Mill")
    reason = {
        "key": "stock",
        "numbers": {"missing": 38, "source": str(source.pk), "day": 1, "bench": str(bench.pk)},
        "gain": 1,
    }
    assert reason_words(reason, PROBLEM) == (
        "Ling is 38 ripe drones short for Thu 11 June. Lifting it would give 1 queen a place."
    )
