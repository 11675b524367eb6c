"""Queen batches as a viewer may see them, with the calendar that follows from what was observed."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from zoneinfo import ZoneInfo

from django.db.models import Case, Count, Exists, Model, OuterRef, Q, QuerySet, Subquery, Sum, Value, When
from django.db.models.functions import Coalesce

from accounts.access import Viewer
from accounts.models import AuditEntry
from accounts.queries.often import asked_often, read_along_all
from scheduling.models import (
    BatchQueen,
    BenchPlace,
    Booking,
    BookingSource,
    BookingState,
    Co2Treatment,
    Dose,
    QueenBatch,
    QueenCheck,
    Season,
)
from scheduling.models.booking import ENDED_BOOKINGS
from scheduling.planning.facts import Settings
from scheduling.planning.timing import (
    BatchCalendar,
    BatchEvents,
    BatchState,
    Note,
    Step,
    backward_plan,
    batch_calendar,
    batch_late_notes,
    batch_state,
)
from scheduling.queries.events import (
    AWAY,
    NO_PLACES,
    events_of_batch,
    events_of_batches,
    events_of_queen,
    gas_alone,
    held_places,
    zone_name_of_batch,
)
from scheduling.queries.season import settings_of

NOT_ASKED_ANY_MORE = [BookingState.NOT_SENT, BookingState.WITHDRAWN, BookingState.LAPSED]
GRAFT = "graft"
ON_CARDS = ("apiary", "member", "mother")


def batches_seen_by(viewer: Viewer) -> QuerySet[QueenBatch]:
    """Batches are open to the whole cooperative: members arrange with each other by season lines."""
    return QueenBatch.objects.filter(season__cooperative=viewer.cooperative)


def batches_with_facts(batches: QuerySet[QueenBatch]) -> list[QueenBatch]:
    """With all that `events_of_batch` and the cards need, in a fixed number of queries."""
    return with_facts(list(batches.select_related("season__cooperative", *ON_CARDS)))


def with_facts(batches: list[QueenBatch]) -> list[QueenBatch]:
    """The same batches with their queens, what was done to these, their requests and places at hand, to be shown."""
    queens = _queens_on_cards(_keys(batches))
    read_along_all(batches, "batch_queens", queens)
    of_queens = _keys(queens)
    read_along_all(queens, "doses", _doses_on_cards(of_queens))
    read_along_all(queens, "co2_treatments", _gas_on_cards(of_queens))
    read_along_all(queens, "checks", _checks_on_cards(of_queens))
    bookings = _bookings_on_cards(_keys(batches))
    read_along_all(batches, "bookings", bookings)
    of_bookings = _keys(bookings)
    read_along_all(bookings, "accepted", _accepted_on_cards(of_bookings))
    read_along_all(bookings, "bench_places", _places_on_cards(of_bookings))
    return batches


def _keys(rows: Sequence[Model]) -> tuple[int, ...]:
    return tuple(row.pk for row in rows)


@asked_often
def _queens_on_cards(batches: tuple[int, ...]) -> QuerySet[BatchQueen, BatchQueen]:
    return BatchQueen.objects.filter(batch__in=batches).select_related("queen").order_by("number")


@asked_often
def _doses_on_cards(queens: tuple[int, ...]) -> QuerySet[Dose, Dose]:
    return Dose.objects.filter(batch_queen__in=queens, undone_at__isnull=True)


@asked_often
def _gas_on_cards(queens: tuple[int, ...]) -> QuerySet[Co2Treatment, Co2Treatment]:
    return gas_alone().filter(batch_queen__in=queens)


@asked_often
def _checks_on_cards(queens: tuple[int, ...]) -> QuerySet[QueenCheck, QueenCheck]:
    return QueenCheck.objects.filter(batch_queen__in=queens, replaced_by__isnull=True)


@asked_often
def _bookings_on_cards(batches: tuple[int, ...]) -> QuerySet[Booking, Booking]:
    asked = Booking.objects.filter(batch__in=batches)
    return asked.select_related("wished_session__bench").order_by("asked_at", "pk")


@asked_often
def _accepted_on_cards(bookings: tuple[int, ...]) -> QuerySet[BookingSource, BookingSource]:
    return BookingSource.objects.filter(booking__in=bookings).select_related("source")


@asked_often
def _places_on_cards(bookings: tuple[int, ...]) -> QuerySet[BenchPlace, BenchPlace]:
    held = BenchPlace.objects.filter(booking__in=bookings).exclude(state__in=NO_PLACES)
    return held.select_related("session__bench", "source", "pool").order_by("session__day", "position")


def zone_of_batch(batch: QueenBatch) -> ZoneInfo:
    return ZoneInfo(zone_name_of_batch(batch))


@dataclass(frozen=True)
class BatchView:
    """A batch with what follows from its observations: the one source of every date shown of it."""

    batch: QueenBatch
    events: BatchEvents
    settings: Settings
    today: dt.date

    @cached_property
    def calendar(self) -> BatchCalendar:
        return batch_calendar(self.events, self.settings)

    @cached_property
    def state(self) -> BatchState:
        return batch_state(self.events, self.calendar, self.today)

    @cached_property
    def queens(self) -> int | None:
        """How many queens it has, or may have: virgins that are still there, else cells started, else cells grafted."""
        batch = self.batch
        if batch.virgins_emerged is not None:
            return sum(1 for queen in batch.batch_queens.all() if queen.state not in AWAY)
        return batch.cells_started if batch.cells_started is not None else batch.cells_grafted

    @cached_property
    def booked(self) -> int:
        return sum(booking.queens for booking in self.batch.bookings.all() if booking.state not in NOT_ASKED_ANY_MORE)

    @property
    def not_booked(self) -> int:
        return max(0, (self.queens or 0) - self.booked)

    @cached_property
    def open_bookings(self) -> list[Booking]:
        return [booking for booking in self.batch.bookings.all() if booking.state not in ENDED_BOOKINGS]

    @cached_property
    def places(self) -> list[BenchPlace]:
        return held_places(self.batch)

    @cached_property
    def next_step(self) -> Step | None:
        return _next_step(self.steps, self.today)

    @cached_property
    def steps(self) -> list[Step]:
        return _by_day(self.calendar)

    @cached_property
    def late(self) -> tuple[Note, ...]:
        """What is late, each with one line of what to do."""
        return batch_late_notes(self.events, self.calendar, self.settings, self.today)

    @cached_property
    def queen_views(self) -> list["QueenView"]:
        return [QueenView(queen, self) for queen in self.batch.batch_queens.all()]


@dataclass(frozen=True)
class QueenView:
    """One queen of a batch with a calendar of her own: her emergence, place, gas, doses, eggs and brood."""

    queen: BatchQueen
    of: BatchView

    @cached_property
    def events(self) -> BatchEvents:
        return events_of_queen(self.queen, batch=self.of.batch)

    @cached_property
    def calendar(self) -> BatchCalendar:
        return batch_calendar(self.events, self.of.settings)

    @cached_property
    def state(self) -> BatchState:
        return batch_state(self.events, self.calendar, self.of.today)

    @property
    def is_away(self) -> bool:
        return self.queen.state in AWAY

    @cached_property
    def steps(self) -> list[Step]:
        return _by_day(self.calendar)

    @cached_property
    def next_step(self) -> Step | None:
        """What is to be done for her next; nothing once she is set aside, lost or her batch is closed."""
        if self.is_away or self.events.closed_on is not None:
            return None
        return _next_step([step for step in self.steps if not step.is_event], self.of.today)

    @cached_property
    def late(self) -> tuple[Note, ...]:
        if self.is_away:
            return ()
        return batch_late_notes(self.events, self.calendar, self.of.settings, self.of.today)


def _by_day(calendar: BatchCalendar) -> list[Step]:
    return sorted(calendar.steps, key=lambda step: (step.best, step.latest))


def _next_step(steps: list[Step], today: dt.date) -> Step | None:
    return next((step for step in steps if not step.is_done and step.latest >= today), None)


def batch_view(batch: QueenBatch, *, today: dt.date, settings: Settings | None = None) -> BatchView:
    return BatchView(batch, events_of_batch(batch), settings or settings_of(batch.season), today)


def batch_views(
    batches: QuerySet[QueenBatch], *, season: Season, today: dt.date, settings: Settings | None = None
) -> list[BatchView]:
    """Views of batches of one season, its figures read once."""
    settings = settings or settings_of(season)
    rows = with_facts(list(batches.select_related(*ON_CARDS)))
    for batch in rows:
        batch.season = season  # read once, not with every row
    return [batch_view(batch, today=today, settings=settings) for batch in rows]


def batch_calendars(
    batches: QuerySet[QueenBatch], *, season: Season, today: dt.date, settings: Settings | None = None
) -> list[BatchView]:
    """Views that know what follows from the events, of many batches of one season; cards need `batch_views`."""
    settings = settings or settings_of(season)
    rows = list(batches.select_related("apiary"))
    for batch in rows:
        batch.season = season  # read once, not with every row
    events = events_of_batches(rows)
    return [BatchView(batch, events[batch.pk], settings, today) for batch in rows]


def batch_dates(batch: QueenBatch, *, today: dt.date, settings: Settings | None = None) -> BatchView:
    """View of one batch that knows what follows from its events; its card needs `batch_view`."""
    settings = settings or settings_of(batch.season)
    return BatchView(batch, events_of_batches([batch])[batch.pk], settings, today)


def batches_to_book(batches: QuerySet[QueenBatch], *, first: int | None = None) -> QuerySet[QueenBatch]:
    """Open batches of which no queen is inseminated; those with queens to book for first, as `BatchView` counts them.

    first : the batch that stands before all others.
    """
    dosed = Dose.objects.filter(batch_queen__batch=OuterRef("pk"), undone_at__isnull=True)
    there = BatchQueen.objects.filter(batch=OuterRef("pk")).exclude(state__in=AWAY).order_by().values("batch")
    asked = Booking.objects.filter(batch=OuterRef("pk")).exclude(state__in=NOT_ASKED_ANY_MORE).order_by()
    whole = Case(
        When(virgins_emerged__isnull=True, then=Coalesce("cells_started", "cells_grafted", 0)),
        default=Coalesce(Subquery(there.annotate(n=Count("pk")).values("n")), 0),
    )
    booked = Coalesce(Subquery(asked.values("batch").annotate(n=Sum("queens")).values("n")), 0)
    place = Case(When(pk=first, then=Value(0)), When(left__gt=0, then=Value(1)), default=Value(2))
    open_ = batches.filter(~Exists(dosed), closed_on__isnull=True).annotate(left=whole - booked)
    return open_.order_by(place, "grafted_on", "planned_graft_on", "pk")


@dataclass(frozen=True)
class Backwards:
    """A batch worked out backwards from a bench day."""

    bench_on: dt.date
    steps: tuple[Step, ...]

    @property
    def graft_on(self) -> dt.date:
        return next(step.best for step in self.steps if step.key == GRAFT)

    def late(self, today: dt.date) -> list[Step]:
        """Steps whose day is over before anything was saved: said before, not found out after."""
        return [step for step in self.steps if step.is_late(today)]


def backwards_from(bench_on: dt.date, *, season: Season) -> Backwards:
    return Backwards(bench_on, backward_plan(bench_on, settings_of(season)))


def queens_left(batch: QueenBatch) -> tuple[int, int]:
    """(queens that can be booked in all, of these already booked). Ask with the batch's row locked to rely on it."""
    if batch.virgins_emerged is None:
        whole = batch.cells_started if batch.cells_started is not None else batch.cells_grafted or 0
    else:
        whole = len(_queens_there(batch.pk))
    return whole, sum(queens for (queens,) in _queens_booked(batch.pk))


