"""Drones of each source over the coming bench days: expected with their band, called for by the plan, missing."""

import datetime as dt
from dataclasses import dataclass
from functools import cached_property
from zoneinfo import ZoneInfo

from scheduling.models import BenchSession, DroneCall, Season, SessionState
from scheduling.planning.bands import Band, alive_band, less, sum_bands
from scheduling.queries.plans import plan_in_force
from scheduling.queries.season import settings_of
from scheduling.queries.sources import CohortView, SourceView
from scheduling.queries.sources_at_hand import offered_at_hand
from scheduling.queries.supply import emerged_of
from scheduling.queries.words import day_words

DAYS_SHOWN = 35


@dataclass(frozen=True)
class BalanceDay:
    session: BenchSession
    ripe: int
    low: int
    high: int
    called: int

    @property
    def missing(self) -> int:
        """Drones called for beyond what is expected."""
        return max(0, self.called - self.ripe)

    @property
    def words(self) -> str:
        return day_words(self.session.day)


@dataclass(frozen=True)
class BalanceRow:
    """`taken`: drones that each bench day calls for and still has to get."""

    view: SourceView
    days: list[BalanceDay]
    taken: list[tuple[dt.date, int]]

    @cached_property
    def bands(self) -> list[tuple[dt.date, Band]]:
        """Ripe drones of each day that a strip shows; worked out for the strips that are drawn."""
        days = [self.view.today + dt.timedelta(days=offset) for offset in range(DAYS_SHOWN)]
        gone = {day: sum(drones for at, drones in self.taken if at < day) for day in days}
        return [(day, ripe_band(self.view, day, gone[day])) for day in days]


def order_of(session: BenchSession) -> tuple[dt.date, dt.datetime, int]:
    """Which session takes its drones first, of several on one day too."""
    return (session.day, session.starts_at, session.pk)


def ripe_band(view: SourceView, day: dt.date, gone: int) -> Band:
    """Ripe drones of a source on a day, less those that sessions before it take (they are gone, alive or not)."""
    bands = [band for cohort in view.cohorts if cohort.is_ripe_on(day) and (band := _alive(view, cohort, day))]
    return less(sum_bands(bands), gone)


def _alive(view: SourceView, cohort: CohortView, day: dt.date) -> Band | None:
    survival = view.learned.survival(view.source)
    if survival is None:
        return None
    emerged = emerged_of(cohort, view.today)
    return alive_band(emerged, (day - view.today).days, survival_per_day=survival) if emerged else None


def balance_of(season: Season, *, now: dt.datetime) -> list[BalanceRow]:
    """Of each source; those that are short somewhere stand first."""
    today = now.astimezone(ZoneInfo(season.cooperative.time_zone)).date()
    sessions = list(
        BenchSession.objects.filter(season=season, day__gte=today, places__gt=0)
        .exclude(state=SessionState.CANCELLED)
        .select_related("bench")
        .order_by("day", "starts_at", "pk")
    )
    plan = plan_in_force(season)
    called: dict[int, dict[int, int]] = {}
    for call in DroneCall.objects.filter(plan=plan) if plan else []:
        called.setdefault(call.source_id, {})[call.session_id] = call.drones
    rows = []
    for view in offered_at_hand(season, today=today, settings=settings_of(season)):
        calls = {pk: view.still_called(pk, drones) for pk, drones in called.get(view.source.pk, {}).items()}
        days, gone = [], 0
        for session in sessions:
            band = ripe_band(view, session.day, gone)
            drones = calls.get(session.pk, 0)
            days.append(BalanceDay(session, round(band.mean), round(band.low), round(band.high), drones))
            gone += drones
        rows.append(BalanceRow(view, days, [(day.session.day, day.called) for day in days if day.called]))
    return sorted(rows, key=lambda row: not any(day.missing for day in row.days))
