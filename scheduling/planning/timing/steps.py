"""What a calendar is made of: steps with their days, windows, and notes on what no longer fits."""

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from scheduling.planning.words import Words


class Who(StrEnum):
    QUEEN_REARER = "queen_rearer"
    DRONE_REARER = "drone_rearer"
    OPERATOR = "operator"
    COORDINATOR = "coordinator"


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One thing to do or to expect.

    Parameters
    ----------
    key : stable name, also the kind of its reminder.
    earliest, best, latest : calendar days in the apiary's zone; earliest ≤ best ≤ latest.
    hard_limit : after this day it is too late whatever the reason; None when there is no such day.
    earliest_at, best_at, latest_at : UTC moments, where elapsed hours decide and the hour is known.
    day : days from the bench day (0), in plans worked backwards.
    rows : rows of the table of trade facts it rests on.
    done_on : when it was really done.
    is_event : comes by itself or simply lasts, so that it can never be late.
    """

    key: str
    what: Words
    who: Who
    earliest: dt.date
    best: dt.date
    latest: dt.date
    why: Words
    rows: tuple[str, ...]
    hard_limit: dt.date | None = None
    earliest_at: dt.datetime | None = None
    best_at: dt.datetime | None = None
    latest_at: dt.datetime | None = None
    day: int | None = None
    done_on: dt.date | None = None
    is_event: bool = False

    @property
    def is_done(self) -> bool:
        return self.done_on is not None

    def is_late(self, today: dt.date) -> bool:
        return self.done_on is None and not self.is_event and today > self.latest


class Fit(StrEnum):
    """How a day suits a queen."""

    TOO_YOUNG = "too_young"
    NORMAL = "normal"
    NEEDS_REASON = "needs_reason"
    PAST_IT = "past_it"


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """Days on which virgins may be inseminated. `opens_on` > `last_on`: no normal day suits all of them.

    `opens_at`: the moment at which the youngest are old enough by the hour, where the hour of their emergence is known.
    """

    emerged_first_on: dt.date
    emerged_last_on: dt.date
    is_observed: bool
    virgins: int | None
    opens_on: dt.date
    best_from: dt.date
    best_on: dt.date
    best_to: dt.date
    last_on: dt.date
    last_with_reason_on: dt.date
    blocked_from: dt.date
    opens_at: dt.datetime | None = None

    @property
    def is_empty(self) -> bool:
        return self.opens_on > self.last_with_reason_on

    def ages_on(self, day: dt.date) -> tuple[int, int]:
        """Return the ages of the youngest and the oldest virgins on `day`; negative before emergence. [d]"""
        return (day - self.emerged_last_on).days, (day - self.emerged_first_on).days

    def fit(self, day: dt.date) -> Fit:
        """Say how `day` suits these virgins, all of them."""
        if day < self.opens_on:
            return Fit.TOO_YOUNG
        if day <= self.last_on:
            return Fit.NORMAL
        return Fit.NEEDS_REASON if day <= self.last_with_reason_on else Fit.PAST_IT


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """Something that no longer fits, and what would help."""

    key: str
    text: Words
    help: Words
    rows: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ColdDelay:
    """Later emergence of cool cells. `is_outside`: beyond what was measured, so `hours` stops at the last figure."""

    hours: Decimal
    is_outside: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchCalendar:
    """Every date of a queen batch. `windows` has one entry for each emergence, `window` suits all queens."""

    grafted_on: dt.date
    sealed_on: dt.date
    cage_on: dt.date
    emergence_early_on: dt.date
    emergence_on: dt.date
    emergence_late_on: dt.date
    windows: tuple[Window, ...]
    window: Window
    steps: tuple[Step, ...]
    notes: tuple[Note, ...]
    cold_delay: ColdDelay

    def step(self, key: str) -> Step | None:
        """Return the step of this key, or None when the batch has none."""
        return next((step for step in self.steps if step.key == key), None)


class Basis(StrEnum):
    """The last observation a cohort's calendar rests on."""

    PROMISED = "promised"
    COMB_IN = "comb_in"
    LAID = "laid"
    CAPPED = "capped"
    EMERGED = "emerged"


class DroneFit(StrEnum):
    """How a day suits the drones of a cohort."""

    UNRIPE = "unripe"
    NEEDS_REASON = "needs_reason"
    RIPE = "ripe"
    FADING = "fading"
    SPENT = "spent"


@dataclass(frozen=True, slots=True, kw_only=True)
class CohortCalendar:
    """Every date of a drone cohort. Pairs `…_from`, `…_to` run from the first to the last drones.

    `ripe_from` is the day on which even the last drones are old enough, `last_on` the last day on which even the
    first are young enough: between them every drone may be used.
    """

    basis: Basis
    comb_on: dt.date | None
    laid_from: dt.date
    laid_to: dt.date
    capped_from: dt.date
    capped_to: dt.date
    emerging_from: dt.date
    emerging_to: dt.date
    first_ripe_on: dt.date
    emergency_from: dt.date
    ripe_from: dt.date
    planned_from: dt.date
    preferred_to: dt.date
    last_on: dt.date
    spent_from: dt.date
    steps: tuple[Step, ...]
    notes: tuple[Note, ...] = ()

    @property
    def is_usable(self) -> bool:
        return self.ripe_from <= self.last_on

    def step(self, key: str) -> Step | None:
        return next((step for step in self.steps if step.key == key), None)

    def ages_on(self, day: dt.date) -> tuple[int, int]:
        """Return the ages of the youngest and the oldest drones on `day`; negative before emergence. [d]"""
        return (day - self.emerging_to).days, (day - self.emerging_from).days

    def fit(self, day: dt.date) -> DroneFit:
        """Say how `day` suits all drones of the cohort."""
        if day > self.last_on:
            return DroneFit.SPENT
        if day < self.emergency_from:
            return DroneFit.UNRIPE
        if day < self.ripe_from:
            return DroneFit.NEEDS_REASON
        return DroneFit.RIPE if day <= self.preferred_to else DroneFit.FADING
