"""What a plan may count on of each source: its yield with the reserve, its cohorts' drones, semen in store."""

import datetime as dt
import math
from collections.abc import Sequence

from scheduling.models import BenchSession, CountKind
from scheduling.planning.ages import age_of_lot, band_of
from scheduling.planning.facts import Settings
from scheduling.planning.problem import Cohort, Source
from scheduling.planning.service_curve import Stock, Truth
from scheduling.planning.stored import stored_cohort
from scheduling.planning.supply import (
    Count,
    Emerged,
    Yield,
    after_taking,
    day_weights,
    emerged_from_counts,
    line_level,
    reachable,
    reserve_line,
    safe_stock_eq,
    with_those_taken,
)
from scheduling.planning.supply import CountKind as Kind
from scheduling.queries.problem_rows import ProblemRows
from scheduling.queries.sources import CohortView, SourceView

PROMISE_CV = 2.0  # a promise is this much less certain than a count (our choice, until counts have taught better)
LEAST_CV = 0.001  # a season may set counts as exact; they still need a weight
ONE_SD_BELOW = 0.158655254  # the level whose safe stock lies one standard deviation above the middle
LEAST_UL, MOST_UL = 4.0, 240.0  # what one source is asked for in one session: half a small dose to 30 full ones
KINDS: dict[str, Kind] = {CountKind.CAPPED: "capped", CountKind.EMERGED: "emerged", CountKind.SEEN: "seen"}


def source_yield(view: SourceView, *, age: int | None = None) -> Yield:
    """What its drones, or those of an age [days], give: learned at the bench, starting from what is set for it."""
    return view.learned.of(view.source, age=age).gives


def reserve_of(view: SourceView, *, age: int | None = None) -> tuple[int, int]:
    """Thousandths of a drone to set aside: for each tenth of a µl, and once for a session.

    Worked out once for each view and band of age, however often it is asked.
    """
    band = None if age is None else band_of(age)
    if band not in view.reserves:
        level, gives = line_level(float(view.settings.service_level_share)), source_yield(view, age=age)
        line = reserve_line(reachable(gives, level=level), level=level, least_ul=LEAST_UL, most_ul=MOST_UL)
        view.reserves[band] = line
    return view.reserves[band]


def worth_on(view: SourceView, day: dt.date) -> float:
    """What a drone of the source counts on that day, at the age it will have, in drones as the reserve knows them.

    The reserve line holds for its drones of all ages together; one of an age that gives less is worth less than one.
    """
    cohort = view.oldest_ripe_on(day)
    return 1.0 if cohort is None else _worth_of(view, cohort, day)


def _worth_of(view: SourceView, cohort: CohortView, day: dt.date) -> float:
    age = age_of_lot(*cohort.calendar.ages_on(day))
    return reserve_of(view)[0] / reserve_of(view, age=age)[0]


def emerged_of(view: CohortView, first: dt.date) -> Emerged | None:
    """How many drones emerged, less those tried at the bench since, from every count of the cohort that holds.

    A promise counts only while nothing is counted. Worked out once for each view and day, however often it is asked.
    """
    if first not in view.emerged:
        view.emerged[first] = _emerged_of(view, first)
    return view.emerged[first]


def _emerged_of(view: CohortView, first: dt.date) -> Emerged | None:
    settings, calendar = view.settings, view.calendar
    middle = calendar.emerging_from + (calendar.emerging_to - calendar.emerging_from) // 2
    cv = max(float(settings.count_cv), LEAST_CV)
    counts = [
        Count(KINDS[count.kind], (count.counted_on - first).days, count.number, cv)
        for count in view.counts
        if count.kind in KINDS
    ]
    if not counts:
        counts = [Count("capped", (c.counted_on - first).days, c.number, cv * PROMISE_CV) for c in view.counts[:1]]
    recapture = float(settings.drone_recapture_share or 1)
    survival = survival_of(view)
    taken = {(day - first).days: drones / recapture for day, drones in view.taken.items()}  # as many there are of each
    emerged = emerged_from_counts(
        [with_those_taken(count, taken, survival_per_day=survival) for count in counts],
        emerge_day=(middle - first).days,
        shares={},
        survival_per_day=survival,
    )
    if emerged is None:
        return None
    return after_taking(emerged, taken, survival_per_day=survival).times(recapture)