@asked_often
def _queens_there(batch: int) -> QuerySet[BatchQueen, tuple[int]]:
    """Queens lost after insemination used up their booking; the rest of the lost were never to be booked."""
    given = Exists(Dose.objects.filter(batch_queen=OuterRef("pk"), undone_at__isnull=True))
    there = BatchQueen.objects.filter(~Q(state__in=AWAY) | given, batch=batch)
    return there.order_by().values_list("pk")


@asked_often
def _queens_booked(batch: int) -> QuerySet[Booking, tuple[int]]:
    return Booking.objects.filter(batch=batch).exclude(state__in=NOT_ASKED_ANY_MORE).order_by().values_list("queens")


def history_of_batch(batch: QueenBatch) -> QuerySet[AuditEntry]:
    """All that happened to the batch, its queens and its bookings, newest first."""
    queens = [queen.pk for queen in batch.batch_queens.all()]
    bookings = [booking.pk for booking in batch.bookings.all()]
    return AuditEntry.objects.filter(
        Q(subject_type="scheduling.queenbatch", subject_id=batch.pk)
        | Q(subject_type="scheduling.batchqueen", subject_id__in=queens)
        | Q(subject_type="scheduling.booking", subject_id__in=bookings)
    ).order_by("-at", "-pk")


def batches_of_viewer(viewer: Viewer, season: Season) -> QuerySet[QueenBatch]:
    return QueenBatch.objects.filter(season=season, member__in=viewer.member_ids)
