"""The season as the planner's problem: what is asked, who is there, which drones can be promised.

Ids are primary keys as text, days count from the first day (today in the cooperative's zone, `meta.first_day`).
Only sessions that are open and not past take part; what is on the bench now is no longer the planner's.
"""

import datetime as dt
import hashlib
import json
from collections import defaultdict
from dataclasses import replace
from decimal import Decimal
from zoneinfo import ZoneInfo

from django.db.models import Count as CountRows
from django.db.models import Q
from django.utils.translation import gettext as _

from accounts.refusals import Refusal
from scheduling.models import (
    BatchQueen,
    BenchPlace,
    BenchSession,
    Booking,
    BookingMode,
    BookingState,
    CountKind,
    PlaceState,
    QueenBatch,
    Season,
    SessionState,
)
from scheduling.models.booking import ENDED_BOOKINGS
from scheduling.planning.facts import FACTS, Settings
from scheduling.planning.problem import Accepted, Bench, BenchDay, Cohort, Excluded, Member, Problem, Rules, Source
from scheduling.planning.problem import Booking as PureBooking
from scheduling.planning.problem_file import problem_to_json
from scheduling.planning.supply import (
    Count,
    Emerged,
    Yield,
    after_taking,
    day_weights,
    emerged_from_counts,
    reserve_line,
    safe_stock_eq,
    with_those_taken,
)
from scheduling.planning.supply import CountKind as Kind
from scheduling.queries.batches import BatchView, batch_views
from scheduling.queries.plan_rows import pure_placement
from scheduling.queries.plans import plan_in_force
from scheduling.queries.season import settings_of
from scheduling.queries.sources import CohortView, SourceView, source_views

MERIT_SCALE = 100  # the planner's merit is whole: hundredths of a genetic standard deviation
PROMISE_CV = 2.0  # a promise is this much less certain than a count (our choice, until counts have taught better)
LEAST_UL, MOST_UL = 4.0, 240.0  # what one source is asked for in one session: half a small dose to 30 full ones
KINDS: dict[str, Kind] = {CountKind.CAPPED: "capped", CountKind.EMERGED: "emerged", CountKind.SEEN: "seen"}
DAYS_AFTER = 1  # the other CO2 of the last session may come the day after it
NOT_PLANNED = [BookingState.NOT_SENT, *ENDED_BOOKINGS]


def problem_of(season: Season, *, now: dt.datetime) -> Problem:
    """Read the season as it is now. Refused, with what to do, while a figure that planning needs is not set."""
    settings = settings_of(season)
    missing = settings.missing(FACTS)
    if missing:
        raise Refusal(
            _("Set these figures of the season first: %(names)s.") % {"names": "; ".join(f.label for f in missing)},
            rule="settings_missing",
            lifted_by="coordinator",
        )
    first = now.astimezone(ZoneInfo(season.cooperative.time_zone)).date()
    sessions = list(
        BenchSession.objects.filter(season=season, state=SessionState.OPEN, day__gte=first).order_by("day", "pk")
    )
    days = max(((session.day - first).days for session in sessions), default=0) + 1 + DAYS_AFTER
    sources = source_views(season.sources.filter(withdrawn_at=None), season=season, today=first)
    bench_ids = sorted({session.bench_id for session in sessions})
    bookings = _bookings(season, first, settings, sources, bench_ids)
    in_force = plan_in_force(season)
    published = (
        in_force.placements.filter(session__in=sessions, booking__in=[int(b.id) for b in bookings])
        .select_related("session", "pool")
        .order_by("pk")
        if in_force
        else []
    )
    return Problem(
        name=f"{season.pk}",
        days=days,
        weights=day_weights(days, float(settings.needed("drone_daily_survival"))),
        rules=_rules(settings),
        benches=_benches(sessions, first),
        sources=tuple(_source(view, first, days, bench_ids, settings) for view in sources),
        members=tuple(Member(id=member) for member in sorted({booking.member for booking in bookings})),
        bookings=bookings,
        frozen=tuple(pure_placement(placement, first) for placement in published if placement.frozen),
        published=tuple(pure_placement(placement, first) for placement in published),
        meta={"first_day": first.isoformat()},
    )


def facts_mark(problem: Problem) -> str:
    """A digest of the facts, blind to what was published: when it differs, the facts have changed since."""
    data = problem_to_json(problem)
    data.pop("published", None)
    data.pop("frozen", None)
    return hashlib.sha256(json.dumps(data, sort_keys=True).encode()).hexdigest()


