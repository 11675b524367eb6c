"""What now? The rest of a running session: semen to come, queens in order of fairness, days they can move to."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext as _

from scheduling.models import BenchPlace, BenchSession, DroneCall, LotState, PlanState, SessionState
from scheduling.planning.ages import age_of_lot
from scheduling.planning.facts import Settings
from scheduling.planning.timing import queen_age_days
from scheduling.planning.what_now import Fate, Outlook, SourceNow, Verdict, outlook, what_now
from scheduling.queries.bench import BenchPage, BenchRow, bench_page, drone_ages
from scheduling.queries.learned import SeasonLearned
from scheduling.queries.ledger import ledger_order, priorities_words
from scheduling.queries.lots import LotView
from scheduling.queries.season import settings_of
from scheduling.queries.sessions import sessions_with_room
from scheduling.queries.sources_at_hand import season_learned, source_view
from scheduling.queries.words import day_words

MIXED = "mixed"
TENTHS = 10  # of a µl
MOST_SHARE = 0.995  # a share of 1 would leave tallies nothing to say


@dataclass(frozen=True)
class SourceRow:
    """A source at this moment: its tallies, what it can still give, and what the queens who wait need of it."""

    source: Any
    now: SourceNow
    outlook: Outlook
    needed_tenths: int

    @property
    def share_percent(self) -> int:
        a, b = self.now.share
        return round(100 * a / (a + b))


@dataclass(frozen=True)
class SourceBefore:
    """A source before the session begins. Ages in days, None where no cohort of it is ripe that day."""

    source: Any
    drones: int
    ages: tuple[int | None, int | None]
    outlook: Outlook
    needed_tenths: int

    @property
    def is_short(self) -> bool:
        """Not even the mean covers what the order needs."""
        return self.outlook.mean < self.needed_tenths


@dataclass(frozen=True)
class QueenRow:
    """A queen who waits: her verdict, why she stands where she stands, and where she could go."""

    row: BenchRow
    verdict: Verdict
    is_last_chance: bool
    next_sessions: list[BenchSession]

    @property
    def place(self) -> BenchPlace:
        return self.row.place

    @property
    def chance_percent(self) -> int:
        return round(100 * self.verdict.chance)

    @property
    def moves(self) -> bool:
        return self.verdict.fate == Fate.MOVE


@dataclass(frozen=True)
class WhatNow:
    sources: list[SourceRow]
    queens: list[QueenRow]
    rules: list[str]

    @property
    def sure(self) -> int:
        return sum(1 for row in self.queens if row.verdict.fate == Fate.DOSE)

    @property
    def perhaps(self) -> int:
        return sum(1 for row in self.queens if row.verdict.fate == Fate.WAIT)

    @property
    def moving(self) -> int:
        return sum(1 for row in self.queens if row.moves)

    @property
    def without_day(self) -> int:
        """Queens who would move and have no bench day left in their window: what moving them costs."""
        return sum(1 for row in self.queens if row.moves and not row.next_sessions)


def what_now_of(session: BenchSession, *, drones_left: Mapping[int, int] | None = None) -> WhatNow:
    """Re-plan the rest of the session. `drones_left`: by source, as counted at the bench; else what was called and not
    tried yet.
    """
    page, settings = bench_page(session), settings_of(session.season)
    waiting = [row for row in page.rows if not row.is_done and row.batch_queen is not None]
    next_of = _next_sessions(session, waiting, settings)
    ordered = _in_order(session, waiting, next_of)
    sources = _sources(session, page, settings, drones_left or {})
    queens = [(str(row.place.pk), _key(row), row.place.dose_tenths) for row in ordered]
    verdicts = what_now({key: now for key, (_source, now) in sources.items()}, queens)
    needed: dict[str, int] = {}
    for _queen, key, dose in queens:
        needed[key] = needed.get(key, 0) + dose
    return WhatNow(
        [SourceRow(source, now, outlook(now), needed.get(key, 0)) for key, (source, now) in sources.items()],
        [
            QueenRow(row, verdicts[str(row.place.pk)], not next_of[row.place.pk], next_of[row.place.pk])
            for row in ordered
        ],
        [_("Queens who have no other bench day left in their window come first."), *priorities_words(session.season)],
    )


def facts_for_tablet(session: BenchSession, page: BenchPage) -> dict[str, Any]:
    """What a tablet needs to work it out by itself: order of fairness, days to move to, what was known before today."""
    settings = settings_of(session.season)
    rows = [row for row in page.rows if row.batch_queen is not None]
    next_of = _next_sessions(session, rows, settings)
    return {
        "order": [row.place.pk for row in _in_order(session, rows, next_of)],
        "next": {str(pk): day_words(days[0].day) if days else "" for pk, days in next_of.items()},
        "to_mix": sorted(_sources_to_mix(page)),
        "sources": {
            key: {
                "called": now.drones_left + now.tried,
                "share_mean": now.share_mean,
                "share_kappa": now.share_kappa,
                "tenths_per_drone": now.tenths_per_drone,
            }
            for key, (_source, now) in _sources(session, page, settings, {}).items()
        },
    }


def sources_before(session: BenchSession, page: BenchPage) -> list[SourceBefore]:
    """Before the start: drones each source of the order is called for, their ages, and semen to expect of them."""
    settings = settings_of(session.season)
    waiting = [row for row in page.rows if not row.is_done]
    rows = []
    for key, (source, now) in _sources(session, page, settings, {}).items():
        needed = sum(row.place.dose_tenths for row in waiting if _key(row) == key)
        ages = drone_ages(source, session) if source is not None else (None, None)
        rows.append(SourceBefore(source, now.drones_left, ages, outlook(now), needed))
    return rows


def _key(row: BenchRow) -> str:
    return str(row.place.source_id) if row.place.source_id else MIXED


def _in_order(session: BenchSession, rows: list[BenchRow], next_of: dict[int, list[BenchSession]]) -> list[BenchRow]:
    """Who has begun first, then who cannot wait, then the season's published order, then the order of the day."""
    bookings = ledger_order(session.season, {row.place.booking_id: row.place.booking for row in rows}.values())
    rank = {booking.pk: place for place, booking in enumerate(bookings)}

    def key(row: BenchRow) -> tuple[bool, bool, int, int]:
        begun = row.state == "on_hook"
        return not begun, bool(next_of[row.place.pk]), rank[row.place.booking_id], row.place.position

    return sorted(rows, key=key)


