"""Defaults of the settings: where the sources disagree, the default that is documented is the one the engine uses.

Source of each value: the two rows of the table of trade facts named beside it; “from memory” where the project
chose from the evidence.
"""

import re
from dataclasses import fields
from decimal import Decimal

import pytest

from scheduling.planning.facts import CONFLICTS, FACTS, Settings, SourceKind, settings_from

DEFAULTS = settings_from({})

# conflict, rows, default as printed, the figures that carry it
PRINTED = [
    (
        "queen_age_window", "V02 V03", "5-12 normal, 13-14 with reason",
        {"virgin_age_first_days": 5, "virgin_age_last_days": 12, "virgin_age_reason_last_days": 14},
    ),
    (
        "best_queen_age", "C18 V04", "plan 8, allow 6-10",
        {"virgin_age_planned_days": 8, "virgin_age_best_first_days": 6, "virgin_age_best_last_days": 10},
    ),
    ("first_co2", "C02 C03", "before; after allowed", {"co2_first_before": 1, "co2_spacing_hours": 24}),
    ("co2_minutes", "C04 C05 C06", "3, record actual", {"co2_minutes": 3}),
    ("co2_strength", "C20 C21", "pure gas, record", {"co2_strength_percent": 100}),
    ("third_co2", "C23 C07", "only if fewer than two", {"co2_third_after_days": 14, "co2_treatments": 2}),
    (
        "time_to_eggs", "L01 L02 L03", "checks at 7, 10, 14",
        {"egg_check_1_days": 7, "egg_check_2_days": 10, "egg_check_3_days": 14},
    ),
    (
        "dose", "D01 D02 D03 D17", "8 single or 2 x 4; floor 2 x 3",
        {"dose_standard_ul": 8, "dose_split_ul": 4, "dose_split_min_ul": 3, "dose_min_ul": 6},
    ),
    (
        "single_or_split", "D06 D11", "care first, then split dose",
        {"dose_standard_ul": 8, "dose_split_ul": 4, "keep_still_hours": 48},
    ),
    (
        "drone_maturity", "R06 R08 R07", "14 earliest, 16 planned",
        {"drone_age_first_days": 14, "drone_age_planned_days": 16},
    ),
    (
        "drone_upper_age", "R10 R11 R13", "prefer to 21, block above 28",
        {"drone_age_preferred_last_days": 21, "drone_age_last_days": 28},
    ),
    (
        "drone_lead_time", "R04 R05 R28", "comb at -43 and programme from -60",
        {
            "drone_age_planned_days": 16,
            "drone_development_days": 24,
            "comb_lag_days": 3,
            "drone_programme_days": 60,
        },
    ),
    ("sperm_per_drone", "R18 R19", "model in ul", {"ul_per_drone": 1}),
    ("flown_virgins", "V14", "do not let them fly", {"excluder_on_age_days": 0, "excluder_alarm_age_days": 4}),
    ("cell_humidity", "Q20", "record only", {}),
    ("semen_life", "N01 N02", "14 d normal, 42 d limit", {"semen_normal_days": 14, "semen_limit_days": 42}),
    ("survival", "O04 O05", "show own statistics", {}),
    ("hygiene_test", "P13 P14 P15 P16", "store method and hours; never mix", {"pin_test_cells": 50}),
    ("behaviour_visits", "P04 P05", "4", {"behaviour_visits": 4}),
]  # fmt: skip


@pytest.mark.parametrize(("key", "rows", "printed", "figures"), PRINTED, ids=[row[0] for row in PRINTED])
def test_documented_default_is_the_default_of_the_engine(
    key: str, rows: str, printed: str, figures: dict[str, int]
) -> None:
    conflict = next(conflict for conflict in CONFLICTS if conflict.key == key)

    assert conflict.rows == tuple(rows.split())
    assert set(conflict.settings) == set(figures)
    assert {name: getattr(DEFAULTS, name) for name in figures} == figures, printed