def _rules(settings: Settings) -> Rules:
    per_hour = float(settings.needed("operator_queens_per_hour"))
    return Rules(
        queen_minutes=max(1, round(60 / per_hour)),
        setup_minutes=round(settings.needed("source_setup_minutes")),
        co2_first_age=settings.co2_first_age_days,
        max_source_share_permille=round(1000 * settings.max_source_share),
        min_sources=settings.min_sources if settings.min_sources > 1 else 0,  # 1 says: no such rule
        min_source_ul10=1,
        survival_per_day=float(settings.needed("drone_daily_survival")),
        drone_first_age=settings.drone_age_first_days,
        drone_last_age=settings.drone_age_last_days,
        reserve_level=float(settings.service_level_share),
    )


def _benches(sessions: list[BenchSession], first: dt.date) -> tuple[Bench, ...]:
    """Bench days, and beside each the days on which only the other CO2 treatment is given."""
    days: dict[int, dict[int, BenchDay]] = defaultdict(dict)
    for session in sessions:
        day = (session.day - first).days
        days[session.bench_id][day] = BenchDay(
            day, session.operator_minutes, session.collect_drones, session.places, session.co2_capacity
        )
    for session in sessions:
        for beside in ((session.day - first).days - 1, (session.day - first).days + 1):
            there = days[session.bench_id].get(beside)
            if beside >= 0 and (there is None or (there.max_queens == 0 and there.co2_capacity < session.co2_capacity)):
                days[session.bench_id][beside] = BenchDay(beside, 0, 0, 0, session.co2_capacity)
    return tuple(
        Bench(str(bench), tuple(by_day[day] for day in sorted(by_day))) for bench, by_day in sorted(days.items())
    )


def source_yield(view: SourceView) -> Yield:
    """The source's own yield where it is set or learned, else the season's."""
    source, settings = view.source, view.settings
    return Yield(
        usable_fraction=float(source.usable_share or settings.usable_share),
        kappa=float(settings.yield_concentration),
        ul_per_drone=float(source.ul_per_drone or settings.ul_per_drone),
        cv_volume=float(settings.volume_cv),
    )


def reserve_of(view: SourceView) -> tuple[int, int]:
    """Thousandths of a drone to set aside: for each tenth of a µl, and once for a session."""
    return reserve_line(
        source_yield(view), level=float(view.settings.service_level_share), least_ul=LEAST_UL, most_ul=MOST_UL
    )


def emerged_of(view: CohortView, first: dt.date) -> Emerged | None:
    """How many drones emerged, less those tried at the bench since, from every count of the cohort that holds.

    A promise counts only while nothing is counted.
    """
    settings, calendar = view.settings, view.calendar
    middle = calendar.emerging_from + (calendar.emerging_to - calendar.emerging_from) // 2
    cv = float(settings.count_cv)
    counts = [
        Count(KINDS[count.kind], (count.counted_on - first).days, count.number, cv)
        for count in view.counts
        if count.kind in KINDS
    ]
    if not counts:
        counts = [Count("capped", (c.counted_on - first).days, c.number, cv * PROMISE_CV) for c in view.counts[:1]]
    recapture = float(settings.drone_recapture_share or 1)
    survival = float(survival_of(view))
    taken = {(day - first).days: drones / recapture for day, drones in view.taken.items()}  # as many there are of each
    emerged = emerged_from_counts(
        [with_those_taken(count, taken, survival_per_day=survival) for count in counts],
        emerge_day=(middle - first).days,
        shares={},
        survival_per_day=survival,
    )
    if emerged is None:
        return None
    left = after_taking(emerged, taken, survival_per_day=survival)
    return replace(left, mean=left.mean * recapture)


def survival_of(view: CohortView) -> Decimal:
    return view.source.daily_survival or view.settings.needed("drone_daily_survival")


def _source(view: SourceView, first: dt.date, days: int, bench_ids: list[int], settings: Settings) -> Source:
    given = source_yield(view)
    md_per_ul10, md_fixed = reserve_of(view)
    own = {bench.pk for bench in view.source.benches.all()}
    on_hold = view.source.hold_since is not None or view.is_certificate_over
    cohorts = [] if on_hold else [_cohort(cohort, first, days, settings) for cohort in view.cohorts]
    return Source(
        id=str(view.source.pk),
        md_per_ul10=md_per_ul10,
        md_fixed=md_fixed,
        benches=tuple(str(bench) for bench in bench_ids if not own or bench in own),
        cohorts=tuple(cohort for cohort in cohorts if cohort is not None),
        usable_fraction=given.usable_fraction,
        kappa=given.kappa,
        ul_per_drone=given.ul_per_drone,
        cv_volume=given.cv_volume,
    )


