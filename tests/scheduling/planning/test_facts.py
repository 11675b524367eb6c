from decimal import Decimal

import pytest

from scheduling.planning.facts import FACTS, Fact, SettingError, SettingMissingError, settings_from


def test_own_values_replace_defaults_and_nothing_else() -> None:
    own = settings_from({"drone_age_first_days": Decimal(15), "usable_share": Decimal("0.5")})
    default = settings_from({})

    assert (own.drone_age_first_days, own.usable_share) == (15, Decimal("0.5"))
    changed = [key for key in FACTS if getattr(own, key) != getattr(default, key)]
    assert changed == ["drone_age_first_days", "usable_share"]


@pytest.mark.parametrize(
    ("key", "value", "text"),
    [
        ("usable_share", Decimal("1.01"), "outside 0.05–1 share"),
        ("usable_share", Decimal("0"), "outside 0.05–1 share"),
        ("dose_limit_ul", Decimal("18.1"), "outside 8–18 µl"),
        ("virgin_age_first_days", Decimal(4), "outside 5–7 days"),
        ("drone_age_first_days", Decimal("14.5"), "is not whole"),
        ("co2_spacing_hours", Decimal("NaN"), "is no number"),
        ("co2_spacing_hours", 24.0, "A decimal number is needed"),
        ("colour_of_the_hive", Decimal(1), "no figure of this name"),
    ],
)
def test_values_that_cannot_be_are_refused_by_key(key: str, value: Decimal, text: str) -> None:
    with pytest.raises(SettingError, match=text) as refused:
        settings_from({key: value})
    assert refused.value.key == key
    assert str(refused.value).startswith(f"{key}: ")


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("virgin_age_last_days", Decimal(10)),
        ("cells_caged_days", Decimal(11)),
        ("drone_age_last_days", Decimal(21)),
        ("co2_spacing_hours", Decimal(3)),
    ],
)
def test_equal_figures_in_a_row_are_allowed(key: str, value: Decimal) -> None:
    assert getattr(settings_from({key: value}), key) == value


@pytest.mark.parametrize(
    ("overrides", "named"),
    [
        ({"virgin_age_planned_days": "10", "virgin_age_best_last_days": "9"}, "virgin_age_planned_days"),
        ({"drone_age_first_days": "18"}, "drone_age_first_days"),
        ({"semen_limit_days": "14", "semen_normal_days": "42"}, "semen_normal_days"),
        ({"viability_warn_share": "0.7"}, "viability_warn_share"),
        ({"egg_check_1_days": "12"}, "egg_check_1_days"),
    ],
)
def test_figures_that_contradict_each_other_are_refused(overrides: dict[str, str], named: str) -> None:
    with pytest.raises(SettingError, match="may not be larger") as refused:
        settings_from({key: Decimal(value) for key, value in overrides.items()})
    assert refused.value.key == named


def test_a_gap_is_needed_from_the_coordinator_until_it_has_a_value() -> None:
    with pytest.raises(SettingMissingError, match="the coordinator sets a first value") as refused:
        settings_from({}).needed("drone_daily_survival")
    assert refused.value.key == "drone_daily_survival"

    own = settings_from({"drone_daily_survival": Decimal("0.97")})

    assert own.needed("drone_daily_survival") == Decimal("0.97")
    assert [fact.key for fact in own.missing(FACTS)] == [
        "operator_queens_per_hour",
        "operator_drones_per_hour",
        "source_setup_minutes",
    ]


@pytest.mark.parametrize("fact", FACTS.values(), ids=lambda fact: fact.key)
def test_bounds_themselves_may_be_set_when_nothing_else_forbids_it(fact: Fact) -> None:
    for value in (fact.low, fact.high):
        try:
            settings = settings_from({fact.key: value})
        except SettingError as error:
            assert "may not be larger" in str(error.text)  # noqa: PT017 - only a contradiction may refuse a bound
        else:
            assert getattr(settings, fact.key) == value
