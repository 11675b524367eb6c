"""Queen batches as a viewer may see them, with the calendar that follows from what was observed."""

import datetime as dt
from dataclasses import dataclass
from functools import cached_property
from zoneinfo import ZoneInfo

from django.db.models import Exists, OuterRef, Prefetch, Q, QuerySet

from accounts.access import Viewer
from accounts.models import AuditEntry
from scheduling.models import (
    BatchQueen,
    BenchPlace,
    BenchState,
    Booking,
    BookingSource,
    BookingState,
    Co2Treatment,
    Dose,
    PlaceState,
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
    Emergence,
    Step,
    backward_plan,
    batch_calendar,
    batch_state,
)
from scheduling.queries.season import settings_of

NOT_ASKED_ANY_MORE = [BookingState.NOT_SENT, BookingState.WITHDRAWN, BookingState.LAPSED]
AWAY = [BenchState.SET_ASIDE, BenchState.LOST]
GRAFT = "graft"


def batches_seen_by(viewer: Viewer) -> QuerySet[QueenBatch]:
    """Batches are open to the whole cooperative: members arrange with each other by season lines."""
    return QueenBatch.objects.filter(season__cooperative=viewer.cooperative)


def batches_with_facts(batches: QuerySet[QueenBatch]) -> QuerySet[QueenBatch]:
    """With all that `events_of_batch` and the cards need, in a fixed number of queries."""
    return batches.select_related("season__cooperative", "apiary", "member", "mother").prefetch_related(
        Prefetch("batch_queens", BatchQueen.objects.select_related("queen").order_by("number")),
        Prefetch("batch_queens__doses", Dose.objects.filter(undone_at__isnull=True)),
        Prefetch(
            "batch_queens__co2_treatments",
            Co2Treatment.objects.filter(undone_at__isnull=True, ended_at__isnull=False, with_insemination=False),
        ),
        Prefetch("batch_queens__checks", QueenCheck.objects.filter(replaced_by__isnull=True)),
        Prefetch("bookings", Booking.objects.select_related("wished_session__bench").order_by("asked_at", "pk")),
        Prefetch("bookings__accepted", BookingSource.objects.select_related("source")),
        Prefetch(
            "bookings__bench_places",
            BenchPlace.objects.exclude(state=PlaceState.FREED)
            .select_related("session__bench", "source", "pool")
            .order_by("session__day", "position"),
        ),
    )


def zone_name_of_batch(batch: QueenBatch) -> str:
    """Days of a batch are calendar days where it stands."""
    return (batch.apiary.time_zone if batch.apiary else "") or batch.season.cooperative.time_zone


def zone_of_batch(batch: QueenBatch) -> ZoneInfo:
    return ZoneInfo(zone_name_of_batch(batch))


def events_of_batch(batch: QueenBatch) -> BatchEvents:
    """What is on record of a batch, as the calendar takes it. Cheap on rows of `batches_with_facts`."""
    queens = list(batch.batch_queens.all())
    places = held_places(batch)
    first = min((place.session for place in places), key=lambda session: session.starts_at, default=None)
    emergences = (
        (Emergence(on=batch.emerged_on, hour=batch.emerged_hour, virgins=batch.virgins_emerged),)
        if batch.emerged_on
        else ()
    )
    # Treatments follow each other on one queen, not along the batch: the queen with the fewest stands for all.
    treated = [[row.ended_at for row in queen.co2_treatments.all() if row.ended_at] for queen in queens]
    co2_at = min((times for times in treated if times), key=len, default=[])
    return BatchEvents(
        zone=zone_name_of_batch(batch),
        wanted_bench_on=batch.wanted_bench_on,
        planned_graft_on=batch.planned_graft_on,
        confined_on=batch.confined_on,
        grafted_on=batch.grafted_on,
        grafted_hour=batch.grafted_hour,
        cells_grafted=batch.cells_grafted,
        counted_on=batch.counted_on,
        cells_started=batch.cells_started,
        sealed_on=batch.sealed_on,
        cell_temperature_c=batch.cell_temperature_c,
        caged_on=batch.caged_on,
        emergences=emergences,
        excluder_on=batch.excluder_on,
        bench_on=first.day if first else None,
        bench_at=first.starts_at if first else None,
        co2_at=tuple(sorted({*co2_at, *([batch.first_co2_at] if batch.first_co2_at else [])})),
        doses_at=tuple(sorted({dose.given_at for queen in queens for dose in queen.doses.all()})),
        eggs_seen_on=batch.eggs_seen_on,
        closed_on=batch.closed_on,
    )


def held_places(batch: QueenBatch) -> list[BenchPlace]:
    """Numbered places that published plans gave to this batch and that still stand, by day and position."""
    return [place for booking in batch.bookings.all() for place in booking.bench_places.all()]


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
        return next((step for step in self.steps if not step.is_done and step.latest >= self.today), None)

    @cached_property
    def steps(self) -> list[Step]:
        return sorted(self.calendar.steps, key=lambda step: (step.best, step.latest))


def batch_view(batch: QueenBatch, *, today: dt.date, settings: Settings | None = None) -> BatchView:
    return BatchView(batch, events_of_batch(batch), settings or settings_of(batch.season), today)


def batch_views(batches: QuerySet[QueenBatch], *, season: Season, today: dt.date) -> list[BatchView]:
    """Views of batches of one season, its figures read once."""
    settings = settings_of(season)
    return [batch_view(batch, today=today, settings=settings) for batch in batches_with_facts(batches)]


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
        given = Exists(Dose.objects.filter(batch_queen=OuterRef("pk"), undone_at__isnull=True))
        # Queens lost after insemination used up their booking; the rest of the lost were never to be booked.
        whole = BatchQueen.objects.filter(batch=batch).filter(~Q(state__in=AWAY) | given).count()
    booked = sum(
        Booking.objects.filter(batch=batch).exclude(state__in=NOT_ASKED_ANY_MORE).values_list("queens", flat=True)
    )
    return whole, booked


def history_of_batch(batch: QueenBatch) -> QuerySet[AuditEntry]:
    """All that happened to the batch, its queens and its bookings, newest first."""
    queens = list(batch.batch_queens.values_list("pk", flat=True))
    bookings = list(batch.bookings.values_list("pk", flat=True))
    return AuditEntry.objects.filter(
        Q(subject_type="scheduling.queenbatch", subject_id=batch.pk)
        | Q(subject_type="scheduling.batchqueen", subject_id__in=queens)
        | Q(subject_type="scheduling.booking", subject_id__in=bookings)
    ).order_by("-at", "-pk")


def batches_of_viewer(viewer: Viewer, season: Season) -> QuerySet[QueenBatch]:
    return QueenBatch.objects.filter(season=season, member__in=viewer.member_ids)
