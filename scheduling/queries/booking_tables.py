"""Requests for places as a table to take away."""

from collections.abc import Iterator

from django.db.models import QuerySet

from accounts.tables import Cell, Table
from scheduling.models import Booking

HEAD = [
    "asked_at", "member", "batch", "queens", "dose_ul", "mode", "state", "why", "wished_day", "sources", "places",
    "note",
]  # fmt: skip


def bookings_table(bookings: QuerySet[Booking], name: str = "bookings") -> Table:
    """`bookings` : with their facts (`bookings_with_facts`). Moments are UTC; days of places as they stand."""
    return Table(name, HEAD, _rows(bookings))


def _rows(bookings: QuerySet[Booking]) -> Iterator[list[Cell]]:
    for booking in bookings:
        days = sorted({place.session.day.isoformat() for place in booking.bench_places.all()})
        yield [
            booking.asked_at.isoformat(), booking.member.name, booking.batch.name, booking.queens,
            booking.dose_tenths / 10, booking.mode, booking.state, str(booking.why),
            booking.wished_session.day if booking.wished_session else None,
            ", ".join(row.source.name for row in booking.accepted.all()), ", ".join(days), booking.note,
        ]  # fmt: skip
