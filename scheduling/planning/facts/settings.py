"""The figures one season works with: the defaults, moved by what the coordinator set."""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from decimal import Decimal
from itertools import pairwise

from scheduling.planning.facts.fact import Fact
from scheduling.planning.words import Words
from scheduling.planning.words import message as _


class SettingError(ValueError):
    """A figure that cannot be used. `key` names it, the text says what to enter."""

    def __init__(self, key: str, text: Words) -> None:
        super().__init__(f"{key}: {text}")
        self.key = key
        self.text = text


class SettingMissingError(SettingError):
    """A gap of the trade's knowledge that only the coordinator can fill."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Every figure of `FACTS`, typed. Days are whole, hours, shares and µl are exact decimals.

    Fields that may be None are gaps without a value; `needed(key)` refuses them with a text for people.
    """

    confine_before_graft_days: int
    count_started_days: int
    accepted_share: Decimal
    queen_sealed_days: int
    queen_sealed_early_days: int
    queen_sealed_late_days: int
    cells_caged_days: int
    emergence_alarm_days: int
    graft_to_emergence_days: int
    emergence_late_days: int
    cell_temperature_best_c: Decimal
    cell_temperature_cold_c: Decimal
    cell_temperature_high_c: Decimal
    cold_delay_hours: Decimal
    excluder_on_age_days: int
    excluder_alarm_age_days: int
    virgin_age_first_days: int
    virgin_age_best_first_days: int
    virgin_age_planned_days: int
    virgin_age_best_last_days: int
    virgin_age_last_days: int
    virgin_age_reason_last_days: int
    virgin_give_up_age_days: int
    nuc_shut_days: int
    egg_check_1_days: int
    egg_check_2_days: int
    egg_check_3_days: int
    sealed_brood_days: int
    give_up_days: int
    give_up_last_days: int
    own_progeny_days: int

    drone_programme_days: int
    drone_development_days: int
    drone_sealed_days: int
    comb_lag_days: int
    drone_age_emergency_days: int
    drone_age_first_days: int
    drone_age_planned_days: int
    drone_age_preferred_last_days: int
    drone_age_last_days: int
    drone_catch_lead_days: int
    drone_holding_days: int
    drone_flying_days: int
    usable_share: Decimal
    ul_per_drone: Decimal
    drone_daily_survival: Decimal | None
    drone_recapture_share: Decimal | None
    drone_soiled_share: Decimal | None
    drone_colonies_per_queen: Decimal | None

    co2_treatments: int
    co2_first_before: int
    co2_spacing_hours: Decimal
    co2_pair_min_hours: Decimal
    co2_first_age_days: int
    co2_minutes: Decimal
    co2_strength_percent: int
    co2_third_after_days: int
    co2_flow_ml_min: Decimal | None
    dose_standard_ul: Decimal
    dose_mixed_ul: Decimal
    dose_split_ul: Decimal
    dose_split_min_ul: Decimal
    dose_min_ul: Decimal
    dose_max_ul: Decimal
    dose_limit_ul: Decimal
    dose_split_spacing_hours: Decimal
    semen_normal_days: int
    semen_limit_days: int
    release_if_attacked_days: int
    keep_still_hours: Decimal
    nuc_workers: int
    attendants_workers: int
    operator_queens_per_hour: Decimal | None
    operator_drones_per_hour: Decimal | None
    source_setup_minutes: Decimal | None

    service_level_share: Decimal
    yield_concentration: Decimal
    volume_cv: Decimal
    count_cv: Decimal
    max_source_share: Decimal
    min_sources: int
    inbreeding_limit_share: Decimal
    inbreeding_rate_share: Decimal
    viability_warn_share: Decimal
    viability_stop_share: Decimal
    breeder_queens: int
    behaviour_visits: int
    pin_test_cells: int

    def needed(self, key: str) -> Decimal:
        """Return the value of `key`, or raise `SettingMissingError` saying that the coordinator must set it."""
        value = getattr(self, key)
        if value is None:
            raise SettingMissingError(key, _("No figure is known for this; the coordinator sets a first value."))
        return Decimal(value)

    def missing(self, facts: Mapping[str, Fact]) -> tuple[Fact, ...]:
        """Return the required figures that still have no value, in the order of `facts`."""
        return tuple(fact for key, fact in facts.items() if fact.is_required and getattr(self, key) is None)


