"""“Can I still?”: what can be begun today for a wanted bench day, and by when each step must be."""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from scheduling.planning.facts import Settings
from scheduling.planning.timing.backward import comb_offsets, graft_offset
from scheduling.planning.timing.days import days_later, said, whole_days
from scheduling.planning.timing.steps import CohortCalendar, DroneFit, Who


class Chance(StrEnum):
    """How today stands to a deadline."""

    IN_TIME = "in_time"
    LATE = "late"
    NEEDS_REASON = "needs_reason"
    TOO_LATE = "too_late"


@dataclass(frozen=True, slots=True, kw_only=True)
class Deadline:
    """The last days to begin a step: as planned, still safe, and with a reason given."""

    key: str
    what: str
    who: Who
    planned_on: dt.date
    last_on: dt.date
    last_with_reason_on: dt.date
    chance: Chance
    rows: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CanStill:
    """Answer for one bench day.

    Parameters
    ----------
    queens, drones : whether a graft, and a new drone comb, begun today can still serve.
    fits : how the day suits each cohort that was asked about.
    line : one sentence that says what to do.
    """

    bench_day: dt.date
    deadlines: tuple[Deadline, ...]
    queens: Chance
    drones: Chance
    fits: Mapping[str, DroneFit] = field(default_factory=dict)
    first_day_from_graft: dt.date
    first_day_from_comb: dt.date
    line: str

    @property
    def ripe(self) -> tuple[str, ...]:
        """Cohorts whose drones may all be used on the day without a reason."""
        return tuple(name for name, fit in self.fits.items() if fit in (DroneFit.RIPE, DroneFit.FADING))

    def deadline(self, key: str) -> Deadline:
        return next(deadline for deadline in self.deadlines if deadline.key == key)


def can_still(
    today: dt.date,
    bench_day: dt.date,
    settings: Settings,
    cohorts: Mapping[str, CohortCalendar] | None = None,
) -> CanStill:
    """Return what can still be begun on `today` for `bench_day`.

    Parameters
    ----------
    cohorts : calendars of drone cohorts by any name, to be judged on that day.
    """
    deadlines = _deadlines(today, bench_day, settings)
    chances = {deadline.key: deadline.chance for deadline in deadlines}
    fits = {name: calendar.fit(bench_day) for name, calendar in (cohorts or {}).items()}
    from_graft = days_later(today, settings.graft_to_emergence_days + settings.virgin_age_first_days)
    from_comb = days_later(today, -comb_offsets(settings)["latest_comb"])
    return CanStill(
        bench_day=bench_day,
        deadlines=deadlines,
        queens=chances["graft"],
        drones=chances["insert_comb"],
        fits=fits,
        first_day_from_graft=from_graft,
        first_day_from_comb=from_comb,
        line=_line(today, bench_day, deadlines, fits, from_graft, from_comb),
    )


def _deadlines(today: dt.date, bench_day: dt.date, s: Settings) -> tuple[Deadline, ...]:
    comb, graft = comb_offsets(s), graft_offset(s)
    last_graft = -s.virgin_age_first_days - s.graft_to_emergence_days
    confine = s.confine_before_graft_days
    spacing = whole_days(s.co2_spacing_hours)
    rows = (
        (
            "insert_comb", "Put the drone comb in", Who.DRONE_REARER,
            (comb["insert_comb"], comb["latest_comb"], comb["emergency_comb"]), ("R01", "R06", "R14", "R30"),
        ),
        (
            "confine_breeder", "Confine the breeder queen", Who.QUEEN_REARER,
            (graft - confine, last_graft - confine, last_graft), ("Q12", "Q13"),
        ),
        ("graft", "Graft", Who.QUEEN_REARER, (graft, last_graft, last_graft), ("Q09", "V01", "V02", "V04")),
        (
            "catch_drones", "Catch the drones", Who.DRONE_REARER,
            (-s.drone_catch_lead_days, 0, 0), ("R31", "R32"),
        ),
        ("first_co2", "First CO2, before or after", Who.QUEEN_REARER, (-spacing, spacing, 2 * spacing), ("C02", "C03")),
    )  # fmt: skip
    return tuple(
        Deadline(
            key=key,
            what=what,
            who=who,
            planned_on=days_later(bench_day, planned),
            last_on=days_later(bench_day, last),
            last_with_reason_on=days_later(bench_day, with_reason),
            chance=_chance((today - bench_day).days, planned, last, with_reason),
            rows=row_ids,
        )
        for key, what, who, (planned, last, with_reason), row_ids in rows
    )


def _chance(day: int, planned: int, last: int, with_reason: int) -> Chance:
    if day <= planned:
        return Chance.IN_TIME
    if day <= last:
        return Chance.LATE
    return Chance.NEEDS_REASON if day <= with_reason else Chance.TOO_LATE


def _line(
    today: dt.date,
    bench_day: dt.date,
    deadlines: tuple[Deadline, ...],
    fits: Mapping[str, DroneFit],
    from_graft: dt.date,
    from_comb: dt.date,
) -> str:
    by_key = {deadline.key: deadline for deadline in deadlines}
    graft, comb = by_key["graft"], by_key["insert_comb"]
    if bench_day < today:
        return f"{said(bench_day)} is over. From a graft today the first bench day is {said(from_graft)}."
    if graft.chance is Chance.TOO_LATE:
        return (
            f"Too late to graft for {said(bench_day)}: the last day was {said(graft.last_on)}. "
            f"From a graft today the first bench day is {said(from_graft)}."
        )
    ripe = [name for name, fit in fits.items() if fit in (DroneFit.RIPE, DroneFit.FADING)]
    by_graft = (
        f"Graft on {said(graft.planned_on)}, by {said(graft.last_on)} at the latest."
        if graft.chance is Chance.IN_TIME
        else f"Graft now, by {said(graft.last_on)} at the latest; the virgins will be young."
    )
    if ripe:
        return f"{by_graft} Ripe drones that day: {', '.join(ripe)}."
    if comb.chance is Chance.TOO_LATE:
        return (
            f"Too late for new drones: the last comb for {said(bench_day)} was {said(comb.last_with_reason_on)}. "
            f"Use stored semen or another source; from a comb today the first day is {said(from_comb)}. {by_graft}"
        )
    if comb.chance is Chance.NEEDS_REASON:
        return (
            f"Put the comb in today, by {said(comb.last_with_reason_on)}; "
            f"its drones will need a reason, or choose {said(from_comb)}. {by_graft}"
        )
    if comb.chance is Chance.LATE:
        return f"Put the comb in today, by {said(comb.last_on)} at the latest. {by_graft}"
    return f"Put the comb in on {said(comb.planned_on)}, by {said(comb.last_on)} at the latest. {by_graft}"
