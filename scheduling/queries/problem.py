"""The season as the planner's problem: what is asked, who is there, which drones can be promised.

Ids are primary keys as text, days count from the first day (today in the cooperative's zone, `meta.first_day`).
Only sessions that are open and not past take part; what is on the bench now is no longer the planner's.
"""

import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Any
from zoneinfo import ZoneInfo

from django.utils.translation import gettext as _

from accounts.refusals import Refusal
from scheduling.models import BenchSession, Booking, BookingMode, QueenBatch, Season
from scheduling.planning.facts import FACTS, Settings
from scheduling.planning.problem import Accepted, Bench, BenchDay, Excluded, Member, Problem, Rules
from scheduling.planning.problem import Booking as PureBooking
from scheduling.planning.service_curve import Truth
from scheduling.planning.supply import day_weights
from scheduling.planning.timing import Emergence, first_emergence
from scheduling.queries.events import emergences_on, recorded_of_batch
from scheduling.queries.minutes import BenchMinutes
from scheduling.queries.plan_rows import Placed, placed_pure
from scheduling.queries.problem_rows import ProblemRows, Rows, bookings_of, by_first, problem_rows, sessions_of
from scheduling.queries.season import cross_limit_broken, settings_of
from scheduling.queries.second_doses import Reserved
from scheduling.queries.sources import SourceView
from scheduling.queries.sources_at_hand import Views, offered, sources_at_hand
from scheduling.queries.supply import Supply, season_survival

MERIT_SCALE = 100  # the planner's merit is whole: hundredths of a genetic standard deviation
DAYS_AFTER = 1  # the other CO2 of the last session may come the day after it
MOST_KEPT = 8  # seasons, days and figures
_KEPT: dict[tuple[Any, ...], tuple[Views, ProblemRows, tuple[Problem, Truth]]] = {}


def problem_of(season: Season, *, now: dt.datetime, settings: Settings | None = None) -> Problem:
    """Read the season as it is now. Refused, with what to do, while a figure that planning needs is not set.

    settings : figures to reckon with instead of the season's own.
    """
    return problem_and_truth(season, now=now, settings=settings)[0]


def problem_and_truth(season: Season, *, now: dt.datetime, settings: Settings | None = None) -> tuple[Problem, Truth]:
    """The problem, and beside it what its reserves are to cover.

    The rows behind it are read each time; while they and the sources are the same, so is the problem. It is shared.
    """
    settings = settings or settings_of(season)
    missing = settings.missing(FACTS)
    if missing:
        raise Refusal(
            _("Set these figures of the season first: %(names)s.")
            % {"names": "; ".join(str(figure.label) for figure in missing)},
            rule="settings_missing",
            lifted_by="coordinator",
        )
    zone = season.cooperative.time_zone
    first = now.astimezone(ZoneInfo(zone)).date()
    views = sources_at_hand(season, today=first, settings=settings)
    rows = problem_rows(season, settings)
    of = (season.pk, zone, first, settings)
    known = _KEPT.get(of)
    if known is not None and known[0] is views and known[1] == rows:
        return known[2]
    made = _made(season, views, rows, settings=settings, first=first)
    if len(_KEPT) >= MOST_KEPT:
        _KEPT.clear()
    _KEPT[of] = views, rows, made
    return made


def problems_forget() -> None:
    """Forget what is kept: for tests, whose databases begin anew with the same numbers."""
    _KEPT.clear()


def _made(
    season: Season, views: Views, rows: ProblemRows, *, settings: Settings, first: dt.date
) -> tuple[Problem, Truth]:
    sessions = sessions_of(rows, first)
    days = max(((session.day - first).days for session in sessions), default=0) + 1 + DAYS_AFTER
    sources = offered(views)
    survival = season_survival(sources, settings)
    supply = Supply(rows, sessions, settings=settings, first=first, days=days, survival=survival)
    bench_ids = sorted({session.bench_id for session in sessions})
    bookings = _bookings(rows, season, first, settings, sources, bench_ids)
    worths = supply.worths(sources)
    published = _published(rows.placed, sessions, bookings)
    problem = Problem(
        name=f"{season.pk}",
        days=days,
        weights=day_weights(days, survival),
        rules=_rules(settings, survival, rows.minutes),
        benches=_benches(sessions, first, rows.minutes, rows.reserved, supply.drones_for_seconds(sources)),
        sources=tuple(supply.source(view) for view in sources),
        members=tuple(Member(id=member) for member in sorted({booking.member for booking in bookings})),
        bookings=bookings,
        frozen=tuple(placed_pure(row, first) for row in published if row.frozen),
        published=tuple(placed_pure(row, first) for row in published),
        meta=MappingProxyType({"first_day": first.isoformat(), **({"drone_worth_permille": worths} if worths else {})}),
    )
    return problem, supply.truth(sources)


def _published(
    placed: Iterable[Placed], sessions: Iterable[BenchSession], bookings: Iterable[PureBooking]
) -> list[Placed]:
    days, asking = {session.pk for session in sessions}, {int(booking.id) for booking in bookings}
    rows = (row for row in placed if row.session_id in days and row.booking_id in asking)
    return sorted(rows, key=lambda row: row.pk)


