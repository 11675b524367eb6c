"""How many drones of a source can be counted on for a bench day, and how many are still to be had of it.

The same safe figures as in the plan: stock at its safe quantile, and the reserve line for the semen asked for. So a
request that fits here is not refused by the plan for reasons that could have been known.
"""

import datetime as dt
import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from django.db.models import QuerySet, Sum

from accounts.queries.often import asked_often
from scheduling.models import BenchSession, Booking, BookingMode, CountKind, DroneCall, PlanState, Season
from scheduling.planning.supply import safe_stock_eq
from scheduling.queries.sessions import WAITING_STATES
from scheduling.queries.sources import CohortView, SourceView
from scheduling.queries.supply import emerged_of, reserve_of, survival_of, worth_on

PER_DRONE = 1000  # stocks and reserves are told in thousandths of a drone
LOW, HIGH = 0.1, 0.9  # the band that is shown


@dataclass(frozen=True)
class Forecast:
    """Drones expected alive on the first ripe day, with a band from 10 to 90 %.

    `is_guess`: nothing but a promise stands behind it. `without_losses`: the season names no daily survival yet.
    """

    drones: int
    low: int
    high: int
    on: dt.date
    counted: int
    counted_on: dt.date
    is_guess: bool
    without_losses: bool


def cohort_forecast(view: CohortView) -> Forecast | None:
    """What the counts let one expect on the first day all are ripe, or today while they are; None without any count."""
    count = view.count
    if count is None:
        return None
    day = max(view.calendar.ripe_from, min(view.today, view.calendar.last_on))
    low = mean = high = float(count.number)
    knows_losses = _knows_losses(view)
    if knows_losses:
        emerged, survival = emerged_of(view, day), survival_of(view)
        assert emerged is not None  # there is a count
        mean = emerged.on(0, survival)
        low, high = (emerged.quantile(share, 0, survival) for share in (LOW, HIGH))
    return Forecast(
        drones=round(mean),
        low=round(low),
        high=round(high),
        on=day,
        counted=count.number,
        counted_on=count.counted_on,
        is_guess=count.kind == CountKind.PROMISED,
        without_losses=not knows_losses,
    )


def _knows_losses(view: CohortView | SourceView) -> bool:
    """Whether anybody said how many drones live to the next day; nothing is reckoned before."""
    return view.learned.knows_survival_of(view.source)


def safe_drones_on(view: SourceView, day: dt.date) -> int:
    """Ripe drones one may count on that day, of all cohorts of a source, before anything is taken."""
    stock = 0
    for cohort in view.cohorts:
        emerged = emerged_of(cohort, day) if cohort.is_ripe_on(day) else None
        if emerged is not None:
            stock += safe_stock_eq(
                emerged,
                level=float(view.settings.service_level_share),
                survival_per_day=survival_of(cohort),
            )
    return stock // PER_DRONE


