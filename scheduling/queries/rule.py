"""The season at a glance: its days, its bench days, and when drones are ripe."""

import datetime as dt
from dataclasses import dataclass

from scheduling.models import BenchSession, DroneCohort, Season, SessionState
from scheduling.planning.timing import cohort_calendar
from scheduling.queries.season import settings_of
from scheduling.queries.sources import events_of_cohort


@dataclass(frozen=True)
class SeasonAtAGlance:
    season: Season
    bench_days: tuple[dt.date, ...]
    ripe: tuple[tuple[dt.date, dt.date], ...]


def season_at_a_glance(season: Season) -> SeasonAtAGlance:
    """Three queries whatever the season holds: sessions, figures, cohorts. Counts do not matter for ripeness."""
    days = (
        BenchSession.objects.filter(season=season, places__gt=0)
        .exclude(state=SessionState.CANCELLED)
        .order_by("day")
        .values_list("day", flat=True)
        .distinct()
    )
    settings = settings_of(season)
    cohorts = DroneCohort.objects.filter(
        source__season=season, source__withdrawn_at__isnull=True, source__hold_since__isnull=True
    )
    calendars = [
        cohort_calendar(events_of_cohort(cohort, zone="UTC", counts=[]), settings)
        for cohort in cohorts
        if cohort.ended_on is None
    ]
    ripe = [(calendar.ripe_from, calendar.spent_from) for calendar in calendars if calendar.is_usable]
    return SeasonAtAGlance(season, tuple(days), tuple(_joined(ripe)))


def _joined(stretches: list[tuple[dt.date, dt.date]]) -> list[tuple[dt.date, dt.date]]:
    """Overlapping and touching stretches as one."""
    joined: list[tuple[dt.date, dt.date]] = []
    for first, until in sorted(stretches):
        if joined and first <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], until))
        else:
            joined.append((first, until))
    return joined