def test_every_conflict_is_checked() -> None:
    assert [conflict.key for conflict in CONFLICTS] == [row[0] for row in PRINTED]


# Figures of the calendar and of semen, with the rows they rest on
SINGLE_FIGURES = {
    "drone_age_emergency_days": ("12", "R06"),
    "drone_sealed_days": ("10", "R02"),
    "drone_catch_lead_days": ("1", "R32"),
    "drone_holding_days": ("3", "R31"),
    "graft_to_emergence_days": ("12", "Q09"),
    "emergence_alarm_days": ("11", "Q09"),
    "emergence_late_days": ("13", "Q09"),
    "queen_sealed_days": ("5", "Q04"),
    "cells_caged_days": ("10", "Q21"),
    "confine_before_graft_days": ("4", "Q12"),
    "cold_delay_hours": ("27", "Q07"),
    "co2_pair_min_hours": ("3", "C17"),
    "dose_max_ul": ("12", "D01"),
    "dose_mixed_ul": ("10", "D02"),
    "dose_limit_ul": ("18", "D08"),
    "dose_split_spacing_hours": ("48", "D05"),
    "usable_share": ("0.595", "R21"),
    "nuc_workers": ("400", "K08"),
    "give_up_days": ("21", "L12"),
    "sealed_brood_days": ("9", "L13"),
    "own_progeny_days": ("40", "L14"),
    "viability_warn_share": ("0.85", "G11"),
    "breeder_queens": ("50", "G06"),
    "inbreeding_rate_share": ("0.01", "G12"),
}


@pytest.mark.parametrize("key", SINGLE_FIGURES)
def test_figure_is_the_one_of_its_row(key: str) -> None:
    value, row = SINGLE_FIGURES[key]

    assert getattr(DEFAULTS, key) == Decimal(value)
    assert row in FACTS[key].rows


# Rows without any figure: none may be made up
GAPS = {
    "co2_flow_ml_min": "C22",
    "drone_soiled_share": "R26",
    "drone_daily_survival": "R27",
    "operator_queens_per_hour": "O01",
    "operator_drones_per_hour": "O02",
    "drone_colonies_per_queen": "G13",
}


@pytest.mark.parametrize("key", GAPS)
def test_gap_has_no_default(key: str) -> None:
    fact = FACTS[key]

    assert (fact.is_gap, fact.default, getattr(DEFAULTS, key)) == (True, None, None)
    assert GAPS[key] in fact.rows


def test_a_starting_value_in_a_gap_says_that_the_coordinator_must_set_it() -> None:
    started = [fact for fact in FACTS.values() if fact.is_gap and fact.default is not None]

    assert started
    assert [fact.key for fact in started if "coordinator must set" not in str(fact.why)] == []


def test_a_gap_is_never_called_published() -> None:
    """C22, G13, R26, R27: the sources say that something is so, none says how much."""
    gaps = {row for fact in FACTS.values() if fact.is_gap for row in fact.rows}

    assert gaps >= {"C22", "G13", "R26", "R27", "O01", "O02"}
    assert {fact.key for fact in FACTS.values() if fact.is_gap and fact.source_kind is SourceKind.PUBLISHED} == set()


def test_every_figure_is_founded_bounded_and_typed() -> None:
    row_id = re.compile(r"[A-Z]\d\d")
    assert [field.name for field in fields(Settings)] == list(FACTS)
    for fact in FACTS.values():
        assert fact.rows, fact.key
        assert all(row_id.fullmatch(row) for row in fact.rows), fact.key
        assert fact.source, fact.key
        assert str(fact.why), fact.key
        assert fact.source_kind in SourceKind
        assert fact.low < fact.high, fact.key
        value = getattr(DEFAULTS, fact.key)
        if value is None or fact.default is None:
            assert (fact.is_gap, value, fact.default) == (True, None, None), fact.key
        else:
            assert fact.low <= fact.default <= fact.high, fact.key
            assert type(value) is (int if fact.is_whole else Decimal), fact.key
            assert value == fact.default, fact.key
