"""“Can I still?” for one season and one bench day: what may begin today, which batches and cohorts suit the day."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from accounts.access import Viewer
from scheduling.models import DroneCohort, QueenBatch, Season
from scheduling.planning.timing import CanStill, CohortState, DroneFit, Fit, can_still
from scheduling.queries.batches import BatchView, batch_calendars, batches_seen_by
from scheduling.queries.season import settings_of
from scheduling.queries.sessions import bench_days_to_come
from scheduling.queries.sources import CohortView
from scheduling.queries.sources_at_hand import offered_at_hand

OVER = {"inseminated", "laying", "closed"}


# In the words of which state a fit is said.
_DRONES_SAID = {DroneFit.UNRIPE: ("cohort", "ripening"), DroneFit.NEEDS_REASON: ("chance", "needs_reason")}
_QUEENS_SAID = {
    Fit.TOO_YOUNG: ("batch", "coming_ready"),
    Fit.NORMAL: ("batch", "ready"),
    Fit.NEEDS_REASON: ("chance", "needs_reason"),
    Fit.PAST_IT: ("batch", "past_it"),
}
# What serves on the day stands first.
_DRONES_ORDER = [DroneFit.RIPE, DroneFit.FADING, DroneFit.NEEDS_REASON, DroneFit.UNRIPE]
_QUEENS_ORDER = [Fit.NORMAL, Fit.NEEDS_REASON, Fit.TOO_YOUNG, Fit.PAST_IT]


@dataclass(frozen=True)
class DroneRow:
    """A cohort on that day. `on_hold`: its source may not be used now, whatever the age of its drones."""

    cohort: CohortView
    fit: DroneFit
    ages: tuple[int, int]
    on_hold: bool
    page: ClassVar[str] = "scheduling:cohort"

    @property
    def thing(self) -> DroneCohort:
        return self.cohort.cohort

    @property
    def is_promised(self) -> bool:
        return self.cohort.state == CohortState.PROMISED

    @property
    def said(self) -> tuple[str, str]:
        """(vocabulary, state) of its chip."""
        return _DRONES_SAID.get(self.fit, ("cohort", self.fit.value))

    @property
    def ages_text(self) -> str:
        return _ages_text(self.ages)

    @property
    def days(self) -> tuple[dt.date, dt.date]:
        return self.cohort.calendar.ripe_from, self.cohort.calendar.last_on


@dataclass(frozen=True)
class QueenRow:
    batch: BatchView
    fit: Fit
    ages: tuple[int, int]
    page: ClassVar[str] = "scheduling:batch"

    @property
    def thing(self) -> QueenBatch:
        return self.batch.batch

    @property
    def said(self) -> tuple[str, str]:
        return _QUEENS_SAID[self.fit]

    @property
    def ages_text(self) -> str:
        return _ages_text(self.ages)

    @property
    def days(self) -> tuple[dt.date, dt.date]:
        window = self.batch.calendar.window
        return window.opens_on, window.last_on


def _ages_text(ages: tuple[int, int]) -> str:
    """“3–6”, “4”; a dash before the oldest has emerged. [d]"""
    youngest, oldest = max(ages[0], 0), ages[1]
    if oldest < 0:
        return "–"
    return str(oldest) if youngest == oldest else f"{youngest}–{oldest}"


@dataclass(frozen=True)
class StillPage:
    day: dt.date
    answer: CanStill
    drones: list[DroneRow]
    queens: list[QueenRow]
    days: list[dt.date]


def still_page(
    viewer: Viewer, season: Season, *, today: dt.date, day: dt.date | None = None, everyone: bool = False
) -> StillPage:
    """The viewer's own batches (everyone's for the coordinator or on request), drones of the whole cooperative.

    Without a day: the first bench day for which a drone comb put in today still serves, else the first at all.
    """
    settings = settings_of(season)
    days = bench_days_to_come(season, today=today)
    if day is None:
        day = _first_within_reach(days, can_still(today, today, settings).first_day_from_comb)
    batches = batches_seen_by(viewer).filter(season=season, closed_on__isnull=True)
    if not everyone and viewer.is_member:
        batches = batches.filter(member__in=viewer.member_ids)
    views = [view for view in batch_calendars(batches, season=season, today=today) if view.state not in OVER]
    cohorts = [
        (cohort, source.state == "on_hold")
        for source in offered_at_hand(season, today=today, settings=settings)
        for cohort in source.cohorts
        if cohort.cohort.ended_on is None
    ]
    answer = can_still(
        today,
        day,
        settings,
        {str(cohort.cohort): cohort.calendar for cohort, on_hold in cohorts if not on_hold},
        {str(view.batch): view.calendar for view in views},
    )
    return StillPage(
        day=day,
        answer=answer,
        drones=_drones(cohorts, day),
        queens=_queens(views, day),
        days=days,
    )


def _drones(cohorts: Sequence[tuple[CohortView, bool]], day: dt.date) -> list[DroneRow]:
    """Those that serve on that day first; of the same fit in the order of their sources."""
    rows = [
        DroneRow(cohort, cohort.calendar.fit(day), cohort.calendar.ages_on(day), on_hold) for cohort, on_hold in cohorts
    ]
    rows = [row for row in rows if row.fit is not DroneFit.SPENT]
    return sorted(rows, key=lambda row: (row.on_hold, _DRONES_ORDER.index(row.fit)))


def _queens(views: Sequence[BatchView], day: dt.date) -> list[QueenRow]:
    rows = [QueenRow(view, view.calendar.window.fit(day), view.calendar.window.ages_on(day)) for view in views]
    return sorted(rows, key=lambda row: _QUEENS_ORDER.index(row.fit))


def _first_within_reach(days: Sequence[dt.date], from_comb: dt.date) -> dt.date:
    within = [day for day in days if day >= from_comb]
    return next(iter(within or days), from_comb)