def _next_sessions(session: BenchSession, rows: list[BenchRow], settings: Settings) -> dict[int, list[BenchSession]]:
    """For each queen the coming bench days in her window that have room and, where she has one, her source ripe."""
    coming = [
        one
        for one in sessions_with_room(session.season).filter(state=SessionState.OPEN, day__gt=session.day, places__gt=0)
        if one.left > 0  # type: ignore[attr-defined]
    ]
    ripe: dict[tuple[int, int], bool] = {}
    for source in {row.place.source for row in rows if row.place.source is not None}:
        for one in coming:
            view = source_view(source, today=one.day, settings=settings)
            ripe[source.pk, one.pk] = view.is_ripe_on(one.day) and view.comes_to(one.bench_id)
    found = {}
    for row in rows:
        emerged = row.batch_queen.queen.emerged_on if row.batch_queen else None
        found[row.place.pk] = [
            one
            for one in coming
            if (emerged is None or queen_age_days(emerged, one.day) <= settings.virgin_age_last_days)
            and (row.place.source_id is None or ripe[row.place.source_id, one.pk])
        ]
    return found


def _sources(
    session: BenchSession, page: BenchPage, settings: Settings, drones_left: Mapping[int, int]
) -> dict[str, tuple[Any, SourceNow]]:
    called = dict(
        DroneCall.objects.filter(session=session, plan__state__in=[PlanState.PUBLISHED, PlanState.CHANGED]).values_list(
            "source_id", "drones"
        )
    )
    sources = {row.place.source.pk: row.place.source for row in page.rows if row.place.source is not None}
    to_mix = _sources_to_mix(page)
    sources |= {
        view.lot.source.pk: view.lot.source
        for view in page.lots
        if view.lot.source is not None and view.lot.source.pk not in to_mix
    }
    found: dict[str, tuple[Any, SourceNow]] = {}
    # What was known before: today's own tallies are counted beside it, so they are left out of it.
    learned = season_learned(session.season, settings=settings, today=session.day, but=session)
    for pk, source in sources.items():
        lots = [view for view in page.lots if view.lot.source_id == pk]
        here = [view for view in lots if view.lot.session_id == session.pk]
        gives = learned.of(source, age=_age_here(here)).gives
        tried, usable = sum(view.tried for view in here), sum(view.usable for view in here)
        found[str(pk)] = (
            source,
            SourceNow(
                left=sum(max(0, _usable_left(view)) for view in lots if view.is_open),
                usable=usable,
                tried=tried,
                drones_left=drones_left.get(pk, max(0, called.get(pk, tried) - tried)),
                collected=sum(view.balance.collected for view in here),
                share_mean=min(gives.usable_fraction, MOST_SHARE),
                share_kappa=gives.kappa,
                tenths_per_drone=TENTHS * gives.ul_per_drone,
            ),
        )
    mixed = [view for view in page.lots if view.lot.source_id is None or view.lot.source_id in to_mix]
    if mixed or any(row.place.source_id is None for row in page.rows):
        expected = sum(called.get(pk, 0) for pk in to_mix)
        found[MIXED] = (None, _mixed(session, mixed, page, learned, expected=expected))
    return found


