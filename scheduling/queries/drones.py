"""How many drones a source is expected to have on a day, and how many a bench day still needs of it."""

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import Sum

from scheduling.models import BenchSession, Booking, BookingMode, DroneCall, PlanState, Season
from scheduling.planning.facts import Settings
from scheduling.queries.sessions import WAITING_STATES
from scheduling.queries.sources import CohortView, SourceView

TENTHS_PER_UL = 10


@dataclass(frozen=True)
class Forecast:
    """Drones expected alive on the first ripe day. `is_guess`: nothing but a promise stands behind it."""

    drones: int
    on: dt.date
    counted: int
    counted_on: dt.date
    is_guess: bool
    without_losses: bool


def cohort_forecast(view: CohortView, *, on: dt.date | None = None) -> Forecast | None:
    """The best count, less the season's daily loss until `on` (default: the first day all are ripe, or today)."""
    count = view.count
    if count is None:
        return None
    day = on or max(view.calendar.ripe_from, min(view.today, view.calendar.last_on))
    survival = view.source.daily_survival or view.settings.drone_daily_survival
    # Cells and promises lose nothing before they emerge; then loss runs by the day.
    since = max(count.counted_on, view.calendar.emerging_from)
    days = max(0, (day - since).days)
    alive = Decimal(count.number) * (Decimal(1) if survival is None else Decimal(survival) ** days)
    return Forecast(
        drones=math.floor(alive * (view.settings.drone_recapture_share or 1)),
        on=day,
        counted=count.number,
        counted_on=count.counted_on,
        is_guess=count.kind == "promised",
        without_losses=survival is None,
    )


def drones_on(view: SourceView, day: dt.date) -> int:
    """Ripe drones expected of all cohorts of a source on a day, before anything is taken."""
    forecasts = [cohort_forecast(cohort, on=day) for cohort in view.cohorts if cohort.is_ripe_on(day)]
    return sum(forecast.drones for forecast in forecasts if forecast is not None)


def drones_for(volume_tenths: int, view: SourceView) -> int:
    """Drones for so much semen at the source's own yield, or the season's."""
    usable = view.source.usable_share or view.settings.usable_share
    per_drone = view.source.ul_per_drone or view.settings.ul_per_drone
    return math.ceil(Decimal(volume_tenths) / TENTHS_PER_UL / (Decimal(usable) * Decimal(per_drone)))


class DroneRoom:
    """What is left of each source on bench days of a season: two queries for all of them."""

    def __init__(self, season: Season, views: Sequence[SourceView], *, settings: Settings) -> None:
        self.settings = settings
        ids = [view.source.pk for view in views]
        calls = (
            DroneCall.objects.filter(plan__season=season, plan__state__in=[PlanState.PUBLISHED, PlanState.CHANGED])
            .filter(source__in=ids)
            .values("source", "session__day")
            .annotate(n=Sum("drones"))
        )
        self._called = {(row["source"], row["session__day"]): row["n"] for row in calls}
        self._asked: dict[tuple[int, int], int] = {}
        waiting = Booking.objects.filter(
            season=season, state__in=WAITING_STATES, wished_session__isnull=False, accepted__source__in=ids
        ).distinct()
        for booking in waiting.prefetch_related("accepted"):
            accepted = [row.source_id for row in booking.accepted.all()]
            for source in accepted:
                key = (source, booking.wished_session_id or 0)
                share = math.ceil(booking.queens * booking.dose_tenths / len(accepted))
                self._asked[key] = self._asked.get(key, 0) + share

    def left(self, view: SourceView, session: BenchSession) -> int:
        """Drones of a source nobody has asked for that day; below 0 when it is short already."""
        called: int = self._called.get((view.source.pk, session.day), 0)
        asked = self._asked.get((view.source.pk, session.pk), 0)
        return drones_on(view, session.day) - called - drones_for(asked, view)

    def short(
        self, session: BenchSession, ripe: Sequence[SourceView], *, queens: int, dose_tenths: int, mode: str
    ) -> int:
        """Drones missing for this request; 0 when there are enough. Sources without any count are taken on trust.

        `each` may draw on all ripe sources, `one` needs a single one for the whole batch, `pool` equal parts of all.
        """
        counted = [view for view in ripe if any(cohort.count is not None for cohort in view.cohorts)]
        if len(counted) < len(ripe):
            return 0
        volume = queens * dose_tenths
        if mode == BookingMode.POOL:
            part = math.ceil(volume / len(ripe))
            return sum(max(0, drones_for(part, view) - max(0, self.left(view, session))) for view in ripe)
        missing = [drones_for(volume, view) - max(0, self.left(view, session)) for view in ripe]
        if mode == BookingMode.ONE:
            return max(0, min(missing))
        return max(0, self._missing_together(session, ripe, volume))

    def _missing_together(self, session: BenchSession, ripe: Sequence[SourceView], volume_tenths: int) -> int:
        """What one source cannot give another may: the rest is asked of the last, in drones of its yield."""
        rest = Decimal(volume_tenths)
        for view in ripe:
            drones = max(0, self.left(view, session))
            per_drone = self._tenths_per_drone(view)
            if drones * per_drone >= rest:
                return 0
            rest -= drones * per_drone
        return math.ceil(rest / self._tenths_per_drone(ripe[-1]))

    def _tenths_per_drone(self, view: SourceView) -> Decimal:
        usable = view.source.usable_share or self.settings.usable_share
        per_drone = view.source.ul_per_drone or self.settings.ul_per_drone
        return Decimal(usable) * Decimal(per_drone) * TENTHS_PER_UL
