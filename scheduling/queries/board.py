"""The plan board: sessions in columns, what stands in them, who has no place, drones by source and day."""

import datetime as dt
from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass, field
from functools import cached_property

from django.core.paginator import Page, Paginator
from django.db.models import QuerySet, prefetch_related_objects
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from accounts.queries.often import asked_often
from scheduling.models import (
    BenchPlace,
    BenchSession,
    Booking,
    DroneSource,
    Placement,
    Plan,
    Season,
    SessionState,
    Unserved,
)
from scheduling.planning.plan import Plan as PurePlan
from scheduling.planning.plan import Reason, reason_to_json
from scheduling.planning.problem import Problem
from scheduling.queries.plan_rows import Placed, first_day_of, placed_rows, pure_plan, with_neighbours, worth_permille
from scheduling.queries.plan_words import Names, ShownWay, names_of_results, reason_words, way_shown
from scheduling.queries.worked_out import reasons_of

DAYS_SHOWN = 10  # bench days on one page, about two weeks of a busy season: a phone draws what it gets
CARDS_SHOWN = 24  # bookings without a place on one page
MOST_SHOWN = 3  # reasons, and ways out, beside one card


@dataclass
class BoardCard:
    """A page has a hundred of them: their words are made here, which takes less than in a template."""

    placement: Placement
    drones: int
    sources: list[DroneSource]
    move_url: str = ""  # of a sketch: the view knows addresses
    fits_url: str = ""
    out_url: str = ""

    @property
    def queens_words(self) -> str:
        return _queens_words(self.placement.queens, self.placement.booking)

    @property
    def pick_words(self) -> str:
        return _pick_words(self.placement.booking)

    @property
    def drones_words(self) -> str:
        return ngettext("%(n)s drone", "%(n)s drones", self.drones) % {"n": self.drones}


def _queens_words(queens: int, booking: Booking) -> str:
    words = ngettext("%(n)s queen · %(member)s", "%(n)s queens · %(member)s", queens)
    return words % {"n": queens, "member": booking.member}


def _pick_words(booking: Booking) -> str:
    return _("Pick up %(batch)s") % {"batch": booking.batch}


@dataclass
class BoardSession:
    session: BenchSession
    cards: list[BoardCard] = field(default_factory=list)

    @property
    def queens(self) -> int:
        return sum(card.placement.queens for card in self.cards)

    @property
    def free(self) -> int:
        return max(0, self.session.places - self.queens)

    @property
    def minutes_share(self) -> int:
        """Places used, in per cent, for the bar."""
        return round(100 * self.queens / self.session.places) if self.session.places else 0


@dataclass
class LeftOver:
    booking: Booking
    queens: int
    reasons: list[str]
    ways: list[ShownWay]

    @property
    def queens_words(self) -> str:
        return _queens_words(self.queens, self.booking)

    @property
    def pick_words(self) -> str:
        return _pick_words(self.booking)


@dataclass
class SourceDay:
    """Drones of one source in one session: what the plan asks for, with the reserve."""

    session: BenchSession
    asked: int


@dataclass
class SourceRow:
    source: DroneSource
    days: list[SourceDay]


@dataclass
class Board:
    """What the page shows of one plan (or of none yet): some of its bench days, and some of who has no place."""

    plan: Plan | None
    problem: Problem
    sessions: list[BoardSession]
    left_over: list[LeftOver]
    sources: list[SourceRow]
    days: "Page[BenchSession]"
    rest: "Page[tuple[int, int]]"
    left: int
    then: Names | None

    @cached_property
    def ways(self) -> list[ShownWay]:
        """What would give most queens a place, all bookings together, as worked out with the plan."""
        if self.plan is None or self.then is None:
            return []
        return [way_shown(way, self.then) for way in self.plan.result.get("ways", [])]


def semen_parts(placement: Placement | BenchPlace) -> list[tuple[DroneSource, float]]:
    """Sources of a placement, or of a place, with their share of its semen: one, or those of its mixture."""
    if placement.source is not None:
        return [(placement.source, 1.0)]
    assert placement.pool is not None
    parts = list(placement.pool.parts.all())
    whole = sum(part.volume_tenths for part in parts)
    return [(part.source, float(part.volume_tenths / whole)) for part in parts]


