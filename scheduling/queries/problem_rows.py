"""The rows that the planner's problem is made of, read with every question.

Two equal readings make the same problem: see `problem_and_truth`.
"""

import datetime as dt
from collections.abc import Mapping, Sequence
from itertools import groupby
from operator import itemgetter
from typing import Any, NamedTuple

from django.db.models import Count, Model, Q, QuerySet

from accounts.models import Apiary
from accounts.queries.often import asked_often
from scheduling.models import (
    BatchQueen,
    BenchPlace,
    BenchSession,
    BenchState,
    Booking,
    BookingSource,
    BookingState,
    DroneCall,
    LotState,
    PlaceState,
    Plan,
    QueenBatch,
    Season,
    SemenLot,
    SessionState,
)
from scheduling.models.booking import ENDED_BOOKINGS
from scheduling.planning.facts import Settings
from scheduling.queries.events import AWAY
from scheduling.queries.minutes import BenchMinutes, bench_minutes
from scheduling.queries.plan_rows import Placed, placed_rows
from scheduling.queries.plans import IN_FORCE
from scheduling.queries.second_doses import Reserved, reserved_for_seconds
from scheduling.queries.store import stored_lots

NOT_PLANNED = [BookingState.NOT_SENT, *ENDED_BOOKINGS]
Rows = list[tuple[Any, ...]]


class Called(NamedTuple):
    """Drones that a running session called for."""

    source_id: int
    session_id: int
    day: dt.date
    drones: int


class Kept(NamedTuple):
    """Semen of one source in store. until: last day of use, None with a viability result."""

    source_id: int
    tenths: int
    bench_id: int
    until: dt.date | None


class ProblemRows(NamedTuple):
    """Bookings with their batch and its zone, in the order in which they were asked; `accepted`: what each accepts,
    the others beside whom they are about; `free` only of batches whose queens are counted."""

    sessions: Rows
    bookings: Rows
    accepted: Rows
    emerged: Rows
    dealt_with: Rows
    free: Rows
    placed: list[Placed]
    called: list[Called]
    kept: list[Kept]
    minutes: BenchMinutes
    reserved: Mapping[int, Reserved]


def problem_rows(season: Season, settings: Settings) -> ProblemRows:
    in_force = _in_force(season.pk)
    return ProblemRows(
        sessions=_sessions(season.pk),
        bookings=_bookings(season.pk),
        accepted=_accepted(season.pk),
        emerged=_emerged(season.pk),
        dealt_with=_dealt_with(season.pk),
        free=_free(season.pk),
        placed=placed_rows(in_force[0][0]) if in_force else [],
        called=[Called(*row) for row in _called(season.pk)],
        kept=_kept(season, settings) if _any_stored(season.pk) else [],
        minutes=bench_minutes(season, settings),
        reserved=reserved_for_seconds(season, settings=settings),
    )


def sessions_of(rows: ProblemRows, first: dt.date) -> list[BenchSession]:
    """Those that are open and not past, by day."""
    sessions = [BenchSession.from_db("default", names_of(BenchSession), row) for row in rows.sessions]
    return [session for session in sessions if session.day >= first]


def bookings_of(rows: ProblemRows, season: Season) -> list[Booking]:
    """Each with its batch, and that with its season and what its zone takes."""
    found, batches = [], dict[int, QueenBatch]()
    of_booking, of_batch = len(BOOKING), len(names_of(QueenBatch))
    for row in rows.bookings:
        booking = Booking.from_db("default", BOOKING, row[:of_booking])
        if booking.batch_id not in batches:
            batch = QueenBatch.from_db("default", names_of(QueenBatch), row[of_booking : of_booking + of_batch])
            batch.season = season
            batch.apiary = None if batch.apiary_id is None else Apiary(pk=batch.apiary_id, time_zone=row[-1])
            batches[booking.batch_id] = batch
        booking.batch = batches[booking.batch_id]
        found.append(booking)
    return found


