"""The lists of the season as tables to take away. Days are those of the place, moments UTC."""

from collections.abc import Callable, Iterator

from django.db.models import F, QuerySet

from accounts.access import Viewer
from accounts.tables import Cell, Table
from scheduling.models import Booking, BookingState, DroneCount, QueenBatch, Season
from scheduling.queries.batches import batches_seen_by
from scheduling.queries.bookings import bookings_with_facts
from scheduling.queries.sessions import sessions_with_room

BATCHES = [
    "member", "batch", "mother", "apiary", "wanted_bench_on", "planned_graft_on", "confined_on", "grafted_on",
    "cells_grafted", "counted_on", "cells_started", "sealed_on", "caged_on", "emerged_on", "virgins_emerged",
    "excluder_on", "eggs_seen_on", "closed_on", "closed_reason", "note",
]  # fmt: skip
COUNTS = ["member", "source", "cohort", "kind", "counted_on", "number"]
SESSIONS = ["bench", "day", "starts_at", "ends_at", "operator", "places", "held", "asked", "left", "queue", "state"]


def batches_listed(viewer: Viewer, season: Season, *, everyone: bool) -> QuerySet[QueenBatch]:
    """As the page lists them: open ones first, by the day of the graft."""
    batches = batches_seen_by(viewer).filter(season=season)
    if not everyone:
        batches = batches.filter(member__in=viewer.member_ids)
    return batches.order_by(F("closed_on").asc(nulls_first=True), "grafted_on", "planned_graft_on", "pk")


def requests_listed(season: Season | None) -> QuerySet[Booking]:
    """Everybody's, in the order in which they were asked."""
    return Booking.objects.filter(season=season).exclude(state=BookingState.NOT_SENT).order_by("asked_at", "pk")


def requests_with_facts(season: Season) -> QuerySet[Booking]:
    return bookings_with_facts(requests_listed(season))


def season_table(name: str, viewer: Viewer, season: Season, *, everyone: bool) -> Table:
    """`name` of TABLES."""
    head, rows = TABLES[name]
    return Table(name, head, rows(viewer, season, everyone))


def _batches(viewer: Viewer, season: Season, everyone: bool) -> Iterator[list[Cell]]:
    for batch in batches_listed(viewer, season, everyone=everyone).select_related("member", "mother", "apiary"):
        own = [getattr(batch, name) for name in BATCHES[4:]]
        yield [batch.member.name, batch.name, batch.mother.label, batch.apiary.name if batch.apiary else None, *own]


def _counts(viewer: Viewer, season: Season, everyone: bool) -> Iterator[list[Cell]]:
    """Those that hold, in the columns in which they can be brought in again."""
    counts = DroneCount.objects.filter(cohort__source__season=season, replaced_by__isnull=True)
    in_order = counts.order_by("cohort__source__letter", "cohort__number", "counted_on", "kind")
    for count in in_order.select_related("cohort__source__member"):
        source = count.cohort.source
        yield [
            source.member.name, source.name, count.cohort.number, count.kind, count.counted_on, count.number,
        ]  # fmt: skip


def _sessions(viewer: Viewer, season: Season, everyone: bool) -> Iterator[list[Cell]]:
    """With the room each has."""
    for session in sessions_with_room(season).order_by("day", "starts_at"):
        room = [getattr(session, name) for name in ("held", "asked", "left", "queue")]
        yield [
            session.bench.name, session.day, session.starts_at.isoformat(), session.ends_at.isoformat(),
            session.operator.name if session.operator else None, session.places, *room, session.state,
        ]  # fmt: skip


TABLES: dict[str, tuple[list[str], Callable[[Viewer, Season, bool], Iterator[list[Cell]]]]] = {
    "batches": (BATCHES, _batches),
    "counts": (COUNTS, _counts),
    "bench-days": (SESSIONS, _sessions),
}