def reserve_drones(problem: Problem, source_id: int, volume_tenths: float, day: dt.date) -> int:
    """Drones to bring for so much semen on a day, at the age they will have, with the safe reserve, rounded up."""
    line = next((s for s in problem.sources if s.id == str(source_id)), None)
    if line is None or volume_tenths <= 0:
        return 0
    return -(-int(line.md_per_ul10 * volume_tenths + line.md_fixed) // worth_permille(problem, source_id, day))


def board_of(
    season: Season,
    plan: Plan | None,
    problem: Problem,
    *,
    day: dt.date | None = None,
    days: str | int | None = None,
    rest: str | int | None = None,
) -> Board:
    """Bench days and bookings without a place, a page of each.

    day : shows the bench days around it; else `days` is the number of the page, as `rest` is of the bookings.
    """
    first = first_day_of(problem)
    sessions = sessions_of_board(season, first)
    paged = Paginator(sessions, DAYS_SHOWN)
    before = sum(session.day < day for session in sessions) if day else 0
    shown = paged.get_page(min(before, len(sessions) - 1) // DAYS_SHOWN + 1 if day else days)
    placed = _placed(plan, first)
    columns = {session.pk: BoardSession(session) for session in shown}
    volumes: dict[tuple[int, int], float] = defaultdict(float)
    for placement in _placements(plan, columns):
        volume = float(placement.queens * placement.booking.dose_tenths)
        parts = semen_parts(placement)
        for source, share in parts:
            volumes[source.pk, placement.session_id] += share * volume
        day_of = placement.session.day
        drones = sum(reserve_drones(problem, source.pk, share * volume, day_of) for source, share in parts)
        columns[placement.session_id].cards.append(BoardCard(placement, drones, [source for source, _ in parts]))
    without = _without_place(placed, problem)
    rest_page = Paginator(without, CARDS_SHOWN).get_page(rest)
    then = names_of_results(plan, problem) if plan is not None else None
    return Board(
        plan=plan,
        problem=problem,
        sessions=list(columns.values()),
        left_over=_left_over(plan, dict(rest_page), placed, problem, then),
        sources=_source_rows(season, list(shown), volumes, problem),
        days=shown,
        rest=rest_page,
        left=sum(queens for _booking, queens in without),
        then=then,
    )


def sessions_of_board(season: Season, first: dt.date) -> list[BenchSession]:
    return list(
        BenchSession.objects.filter(season=season, day__gte=first, places__gt=0)
        .exclude(state=SessionState.CANCELLED)
        .select_related("bench", "operator")
        .order_by("day", "starts_at")
    )


def _placed(plan: Plan | None, first: dt.date) -> list[Placed]:
    """All that the plan places from that day on: for counting and for the reasons."""
    return [] if plan is None else [row for row in placed_rows(plan.pk) if row.day >= first]


def _placements(plan: Plan | None, sessions: Collection[int]) -> list[Placement]:
    """With all that the cards of these sessions show."""
    if plan is None:
        return []
    rows = _shown(plan.pk, tuple(sessions))
    prefetch_related_objects([row for row in rows if row.pool is not None], "pool__parts__source")
    return sorted(rows, key=lambda row: (row.session.day, row.source.letter if row.source else "", row.pk))


@asked_often
def _shown(plan: int, sessions: tuple[int, ...]) -> QuerySet[Placement]:
    return with_neighbours(Placement.objects.filter(plan=plan, session__in=sessions))


def _without_place(rows: list[Placed], problem: Problem) -> list[tuple[int, int]]:
    """Bookings with queens that have no place, and how many those are, in the order of the problem: as they asked."""
    placed: dict[int, int] = defaultdict(int)
    for row in rows:
        placed[row.booking_id] += row.queens
    asked = ((int(booking.id), booking.queens) for booking in problem.bookings)
    return [(pk, queens - placed[pk]) for pk, queens in asked if queens > placed[pk]]


def _left_over(
    plan: Plan | None, without: dict[int, int], placed: list[Placed], problem: Problem, then: Names | None
) -> list[LeftOver]:
    """Why they have no place, from the facts of now; what would help, as it was worked out with the plan.

    without : bookings, by their number, and how many of their queens have none.
    """
    if not without:
        return []
    reasons = _reasons_now(plan, placed, problem)
    ways = (
        dict(Unserved.objects.filter(plan=plan, booking__in=without).values_list("booking_id", "ways")) if plan else {}
    )
    names = Names(problem)
    bookings = Booking.objects.select_related("batch", "member").in_bulk(without)
    return [
        LeftOver(
            bookings[pk],
            queens,
            [str(reason_words(reason_to_json(reason), names)) for reason in reasons.get(pk, [])[:MOST_SHOWN]],
            [way_shown(way, then) for way in ways.get(pk, [])[:MOST_SHOWN]] if then else [],
        )
        for pk, queens in without.items()
    ]


def _reasons_now(plan: Plan | None, placed: list[Placed], problem: Problem) -> dict[int, tuple[Reason, ...]]:
    """Without a plan only what no plan could change is a reason."""
    pure = pure_plan(plan, problem, placed) if plan is not None else PurePlan(problem.name)
    found = reasons_of(problem, pure)
    return {
        booking: tuple(reason for reason in reasons if plan is not None or reason.gain is None)
        for booking, reasons in found.items()
    }


def _source_rows(
    season: Season, sessions: list[BenchSession], volumes: dict[tuple[int, int], float], problem: Problem
) -> list[SourceRow]:
    """Sources that bring drones to one of these bench days."""
    bring = {source for source, _session in volumes}
    return [
        SourceRow(
            source,
            [
                SourceDay(
                    session, reserve_drones(problem, source.pk, volumes.get((source.pk, session.pk), 0), session.day)
                )
                for session in sessions
            ],
        )
        for source in DroneSource.objects.filter(season=season, pk__in=bring, withdrawn_at__isnull=True).order_by(
            "letter"
        )
    ]