class DroneRoom:
    """What is left of each source on the bench days of a season, in two queries for all of them.

    at : the one bench day that is asked for, where it is one; less is read then.
    """

    def __init__(self, season: Season, views: Sequence[SourceView], *, at: BenchSession | None = None) -> None:
        self.season, self.at = season, at
        self.ids = [view.source.pk for view in views]
        self.reserves = {view.source.pk: reserve_of(view) for view in views}
        self._worths: dict[tuple[int, dt.date], float] = {}

    def left(self, view: SourceView, session: BenchSession) -> int:
        """Drones of a source that neither the plan nor an open request counts on that day; never below 0."""
        pk = view.source.pk
        called = sum(
            view.still_called(at, drones)
            for (source, at, day), drones in self._called.items()
            if source == pk and day <= session.day
        )
        asked = self._reserved(view, self._asked.get((pk, session.pk), 0), session.day)
        return max(0, safe_drones_on(view, session.day) - called - asked)

    def short(
        self, session: BenchSession, ripe: Sequence[SourceView], *, queens: int, dose_tenths: int, mode: str
    ) -> int:
        """Drones missing for this request; 0 when there are enough.

        Sources nobody has counted, and a season that names no daily survival, are taken on trust: the plan waits for
        both. `each` may draw on all ripe sources, `one` needs a single one for the whole batch, `pool` equal parts.
        """
        if any(not _knows_losses(view) or all(cohort.count is None for cohort in view.cohorts) for view in ripe):
            return 0
        volume = queens * dose_tenths
        if mode == BookingMode.POOL:
            part = math.ceil(volume / len(ripe))
            return sum(self._short_of(view, session, part) for view in ripe)
        if mode == BookingMode.ONE:
            return min(self._short_of(view, session, volume) for view in ripe)
        return self._short_together(session, ripe, volume)

    def _short_of(self, view: SourceView, session: BenchSession, volume_tenths: int) -> int:
        return max(0, self._reserved(view, volume_tenths, session.day) - self.left(view, session))

    def _short_together(self, session: BenchSession, ripe: Sequence[SourceView], volume_tenths: int) -> int:
        """The scarcer sources give what they have; what is then missing is asked of the one with most left."""
        *others, last = sorted(ripe, key=lambda view: self.left(view, session))
        rest = volume_tenths
        for view in others:
            rest -= min(rest, self._volume_of(view, self.left(view, session), session.day))
        return self._short_of(last, session, rest)

    def _reserved(self, view: SourceView, volume_tenths: int, day: dt.date) -> int:
        """Drones to set aside for a volume on a day, at the age they will have; none for nothing."""
        per_tenth, once = self.reserves[view.source.pk]
        needed = (per_tenth * volume_tenths + once) / PER_DRONE / self._worth(view, day)
        return math.ceil(round(needed, 6)) if volume_tenths > 0 else 0

    def _volume_of(self, view: SourceView, drones: int, day: dt.date) -> int:
        """Tenths of a µl that so many drones safely give on a day."""
        per_tenth, once = self.reserves[view.source.pk]
        return max(0, math.floor(round(PER_DRONE * drones * self._worth(view, day), 6) - once) // per_tenth)

    def _worth(self, view: SourceView, day: dt.date) -> float:
        key = view.source.pk, day
        if key not in self._worths:
            self._worths[key] = worth_on(view, day)
        return self._worths[key]

    @cached_property
    def _called(self) -> dict[tuple[int, int, dt.date], int]:
        """Drones the plan in force wants brought, by source, session and its day."""
        return {(source, session, day): drones for source, session, day, drones in _calls_of(self.season.pk)}

    @cached_property
    def _asked(self) -> dict[tuple[int, int], int]:
        """Volumes asked for and not placed yet, tenths of a µl, shared evenly among the sources each accepts."""
        volumes: dict[tuple[int, int], int] = {}
        accepted: dict[tuple[int, int], list[int]] = defaultdict(list)
        for pk, session, queens, dose, source in _waiting(self.season.pk, self.at.pk if self.at else None):
            volumes[pk, session] = queens * dose
            accepted[pk, session].append(source)
        asked: dict[tuple[int, int], int] = defaultdict(int)
        for (pk, session), sources in accepted.items():
            for source in sources:
                asked[source, session] += math.ceil(volumes[pk, session] / len(sources))
        return asked


@asked_often
def _calls_of(season: int) -> QuerySet[DroneCall, tuple[int, int, dt.date, int]]:
    in_force = DroneCall.objects.filter(
        plan__season=season, plan__state__in=[PlanState.PUBLISHED, PlanState.CHANGED]
    ).order_by()
    return (
        in_force.values("source", "session", "session__day")
        .annotate(n=Sum("drones"))
        .values_list("source", "session", "session__day", "n")
    )


@asked_often
def _waiting(season: int, session: int | None) -> QuerySet[Booking, tuple[int, int, int, int, int]]:
    """A row for each source that a request accepts."""
    waiting = Booking.objects.filter(season=season, state__in=WAITING_STATES, accepted__isnull=False).order_by()
    of = waiting.filter(wished_session__isnull=False) if session is None else waiting.filter(wished_session=session)
    return of.values_list("pk", "wished_session", "queens", "dose_tenths", "accepted__source")
