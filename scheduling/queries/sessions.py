"""Bench sessions with the places that are free."""

import datetime as dt
from collections.abc import Iterable
from typing import Any

from django.db.models import Case, Count, F, IntegerField, OuterRef, Q, QuerySet, Subquery, Sum, When
from django.db.models.functions import Coalesce

from accounts.access import Viewer
from accounts.queries.often import asked_often
from scheduling.models import BenchPlace, BenchSession, Booking, BookingState, PlaceState, Season, SessionState
from scheduling.queries.second_doses import Reserved, reserved_for_seconds

# Asked for, not placed yet: they count where they wish to be. From `offered` on the numbered places count.
WAITING_STATES = [BookingState.ASKED]
COMING = [SessionState.OPEN, SessionState.RUNNING]


def sessions_seen_by(viewer: Viewer) -> QuerySet[BenchSession]:
    """Bench days are the cooperative's; everybody in it sees them."""
    return BenchSession.objects.filter(season__cooperative=viewer.cooperative)


def sessions_with_room(season: Season) -> QuerySet[BenchSession]:
    """Sessions of the season that are not called off, with the room each has."""
    return with_room(
        BenchSession.objects.filter(season=season)
        .exclude(state=SessionState.CANCELLED)
        .select_related("bench", "season__cooperative", "operator"),
        seasons=[season],
    )


def with_room(sessions: QuerySet[BenchSession], *, seasons: Iterable[Season]) -> QuerySet[BenchSession]:
    """Each with its places `held`, `asked` for and set aside for `seconds` (doses of the `seasons` it may be of), what
    is then `left` (below 0 where more is asked for than there is), and how many requests are in its `queue`.
    """
    seconds = {pk: one.queens for season in seasons for pk, one in reserved_for_seconds(season).items()}
    held = (
        BenchPlace.objects.filter(session=OuterRef("pk"))
        .exclude(state=PlaceState.FREED)
        .order_by()
        .values("session")
        .annotate(n=Count("pk"))
        .values("n")
    )
    return sessions.annotate(
        held=Coalesce(Subquery(held, output_field=IntegerField()), 0),
        asked=Coalesce(Subquery(_wished(WAITING_STATES), output_field=IntegerField()), 0),
        queue=Coalesce(Subquery(_wished([BookingState.QUEUED], count=True), output_field=IntegerField()), 0),
        seconds=Case(
            *(When(pk=pk, then=queens) for pk, queens in seconds.items()), default=0, output_field=IntegerField()
        ),
        left=F("places") - F("held") - F("asked") - F("seconds"),
    )


def sessions_to_come(season: Season, *, today: dt.date) -> QuerySet[BenchSession]:
    """From today on, with at least one place for insemination."""
    return sessions_with_room(season).filter(day__gte=today, places__gt=0, state__in=COMING)


def bench_days(season: Season) -> list[dt.date]:
    """Days with a place for insemination, whatever has become of them but called off."""
    return list(dict.fromkeys(day for day, _state in _bench_days(season.pk)))


def bench_days_to_come(season: Season, *, today: dt.date) -> list[dt.date]:
    return list(dict.fromkeys(day for day, state in _bench_days(season.pk) if day >= today and state in COMING))


@asked_often
def _bench_days(season: int) -> QuerySet[BenchSession, tuple[dt.date, str]]:
    sessions = BenchSession.objects.filter(season=season, places__gt=0).exclude(state=SessionState.CANCELLED)
    return sessions.order_by("day", "pk").values_list("day", "state")


def room_counted(session: Any, *, season: Season) -> None:
    """Put on one session what is `left` of it and its `queue`, as `with_room` does on many.

    Lock the session's row before, where that is to be relied on.
    """
    held = sum(places for (places,) in _held_in(session.pk))
    wishes = {state: (queens, requests) for state, queens, requests in _wishes_for(session.pk)}
    seconds = reserved_for_seconds(season).get(session.pk, Reserved()).queens
    session.left = session.places - held - seconds - sum(wishes.get(state, (0, 0))[0] for state in WAITING_STATES)
    session.queue = wishes.get(BookingState.QUEUED, (0, 0))[1]


@asked_often
def _held_in(session: int) -> QuerySet[BenchPlace, tuple[int]]:
    held = BenchPlace.objects.filter(session=session).exclude(state=PlaceState.FREED).order_by()
    return held.values("session").annotate(n=Count("pk")).values_list("n")


@asked_often
def _wishes_for(session: int) -> QuerySet[Booking, tuple[str, int, int]]:
    wishes = Booking.objects.filter(wished_session=session).order_by().values("state")
    return wishes.annotate(n=Sum("queens"), of=Count("pk")).values_list("state", "n", "of")


def places_left(session: BenchSession) -> int:
    """Free places now; lock the session's row where it is to be relied on."""
    row: Any = BenchSession.objects.select_related("season").get(pk=session.pk)
    room_counted(row, season=row.season)
    return max(0, int(row.left))


def place_in_queue(booking: Booking) -> int | None:
    """1 for the first in the queue of its wished bench day; None when it does not queue."""
    if booking.state != BookingState.QUEUED:
        return None
    before = Booking.objects.filter(
        state=BookingState.QUEUED, wished_session=booking.wished_session_id, season=booking.season_id
    ).filter(Q(asked_at__lt=booking.asked_at) | Q(asked_at=booking.asked_at, pk__lt=booking.pk))
    return before.count() + 1


def _wished(states: list[BookingState], *, count: bool = False) -> QuerySet[Any, Any]:
    wished = Booking.objects.filter(wished_session=OuterRef("pk"), state__in=states).order_by().values("wished_session")
    return wished.annotate(n=Count("pk") if count else Sum("queens")).values("n")