# Figures that only make sense in this order, with whether equal values are allowed.
_IN_ORDER: tuple[tuple[str, ...], ...] = (
    ("cells_caged_days", "emergence_alarm_days", "graft_to_emergence_days", "emergence_late_days"),
    ("queen_sealed_days", "cells_caged_days"),
    ("cell_temperature_cold_c", "cell_temperature_best_c", "cell_temperature_high_c"),
    ("excluder_on_age_days", "excluder_alarm_age_days", "virgin_age_first_days"),
    (
        "virgin_age_first_days",
        "virgin_age_best_first_days",
        "virgin_age_planned_days",
        "virgin_age_best_last_days",
        "virgin_age_last_days",
        "virgin_age_reason_last_days",
        "virgin_give_up_age_days",
    ),
    ("co2_first_age_days", "virgin_age_planned_days"),
    ("nuc_shut_days", "egg_check_1_days", "egg_check_2_days", "egg_check_3_days", "give_up_days", "give_up_last_days"),
    (
        "drone_age_emergency_days",
        "drone_age_first_days",
        "drone_age_planned_days",
        "drone_age_preferred_last_days",
        "drone_age_last_days",
    ),
    ("co2_pair_min_hours", "co2_spacing_hours"),
    ("dose_min_ul", "dose_max_ul", "dose_limit_ul"),
    ("dose_standard_ul", "dose_max_ul"),
    ("dose_mixed_ul", "dose_max_ul"),
    ("dose_split_min_ul", "dose_split_ul"),
    ("semen_normal_days", "semen_limit_days"),
    ("viability_stop_share", "viability_warn_share"),
)


def checked_value(fact: Fact, value: Decimal) -> Decimal:
    """Return `value` if this fact may have it; raise `SettingError` naming the key otherwise."""
    if not isinstance(value, Decimal):
        raise SettingError(fact.key, _("A decimal number is needed, not %(given)s.", given=type(value).__name__))
    if not value.is_finite():
        raise SettingError(
            fact.key, _("“%(given)s” is no number. Enter %(bounds)s.", given=str(value), bounds=fact.shown_bounds)
        )
    if not fact.low <= value <= fact.high:
        raise SettingError(
            fact.key,
            _("%(given)s is outside %(bounds)s. Enter a value between them.", given=value, bounds=fact.shown_bounds),
        )
    if fact.is_whole and value != value.to_integral_value():
        raise SettingError(fact.key, _("%(given)s is not whole. Enter whole %(unit)s.", given=value, unit=fact.unit))
    return value


def settings_of(facts: Mapping[str, Fact], overrides: Mapping[str, Decimal]) -> Settings:
    """Build `Settings` from the defaults of `facts` and a season's own values.

    Parameters
    ----------
    facts : every figure by key; its keys are the fields of `Settings`.
    overrides : a season's own values by key, in the unit of the fact.

    Raises
    ------
    SettingError
        Unknown key, value outside its bounds, not whole, or two figures that contradict each other.
    """
    for key in overrides:
        if key not in facts:
            raise SettingError(key, _("There is no figure of this name."))
    values: dict[str, int | Decimal | None] = {}
    for field in fields(Settings):
        fact = facts[field.name]
        if fact.key in overrides:
            values[fact.key] = _typed(fact, checked_value(fact, overrides[fact.key]))
        else:
            values[fact.key] = None if fact.default is None else _typed(fact, fact.default)
    _refuse_disorder(facts, values, overrides)
    return Settings(**values)  # type: ignore[arg-type]  # types follow from `is_whole`; a test compares them


def _typed(fact: Fact, value: Decimal) -> int | Decimal:
    return int(value) if fact.is_whole else value


def _refuse_disorder(
    facts: Mapping[str, Fact], values: Mapping[str, int | Decimal | None], overrides: Mapping[str, Decimal]
) -> None:
    for names in _IN_ORDER:
        for smaller, larger in pairwise(names):
            low, high = values[smaller], values[larger]
            if low is not None and high is not None and low > high:
                changed = smaller if smaller in overrides else larger
                raise SettingError(
                    changed,
                    _(
                        "“%(smaller)s” is %(low)s and “%(larger)s” is %(high)s %(unit)s. The first may not be larger "
                        "than the second; change one of them.",
                        smaller=facts[smaller].label,
                        low=low,
                        larger=facts[larger].label,
                        high=high,
                        unit=facts[larger].unit,
                    ),
                )
