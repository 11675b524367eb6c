"""The plan board: sessions in columns, what stands in them, who has no place, drones by source and day."""

import datetime as dt
from collections import defaultdict
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from scheduling.models import BenchSession, Booking, DroneSource, Placement, Plan, Season, SessionState, Unserved
from scheduling.models.booking import ENDED_BOOKINGS
from scheduling.planning.plan import Plan as PurePlan
from scheduling.planning.plan import reason_to_json
from scheduling.planning.problem import Problem
from scheduling.planning.reasons import explained
from scheduling.queries.plan_rows import first_day_of, pure_plan
from scheduling.queries.plan_words import Names, ShownWay, names_of_results, reason_words, way_shown

MOST_SHOWN = 3  # reasons, and ways out, beside one card


@dataclass
class BoardCard:
    placement: Placement
    drones: int
    sources: list[DroneSource]


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
    """What the page shows of one plan (or of none yet)."""

    plan: Plan | None
    problem: Problem
    sessions: list[BoardSession]
    left_over: list[LeftOver]
    sources: list[SourceRow]

    @cached_property
    def ways(self) -> list[ShownWay]:
        """What would give most queens a place, all bookings together, as worked out with the plan."""
        names = names_of_results(self.plan, self.problem) if self.plan else None
        return [way_shown(way, names) for way in self.plan.result.get("ways", [])] if self.plan and names else []

    @cached_property
    def placed(self) -> int:
        return sum(session.queens for session in self.sessions)

    @cached_property
    def left(self) -> int:
        return sum(entry.queens for entry in self.left_over)


def semen_parts(placement: Placement) -> list[tuple[DroneSource, float]]:
    """Sources of a placement with their share of its semen: one, or those of its mixture."""
    if placement.source is not None:
        return [(placement.source, 1.0)]
    assert placement.pool is not None
    parts = list(placement.pool.parts.all())
    whole = sum(part.volume_tenths for part in parts)
    return [(part.source, float(part.volume_tenths / whole)) for part in parts]


def reserve_drones(problem: Problem, source_id: int, volume_tenths: float) -> int:
    """Drones to bring for so much semen, with the safe reserve, rounded up."""
    line = next((s for s in problem.sources if s.id == str(source_id)), None)
    if line is None or volume_tenths <= 0:
        return 0
    return -(-int(line.md_per_ul10 * volume_tenths + line.md_fixed) // 1000)


def board_of(season: Season, plan: Plan | None, problem: Problem) -> Board:
    first = first_day_of(problem)
    sessions = list(
        BenchSession.objects.filter(season=season, day__gte=first, places__gt=0)
        .exclude(state=SessionState.CANCELLED)
        .select_related("bench", "operator")
        .order_by("day", "starts_at")
    )
    placements = _placements(plan, first)
    columns = {session.pk: BoardSession(session) for session in sessions}
    volumes: dict[tuple[int, int], float] = defaultdict(float)
    for placement in placements:
        volume = float(placement.queens * placement.booking.dose_tenths)
        parts = semen_parts(placement)
        for source, share in parts:
            volumes[source.pk, placement.session_id] += share * volume
        drones = sum(reserve_drones(problem, source.pk, share * volume) for source, share in parts)
        if placement.session_id in columns:
            columns[placement.session_id].cards.append(BoardCard(placement, drones, [source for source, _ in parts]))
    return Board(
        plan=plan,
        problem=problem,
        sessions=list(columns.values()),
        left_over=_left_over(season, plan, placements, problem),
        sources=_source_rows(season, sessions, volumes, problem),
    )


def _placements(plan: Plan | None, first: dt.date) -> list[Placement]:
    if plan is None:
        return []
    return list(
        plan.placements.filter(session__day__gte=first)
        .select_related("booking__batch", "booking__member", "source", "pool", "session__bench")
        .prefetch_related("pool__parts__source")
        .order_by("session__day", "source__letter", "pk")
    )


def _left_over(season: Season, plan: Plan | None, placements: list[Placement], problem: Problem) -> list[LeftOver]:
    """Who has no place, and why, from the facts of now; what would help, as it was worked out with the plan."""
    placed: dict[int, int] = defaultdict(int)
    for placement in placements:
        placed[placement.booking_id] += placement.queens
    reasons = _reasons_now(plan, problem)
    ways = dict(Unserved.objects.filter(plan=plan).values_list("booking_id", "ways")) if plan is not None else {}
    asked = {int(booking.id): booking.queens for booking in problem.bookings}
    bookings = (
        Booking.objects.filter(season=season, pk__in=asked)
        .exclude(state__in=ENDED_BOOKINGS)
        .select_related("batch", "member")
        .order_by("asked_at", "pk")
    )
    names, then = Names(problem), names_of_results(plan, problem) if plan is not None else None
    return [
        LeftOver(
            booking,
            asked[booking.pk] - placed[booking.pk],
            [reason_words(reason, names) for reason in reasons.get(booking.pk, [])[:MOST_SHOWN]],
            [way_shown(way, then) for way in ways.get(booking.pk, [])[:MOST_SHOWN]] if then else [],
        )
        for booking in bookings
        if asked[booking.pk] > placed[booking.pk]
    ]


def _reasons_now(plan: Plan | None, problem: Problem) -> dict[int, list[dict[str, Any]]]:
    """Without a plan only what no plan could change is a reason."""
    pure = pure_plan(plan, problem) if plan is not None else PurePlan(problem.name)
    found = {int(entry.booking): entry.reasons for entry in explained(problem, pure)}
    return {
        booking: [reason_to_json(reason) for reason in reasons if plan is not None or reason.gain is None]
        for booking, reasons in found.items()
    }


def _source_rows(
    season: Season, sessions: list[BenchSession], volumes: dict[tuple[int, int], float], problem: Problem
) -> list[SourceRow]:
    return [
        SourceRow(
            source,
            [
                SourceDay(session, reserve_drones(problem, source.pk, volumes.get((source.pk, session.pk), 0)))
                for session in sessions
            ],
        )
        for source in DroneSource.objects.filter(season=season, withdrawn_at__isnull=True).order_by("letter")
    ]