def _rules(settings: Settings, survival: float, minutes: BenchMinutes) -> Rules:
    return Rules(
        queen_minutes=max(1, round(minutes.of_all.queen)),
        setup_minutes=round(minutes.of_all.change),
        co2_first_age=settings.co2_first_age_days,
        max_source_share_permille=round(1000 * settings.max_source_share),
        min_sources=settings.min_sources if settings.min_sources > 1 else 0,  # 1 says: no such rule
        min_source_ul10=1,
        survival_per_day=survival,
        drone_first_age=settings.drone_age_first_days,
        drone_last_age=settings.drone_age_last_days,
        reserve_level=float(settings.service_level_share),
    )


def _benches(
    sessions: list[BenchSession],
    first: dt.date,
    minutes: BenchMinutes,
    reserved: Mapping[int, Reserved],
    drones: dict[int, int],
) -> tuple[Bench, ...]:
    """Bench days, and beside each the days on which only the other CO2 treatment is given.

    The problem knows one length for every queen: an operator who takes longer has so many minutes less. Second doses
    that are due take their minutes, places and drones beforehand: no plan can do without them.
    """
    days: dict[int, dict[int, BenchDay]] = defaultdict(dict)
    for session in sessions:
        day = (session.day - first).days
        seconds = reserved[session.pk].queens if session.pk in reserved else 0
        length = max(1, round(minutes.of_all.queen))
        days[session.bench_id][day] = BenchDay(
            day,
            max(0, round(session.operator_minutes * _pace(session, minutes)) - seconds * length),
            max(0, session.collect_drones - drones.get(session.pk, 0)),
            max(0, session.places - seconds),
            session.co2_capacity,
        )
    for session in sessions:
        for beside in ((session.day - first).days - 1, (session.day - first).days + 1):
            there = days[session.bench_id].get(beside)
            if beside >= 0 and (there is None or (there.max_queens == 0 and there.co2_capacity < session.co2_capacity)):
                days[session.bench_id][beside] = BenchDay(beside, 0, 0, 0, session.co2_capacity)
    return tuple(
        Bench(str(bench), tuple(by_day[day] for day in sorted(by_day))) for bench, by_day in sorted(days.items())
    )


def _pace(session: BenchSession, minutes: BenchMinutes) -> float:
    return minutes.of_all.queen / minutes.of(session.operator_id).queen


def _bookings(
    rows: ProblemRows,
    season: Season,
    first: dt.date,
    settings: Settings,
    sources: list[SourceView],
    bench_ids: list[int],
) -> tuple[PureBooking, ...]:
    bookings, accepted = bookings_of(rows, season), by_first(rows.accepted)
    left = _queens_left(bookings, dict(rows.dealt_with), dict(rows.free))
    emerged = _emergences({booking.batch_id: booking.batch for booking in bookings}, rows.emerged)
    open_sources = {view.source.pk: view for view in sources}
    found = []
    for booking in bookings:
        batch, queens = booking.batch, left[booking.pk]
        if queens > 0 and batch.closed_on is None:
            events = replace(recorded_of_batch(batch), emergences=emerged.get(batch.pk, ()))
            emerges_in = (first_emergence(events, settings) - first).days
            taken = accepted.get(booking.pk, [])
            found.append(_booking(booking, taken, emerges_in, queens, settings, open_sources, bench_ids))
    return tuple(found)


def _emergences(batches: dict[int, QueenBatch], rows: Rows) -> dict[int, tuple[Emergence, ...]]:
    """When the queens of each batch that emerged did so: as `events_of_batch` says it."""
    there: dict[int, Counter[dt.date]] = defaultdict(Counter)
    away: dict[int, Counter[dt.date]] = defaultdict(Counter)
    emerged = {pk: batch.emerged_on for pk, batch in batches.items() if batch.emerged_on is not None}
    for batch_pk, day, number, gone in rows:
        if batch_pk in emerged:
            on = day or emerged[batch_pk]
            there[batch_pk] += Counter({on: number - gone})
            away[batch_pk] += Counter({on: gone})
    return {pk: emergences_on(batches[pk], there[pk] or away[pk]) for pk in emerged}


def _queens_left(bookings: list[Booking], dealt_with: dict[int, int], free: dict[int, int]) -> dict[int, int]:
    """Queens still to be planned: asked for, less those at the bench or done, and no more than are alive."""
    left = {}
    for booking in bookings:
        queens = booking.queens - dealt_with.get(booking.pk, 0)
        if booking.batch.virgins_emerged is not None:
            # Several bookings of one batch share its virgins, the earliest asked first.
            queens = min(queens, free.get(booking.batch_id, 0))
            free[booking.batch_id] = free.get(booking.batch_id, 0) - max(0, queens)
        left[booking.pk] = max(0, queens)
    return left


def _booking(
    booking: Booking,
    taken: list[tuple[Any, ...]],
    emerges_in: int,
    queens: int,
    settings: Settings,
    sources: dict[int, SourceView],
    bench_ids: list[int],
) -> PureBooking:
    accepted, excluded = [], []
    for source_pk, merit, inbreeding, viability in taken:
        source = sources.get(source_pk)
        if source is None:
            continue
        reason = _blocked(source, inbreeding, viability, settings)
        if reason:
            excluded.append(Excluded(str(source_pk), reason, inbreeding))
        accepted.append(Accepted(str(source_pk), round(MERIT_SCALE * (merit or 0.0))))
    pooled = booking.mode == BookingMode.POOL
    return PureBooking(
        id=str(booking.pk),
        member=str(booking.member_id),
        queens=queens,
        emerge=emerges_in,
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
    return cross_limit_broken(inbreeding, viability, settings)