def by_first(rows: Sequence[tuple[Any, ...]]) -> dict[int, list[tuple[Any, ...]]]:
    """Rows in the order of their first column, by it."""
    return {first: [row[1:] for row in group] for first, group in groupby(rows, key=itemgetter(0))}


def names_of(model: type[Model]) -> list[str]:
    return [field.attname for field in model._meta.concrete_fields]


# In the order of the model's fields, which is how `from_db` takes them.
BOOKING = [
    name for name in names_of(Booking) if name in {"id", "batch_id", "member_id", "queens", "dose_tenths", "mode"}
]


@asked_often
def _sessions(season: int) -> QuerySet[BenchSession, Any]:
    sessions = BenchSession.objects.filter(season=season, state=SessionState.OPEN).order_by("day", "pk")
    return sessions.values_list(*names_of(BenchSession))


@asked_often
def _bookings(season: int) -> QuerySet[Booking, Any]:
    of_batch = [f"batch__{name}" for name in names_of(QueenBatch)]
    bookings = Booking.objects.filter(season=season).exclude(state__in=NOT_PLANNED).order_by("asked_at", "pk")
    return bookings.values_list(*BOOKING, *of_batch, "batch__apiary__time_zone")


@asked_often
def _accepted(season: int) -> QuerySet[BookingSource, Any]:
    accepted = BookingSource.objects.filter(booking__season=season).exclude(booking__state__in=NOT_PLANNED)
    return accepted.order_by("booking", "pk").values_list("booking", "source", "merit", "inbreeding", "viability")


@asked_often
def _emerged(season: int) -> QuerySet[BatchQueen, Any]:
    """How many queens of a batch emerged on a day, those away apart."""
    away = Count("pk", filter=Q(state__in=AWAY))
    queens = BatchQueen.objects.filter(batch__season=season, batch__emerged_on__isnull=False)
    days = queens.order_by("batch", "queen__emerged_on").values("batch", "queen__emerged_on")
    return days.annotate(number=Count("pk"), away=away).values_list("batch", "queen__emerged_on", "number", "away")


@asked_often
def _dealt_with(season: int) -> QuerySet[BenchPlace, Any]:
    """Queens of each booking that are at the bench or done."""
    places = BenchPlace.objects.filter(booking__season=season, state__in=[PlaceState.HELD, PlaceState.DONE])
    places = places.filter(is_second=False).exclude(session__state=SessionState.OPEN)
    return places.order_by("booking").values("booking").annotate(number=Count("pk")).values_list("booking", "number")


@asked_often
def _free(season: int) -> QuerySet[BatchQueen, Any]:
    """Virgins of each batch that are there and had no dose."""
    queens = BatchQueen.objects.filter(batch__season=season, batch__virgins_emerged__isnull=False)
    queens = queens.exclude(state__in=[BenchState.SET_ASIDE, BenchState.LOST])
    queens = queens.exclude(Q(doses__undone_at__isnull=True) & Q(doses__isnull=False))
    counted = queens.order_by("batch").values("batch").annotate(number=Count("pk", distinct=True))
    return counted.values_list("batch", "number")


@asked_often
def _in_force(season: int) -> QuerySet[Plan, Any]:
    return Plan.objects.filter(season=season, state__in=IN_FORCE).values_list("pk")[:1]


@asked_often
def _called(season: int) -> QuerySet[DroneCall, Any]:
    calls = DroneCall.objects.filter(plan__season=season, plan__state__in=IN_FORCE, session__state=SessionState.RUNNING)
    return calls.order_by("pk").values_list("source", "session", "session__day", "drones")


@asked_often
def _any_stored(season: int) -> QuerySet[SemenLot, Any]:
    return SemenLot.objects.filter(session__season=season, state=LotState.STORED).order_by().values_list("pk")[:1]


def _kept(season: Season, settings: Settings) -> list[Kept]:
    return [
        Kept(one.lot.source_id, one.tenths, one.bench_id, one.until)
        for one in stored_lots(season, settings)
        if one.lot.source_id is not None
    ]
