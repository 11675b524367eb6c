"""The season at a glance: its days, its bench days, and when drones are ripe."""

import datetime as dt
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from django.db.models import QuerySet

from accounts.queries.often import asked_often
from scheduling.models import BenchSession, DroneCohort, Season, SessionState
from scheduling.planning.facts import Settings
from scheduling.planning.timing import CohortEvents, cohort_calendar
from scheduling.queries.season import settings_of

OBSERVED = ("promised_comb_on", "comb_in_on", "laid_on", "capped_on", "emerged_on")


@dataclass(frozen=True)
class SeasonAtAGlance:
    season: Season
    bench_days: tuple[dt.date, ...]
    ripe: tuple[tuple[dt.date, dt.date], ...]


def season_at_a_glance(season: Season) -> SeasonAtAGlance:
    """Three queries whatever the season holds: sessions, figures, cohorts. Counts do not matter for ripeness."""
    ripe = _ripe(tuple(_observed(season.pk)), settings_of(season))
    return SeasonAtAGlance(season, tuple(day for (day,) in _bench_days(season.pk)), ripe)


@lru_cache(maxsize=64)  # every page asks for it, and its days change seldom
def _ripe(observed: tuple[tuple[Any, ...], ...], settings: Settings) -> tuple[tuple[dt.date, dt.date], ...]:
    events = [CohortEvents(**dict(zip(OBSERVED, days, strict=True))) for days in observed]
    calendars = [cohort_calendar(of_one, settings) for of_one in events]
    return tuple(_joined([(one.ripe_from, one.spent_from) for one in calendars if one.is_usable]))


@asked_often
def _bench_days(season: int) -> QuerySet[BenchSession, tuple[dt.date]]:
    held = BenchSession.objects.filter(season=season, places__gt=0).exclude(state=SessionState.CANCELLED)
    return held.order_by("day").values_list("day").distinct()


@asked_often
def _observed(season: int) -> QuerySet[DroneCohort, Any]:
    """Days of each cohort that may be ripe."""
    cohorts = DroneCohort.objects.filter(
        source__season=season,
        source__withdrawn_at__isnull=True,
        source__hold_since__isnull=True,
        ended_on__isnull=True,
    )
    return cohorts.order_by("pk").values_list(*OBSERVED)


def _joined(stretches: list[tuple[dt.date, dt.date]]) -> list[tuple[dt.date, dt.date]]:
    """Overlapping and touching stretches as one."""
    joined: list[tuple[dt.date, dt.date]] = []
    for first, until in sorted(stretches):
        if joined and first <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], until))
        else:
            joined.append((first, until))
    return joined