def _cohort(view: CohortView, first: dt.date, days: int, settings: Settings) -> Cohort | None:
    """The cohort's safe stock on its ripe days; None without a count or without a ripe day ahead."""
    calendar = view.calendar
    emerged = emerged_of(view, first)
    if emerged is None or not calendar.is_usable:
        return None
    last_on = min(calendar.last_on, view.cohort.ended_on or calendar.last_on)
    first_day, last_day = max(0, (calendar.ripe_from - first).days), min(days - 1, (last_on - first).days)
    if first_day > last_day:
        return None
    stock = safe_stock_eq(
        emerged,
        level=float(settings.service_level_share),
        survival_per_day=float(survival_of(view)),
        weighed_per_day=float(settings.needed("drone_daily_survival")),
        days=(first_day, last_day),
    )
    return Cohort(first_day, last_day, stock, emerge=emerged.day, count=round(emerged.mean))


def _bookings(
    season: Season, first: dt.date, settings: Settings, sources: list[SourceView], bench_ids: list[int]
) -> tuple[PureBooking, ...]:
    rows = list(
        Booking.objects.filter(season=season)
        .exclude(state__in=NOT_PLANNED)
        .select_related("batch")
        .prefetch_related("accepted")
        .order_by("asked_at", "pk")
    )
    batches = QueenBatch.objects.filter(pk__in={booking.batch_id for booking in rows})
    views = {view.batch.pk: view for view in batch_views(batches, season=season, today=first)}
    left = _queens_left(rows)
    open_sources = {view.source.pk: view for view in sources}
    found = []
    for booking in rows:
        view, queens = views[booking.batch_id], left[booking.pk]
        if queens > 0 and view.batch.closed_on is None:
            found.append(_booking(booking, view, queens, first, settings, open_sources, bench_ids))
    return tuple(found)


def _queens_left(bookings: list[Booking]) -> dict[int, int]:
    """Queens still to be planned: asked for, less those at the bench or done, and no more than are alive."""
    dealt_with = dict(
        BenchPlace.objects.filter(booking__in=bookings, state__in=[PlaceState.HELD, PlaceState.DONE])
        .exclude(session__state=SessionState.OPEN)
        .order_by()
        .values_list("booking")
        .annotate(CountRows("pk"))
    )
    emerged = {booking.batch_id for booking in bookings if booking.batch.virgins_emerged is not None}
    free = dict(
        BatchQueen.objects.filter(batch__in=emerged)
        .exclude(state__in=["set_aside", "lost"])
        .exclude(Q(doses__undone_at__isnull=True) & Q(doses__isnull=False))
        .order_by()
        .values_list("batch")
        .annotate(CountRows("pk", distinct=True))
    )
    left = {}
    for booking in bookings:
        queens = booking.queens - dealt_with.get(booking.pk, 0)
        if booking.batch_id in emerged:
            # Several bookings of one batch share its virgins, the earliest asked first.
            queens = min(queens, free.get(booking.batch_id, 0))
            free[booking.batch_id] = free.get(booking.batch_id, 0) - max(0, queens)
        left[booking.pk] = max(0, queens)
    return left


def _booking(
    booking: Booking,
    view: BatchView,
    queens: int,
    first: dt.date,
    settings: Settings,
    sources: dict[int, SourceView],
    bench_ids: list[int],
) -> PureBooking:
    accepted, excluded = [], []
    for row in booking.accepted.all():
        source = sources.get(row.source_id)
        if source is None:
            continue
        reason = _blocked(source, row.inbreeding, row.viability, settings)
        if reason:
            excluded.append(Excluded(str(row.source_id), reason, row.inbreeding))
        accepted.append(Accepted(str(row.source_id), round(MERIT_SCALE * (row.merit or 0.0))))
    pooled = booking.mode == BookingMode.POOL
    return PureBooking(
        id=str(booking.pk),
        member=str(booking.member_id),
        queens=queens,
        emerge=(view.calendar.emergence_on - first).days,
        ul10=booking.dose_tenths,
        age_min=settings.virgin_age_first_days,
        age_max=settings.virgin_age_last_days,
        benches=tuple(str(bench) for bench in bench_ids),
        sources=tuple(accepted),
        mode="pool" if pooled else "one" if booking.mode == BookingMode.ONE else "each",
        best_min=settings.virgin_age_best_first_days,
        best_max=settings.virgin_age_best_last_days,
        excluded=tuple(excluded),
        pool=f"P{booking.pk}" if pooled else None,
        min_sources=2 if pooled else 1,
    )


def _blocked(source: SourceView, inbreeding: float | None, viability: float | None, settings: Settings) -> str:
    if source.source.hold_since is not None:
        return "health_hold"
    if source.is_certificate_over:
        return "certificate"
    if inbreeding is not None and inbreeding > float(settings.inbreeding_limit_share):
        return "inbreeding"
    if viability is not None and viability < float(settings.viability_stop_share):
        return "viability"
    return ""