def _age_here(lots: list[LotView]) -> int | None:
    """Age of the drones that lie at the bench, by the last lot opened; None before one is, or where it is not known."""
    last = max((view.lot for view in lots), key=lambda lot: (lot.opened_at, lot.pk), default=None)
    return None if last is None else age_of_lot(last.drones_from_days, last.drones_to_days)


def _sources_to_mix(page: BenchPage) -> set[int]:
    """Sources that the plan names for pools alone: all they give goes into a mixture."""
    pools = {row.place.pool for row in page.rows if row.place.pool is not None}
    named = {row.place.source_id for row in page.rows}
    return {part.source_id for pool in pools for part in pool.parts.all()} - named


def _mixed(
    session: BenchSession, lots: list[LotView], page: BenchPage, learned: SeasonLearned, *, expected: int
) -> SourceNow:
    """Pools and mixtures together, with lots that are still to be mixed. `expected`: drones called for them.

    What their drones give is what the sources give, each by its part in them, no surer than the least known of them.
    """
    here = [view for view in lots if view.lot.session_id == session.pk]
    tried, usable = sum(view.tried for view in here), sum(view.usable for view in here)
    parts = [(part.source, float(part.drones)) for view in here for part in view.lot.parts.all()]
    planned = {row.place.pool for row in page.rows if row.place.pool is not None}
    known = parts or [(part.source, float(part.volume_tenths)) for pool in planned for part in pool.parts.all()]
    gives = [(learned.of(source).gives, weight) for source, weight in known]
    whole = sum(weight for _gives, weight in gives)
    share, ul = 0.5, 1.0  # nothing is known: neither planned nor opened
    if whole:
        share = sum(one.usable_fraction * weight for one, weight in gives) / whole
        ul = sum(one.ul_per_drone * weight for one, weight in gives) / whole
    return SourceNow(
        left=sum(max(0, _usable_left(view)) for view in lots if view.is_open),
        usable=usable,
        tried=tried,
        drones_left=max(0, max(expected, round(sum(drones for _source, drones in parts))) - tried),
        collected=sum(view.balance.collected for view in here),
        share_mean=min(share, MOST_SHARE),
        share_kappa=min((one.kappa for one, _weight in gives), default=1.0),
        tenths_per_drone=TENTHS * ul,
    )


def _usable_left(view: LotView) -> int:
    return int(view.left if view.lot.state == LotState.STORED else view.balance.unexplained)
