"""Every rule and every reason has a sentence of its own."""

import pytest

from scheduling.planning.checker import RULES
from scheduling.planning.problem import Problem, Rules
from scheduling.planning.reasons import REASONS
from scheduling.planning.ways import WAYS
from scheduling.queries.plan_words import REASON_SENTENCES, SENTENCES, WAY_SENTENCES, Names, reason_words, way_shown
from tests.factories import BenchFactory, DroneSourceFactory

PROBLEM = Problem("s", 5, (1000,) * 5, Rules(4, 8, 5), meta={"first_day": "2026-06-10"})

# A plan made by the app's own solver and moves cannot break these: they guard files from elsewhere.
ONLY_IN_FILES = {"season", "unknown_pool", "pool_double", "pool_session", "pool_sharing"}


def test_every_rule_the_app_can_break_has_words() -> None:
    assert set(RULES) - set(SENTENCES) == ONLY_IN_FILES


def test_every_reason_and_every_way_out_has_words() -> None:
    assert set(REASONS) <= set(REASON_SENTENCES)
    assert set(WAYS) == set(WAY_SENTENCES)


@pytest.mark.django_db
def test_a_short_source_is_named_with_its_day_and_number() -> None:
    source, bench = DroneSourceFactory(name="Ling"), BenchFactory(name="Mill")
    reason = {
        "key": "stock",
        "numbers": {"missing": 38, "source": str(source.pk), "day": 1, "bench": str(bench.pk)},
        "gain": 1,
    }
    assert str(reason_words(reason, Names(PROBLEM))) == (
        "Ling is 38 ripe drones short on Thu 11 June. Lifting it would give 1 queen a place."
    )


@pytest.mark.django_db
def test_what_is_also_in_the_way_is_said_with_it() -> None:
    source, bench = DroneSourceFactory(name="Ling"), BenchFactory(name="Mill")
    place = {"day": 1, "bench": str(bench.pk)}
    reason = {
        "key": "stock",
        "numbers": {"missing": 1, "source": str(source.pk), **place},
        "gain": 1,
        "also": [{"key": "minutes", "numbers": {"missing": 12, **place}}],
    }
    assert str(reason_words(reason, Names(PROBLEM))) == (
        "Ling is 1 ripe drone short on Thu 11 June. Thu 11 June, Mill has too little operator time: 12 minutes are "
        "missing. Both together would have to be lifted."
    )


@pytest.mark.django_db
def test_a_way_out_says_what_to_do_what_it_gives_and_who_can() -> None:
    bench = BenchFactory(name="Mill")
    way = {"key": "lower_dose", "numbers": {"from_ul10": 100, "ul10": 85, "day": 1, "bench": str(bench.pk)}, "gain": 3}
    shown = way_shown(way, Names(PROBLEM))
    assert (shown.what, shown.gain, shown.who) == (
        "8.5 µl in place of 10 µl for each of these queens",
        "gives 3 queens a place",
        "member",
    )