def survival_of(view: SourceView | CohortView) -> float:
    """Daily survival of its drones: set for the source, or learned from recounts, starting from the season's."""
    survival = view.learned.survival(view.source)
    return float(view.settings.needed("drone_daily_survival")) if survival is None else survival


def season_survival(views: Sequence[SourceView], settings: Settings) -> float:
    """Daily survival behind the weights of the season's days: learned over all sources, else as it is set."""
    learned = views[0].learned.common_survival if views else None
    return float(settings.needed("drone_daily_survival")) if learned is None else learned


class Supply:
    """What the planner gets of each source, from its first day on, for the bench days given."""

    def __init__(
        self,
        rows: ProblemRows,
        sessions: Sequence[BenchSession],
        *,
        settings: Settings,
        first: dt.date,
        days: int,
        survival: float,
    ) -> None:
        self.rows, self.sessions, self.first, self.days = rows, sessions, first, days
        self.settings, self.survival = settings, survival
        self.weights = day_weights(days, survival)
        self.bench_ids = sorted({session.bench_id for session in sessions})
        self._of_source: dict[int, list[tuple[Cohort, Stock]]] = {}

    def source(self, view: SourceView) -> Source:
        given = source_yield(view)
        md_per_ul10, md_fixed = reserve_of(view)
        benches = self._benches(view)
        return Source(
            id=str(view.source.pk),
            md_per_ul10=md_per_ul10,
            md_fixed=md_fixed,
            benches=tuple(str(bench) for bench in benches),
            cohorts=tuple(cohort for cohort, _stock in self._planned(view)),
            share_cap_permille=view.source.share_cap_permille,
            share_target_permille=view.source.share_target_permille,
            usable_fraction=given.usable_fraction,
            kappa=given.kappa,
            ul_per_drone=given.ul_per_drone,
            cv_volume=given.cv_volume,
        )

    def truth(self, views: Sequence[SourceView]) -> Truth:
        """What the reserves are to cover: yields, and the stock of each cohort with its doubt."""
        return Truth(
            gives={str(view.source.pk): source_yield(view) for view in views},
            stocks={str(view.source.pk): tuple(stock for _cohort, stock in self._planned(view)) for view in views},
            least_ul=LEAST_UL,
            most_ul=MOST_UL,
        )

    def drones_for_seconds(self, views: Sequence[SourceView]) -> dict[int, int]:
        """Drones that the second doses of each session need, whatever else is planned there."""
        found: dict[int, float] = {}
        for view in views:
            for session_pk, drones in self._for_seconds(view).items():
                found[session_pk] = found.get(session_pk, 0.0) + drones
        return {session_pk: math.ceil(drones) for session_pk, drones in found.items()}

    def _for_seconds(self, view: SourceView) -> dict[int, float]:
        """Drones of one source for the second doses of each session, with the reserve."""
        per_tenth, once = reserve_of(view)
        days = {session.pk: session.day for session in self.sessions}
        return {
            session_pk: (per_tenth * tenths + once)
            / 1000
            / (worth_on(view, days[session_pk]) if session_pk in days else 1)
            for session_pk, reserved in self.rows.reserved.items()
            if (tenths := reserved.tenths.get(view.source.pk, 0))
        }

    def _benches(self, view: SourceView) -> list[int]:
        return [bench for bench in self.bench_ids if view.comes_to(bench)]

    def _planned(self, view: SourceView) -> list[tuple[Cohort, Stock]]:
        """Drones and stored semen of a source, each as it is planned and as it is."""
        pk = view.source.pk
        if pk not in self._of_source:
            self._of_source[pk] = [] if is_held(view) else [*self._drones(view), *self._stored(view)]
        return self._of_source[pk]

    def _drones(self, view: SourceView) -> list[tuple[Cohort, Stock]]:
        """Cohorts with a count and a ripe day ahead."""
        due, found = self._due(view), []
        open_on = {s.day for s in self.sessions if s.places and view.comes_to(s.bench_id)}
        level, survival = float(view.settings.service_level_share), survival_of(view)
        for cohort in view.cohorts:
            calendar, emerged = cohort.calendar, emerged_of(cohort, self.first)
            last_on = min(calendar.last_on, cohort.cohort.ended_on or calendar.last_on)
            days = max(0, (calendar.ripe_from - self.first).days), min(self.days - 1, (last_on - self.first).days)
            if emerged is None or not calendar.is_usable or days[0] > days[1]:
                continue
            emerged = after_taking(emerged, due.get(cohort.cohort.pk, {}), survival_per_day=survival)
            safe, middle, above = (
                safe_stock_eq(emerged, level=at, survival_per_day=survival, weighed_per_day=self.survival, days=days)
                for at in (level, 0.5, ONE_SD_BELOW)
            )
            # A comb is one number whenever it is taken: what its drones are worth on the worst of its bench days.
            on = [day for day in open_on if days[0] <= (day - self.first).days <= days[1]]
            worth = min((_worth_of(view, cohort, day) for day in on), default=1.0)
            planned = Cohort(*days, math.floor(safe * worth), emerge=emerged.day, count=round(emerged.mean))
            found.append((planned, Stock(middle * worth, (above - middle) * worth)))
        return found

    def worths(self, views: Sequence[SourceView]) -> dict[str, dict[str, int]]:
        """What a drone is worth at its age, where that is not one: by source and day of the horizon. [1/1000]"""
        found: dict[str, dict[str, int]] = {}
        days = sorted({session.day for session in self.sessions})
        for view in views:
            of_days = {day: round(1000 * worth_on(view, day)) for day in days}
            told = {str((day - self.first).days): worth for day, worth in of_days.items() if worth != 1000}
            if told:
                found[str(view.source.pk)] = told
        return found

    def _stored(self, view: SourceView) -> list[tuple[Cohort, Stock]]:
        """Semen in store, in the terms of drones; lots of the same days together."""
        kept = [one for one in self.rows.kept if one.source_id == view.source.pk]
        found: dict[tuple[int, int], int] = {}
        if not kept:
            return []
        days = {
            bench: {(s.day - self.first).days for s in self.sessions if s.bench_id == bench and s.places}
            for bench in self._benches(view)
        }
        for stored in kept:
            cohort = stored_cohort(
                stored.tenths,
                md_per_ul10=reserve_of(view)[0],
                here=days.get(stored.bench_id, set()),
                elsewhere={day for bench, open_on in days.items() if bench != stored.bench_id for day in open_on},
                last_day=self.days - 1 if stored.until is None else (stored.until - self.first).days,
                weights=self.weights,
            )
            if cohort is not None:
                of_days = (cohort.first_day, cohort.last_day)
                found[of_days] = found.get(of_days, 0) + cohort.stock_eq
        return [(Cohort(*of_days, stock), Stock(float(stock), 0.0)) for of_days, stock in sorted(found.items())]

    def _due(self, view: SourceView) -> dict[int, dict[int, float]]:
        """Drones that running sessions called for and have not tried yet, and those for second doses that are due, by
        cohort and day: as good as gone. They come from the oldest cohort ripe on their day, as those tried do.
        """
        days = {session.pk: session.day for session in self.sessions}
        gone: list[tuple[dt.date, float]] = [
            (row.day, view.still_called(row.session_id, row.drones))
            for row in self.rows.called
            if row.source_id == view.source.pk
        ]
        gone += [(days[pk], drones) for pk, drones in self._for_seconds(view).items() if pk in days]
        found: dict[int, dict[int, float]] = {}
        for on, drones in gone:
            cohort = view.oldest_ripe_on(on)
            if cohort is not None:
                of_cohort = found.setdefault(cohort.cohort.pk, {})
                day = (on - self.first).days
                of_cohort[day] = of_cohort.get(day, 0) + drones
        return found


def is_held(view: SourceView) -> bool:
    """On health hold or without a valid certificate: nothing of it is planned, neither drones nor semen in store."""
    return view.source.hold_since is not None or view.is_certificate_over
