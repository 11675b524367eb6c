"""Queen cells from graft to emergence, and how much later virgins emerge from cool cells."""

import datetime as dt
import math
from dataclasses import dataclass
from decimal import Decimal

from scheduling.planning.facts import Settings
from scheduling.planning.timing.days import HOURS_PER_DAY, days_later
from scheduling.planning.timing.events import BatchEvents, EventError
from scheduling.planning.timing.steps import ColdDelay
from scheduling.planning.words import message as _

_IMPOSSIBLE_BELOW_C, _IMPOSSIBLE_ABOVE_C = Decimal(20), Decimal(45)


def cold_delay_hours(temperature_c: Decimal | None, settings: Settings) -> ColdDelay:
    """Return how many hours later virgins emerge from cells kept at `temperature_c`.

    Linear between the two temperatures of the trial: 27 h at 32 °C, nothing at 34.5 °C. Nothing is extrapolated:
    colder cells get the figure of the lowest temperature, cells above the usual range none, both flagged
    `is_outside`, so that pages can say that the true day is not known. Without a temperature there is no delay.

    Raises
    ------
    ValueError
        A temperature that no cell survives: a slip of the pen, not a measurement.

    References
    ----------
    Quality of queens from cells incubated at different temperatures, Acta Sci. Pol. Zootechnica 14(4):25-32 2015.
    """
    if temperature_c is None:
        return ColdDelay(hours=Decimal(0), is_outside=False)
    if not _IMPOSSIBLE_BELOW_C <= temperature_c <= _IMPOSSIBLE_ABOVE_C:
        raise ValueError(
            f"temperature_c: {temperature_c} °C is no temperature of living cells. Enter for example 34.5."
        )
    best, cold = settings.cell_temperature_best_c, settings.cell_temperature_cold_c
    if temperature_c >= best:
        return ColdDelay(hours=Decimal(0), is_outside=temperature_c > settings.cell_temperature_high_c)
    if temperature_c < cold or cold == best:
        return ColdDelay(hours=settings.cold_delay_hours, is_outside=temperature_c < cold)
    return ColdDelay(
        hours=settings.cold_delay_hours * (best - temperature_c) / (best - cold),
        is_outside=False,
    )


_HOUR_WHEN_UNKNOWN = 12
"""A graft without an hour counts as done at noon, so that a delay in hours rounds to the nearest day."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cells:
    """Days of the cells from graft to emergence, as forecast from what was observed of them."""

    grafted_on: dt.date
    sealed_on: dt.date
    is_sealing_odd: bool
    cage_on: dt.date
    early_on: dt.date
    emergence_on: dt.date
    late_on: dt.date
    cold_delay: ColdDelay


def cells_forecast(events: BatchEvents, settings: Settings) -> Cells:
    """Return the days of the cells.

    Early sealing moves everything after it. Late sealing moves the expected and the late day only, never caging or
    the earliest emergence: what must not come too late keeps the earlier day. A day further off than cells can differ
    counts as the last that can be, so that a later sealing never gives an earlier emergence.

    Raises
    ------
    EventError
        Nothing to start from, or a temperature that cannot be.
    """
    grafted_on = _graft_day(events, settings)
    try:
        cold = cold_delay_hours(events.cell_temperature_c, settings)
    except ValueError as error:
        degrees = events.cell_temperature_c or 0
        text = _("%(degrees)s °C is no temperature of living cells. Enter for example 34.5.", degrees=degrees)
        raise EventError("cell_temperature_c", text) from error
    expected_sealed_on = days_later(grafted_on, settings.queen_sealed_days)
    sealed_on = events.sealed_on or expected_sealed_on
    shift = (sealed_on - expected_sealed_on).days
    most_early, most_late = settings.queen_sealed_early_days, settings.queen_sealed_late_days
    is_odd = not -most_early <= shift <= most_late
    shift = min(max(shift, -most_early), most_late)
    earlier, later = min(shift, 0), max(shift, 0)
    hour = _HOUR_WHEN_UNKNOWN if events.grafted_hour is None else events.grafted_hour
    cold_days = math.floor((hour + cold.hours) / HOURS_PER_DAY)
    full_cold_days = math.floor(cold.hours / HOURS_PER_DAY)
    return Cells(
        grafted_on=grafted_on,
        sealed_on=sealed_on,
        is_sealing_odd=is_odd,
        cage_on=days_later(grafted_on, settings.cells_caged_days + full_cold_days + earlier),
        early_on=days_later(grafted_on, settings.emergence_alarm_days + full_cold_days + earlier),
        emergence_on=days_later(grafted_on, settings.graft_to_emergence_days + cold_days + shift),
        late_on=days_later(grafted_on, settings.emergence_late_days + cold_days + later),
        cold_delay=cold,
    )


def _graft_day(events: BatchEvents, settings: Settings) -> dt.date:
    day = events.grafted_on or events.planned_graft_on
    if day is not None:
        return day
    to_emergence = settings.graft_to_emergence_days
    if events.emergences:
        return days_later(min(emergence.on for emergence in events.emergences), -to_emergence)
    if events.wanted_bench_on is not None:
        return days_later(events.wanted_bench_on, -settings.virgin_age_planned_days - to_emergence)
    raise EventError("grafted_on", _("Enter the day of the graft, or the bench day you want."))
