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
        "Ling is 38 ripe drones short on Thu 11 June. Lifting it would give 1 queen a place."
    )


@pytest.mark.django_db
def test_what_is_also_in_the_way_is_said_and_nothing_is_promised_of_one_alone() -> None:
    bench = BenchFactory(name="Mill")
    place = {"day": 1, "bench": str(bench.pk)}
    full = {"key": "places", "numbers": place}
    text = reason_words({"key": "co2", "numbers": place, "gain": 2, "also": [full]}, PROBLEM)
    assert text.endswith("Thu 11 June, Mill is full. All of it together would have to be lifted.")
    assert text.startswith("The CO2 rounds beside Thu 11 June, Mill are full.")


@pytest.mark.django_db
def test_a_place_held_for_a_member_who_has_less_is_explained() -> None:
    held = {"key": "fairness", "numbers": {"day": 1, "own_permille": 800, "other_permille": 555}}
    assert "left with places for 55.5 % of the queens asked for. Here it is 80 %." in reason_words(held, PROBLEM)
