"""Who may take a place whose queen was set aside or lost: a sister, the member's other queens, then the queue."""

from collections.abc import Iterable
from dataclasses import dataclass

from scheduling.models import BatchQueen, BenchPlace, Booking, BookingState, Dose, PlaceState
from scheduling.models.batch import BenchState
from scheduling.planning.timing import queen_age_days
from scheduling.queries.ledger import ledger_order
from scheduling.queries.season import settings_of

FREE_STATES = [BenchState.WAITING, BenchState.FIRST_CO2]
WAITING = [BookingState.QUEUED, BookingState.PLACED, BookingState.MOVED, BookingState.AT_BENCH]
LIVE = [PlaceState.OFFERED, PlaceState.HELD]


@dataclass(frozen=True)
class Successor:
    """A queen who may have the place. `rank`: of her booking in the order in which the place goes on, from 1."""

    queen: BatchQueen
    booking: Booking
    age: int | None
    is_same_member: bool
    rank: int


def is_place_free_again(place: BenchPlace) -> bool:
    """Its queen was set aside or lost before she got any semen here."""
    return place.state == PlaceState.NOT_USED and not place.is_second


def successors_of(place: BenchPlace) -> list[Successor]:
    """In the published order: queens of the same member, then of who waits in the queue for these drones."""
    season = place.session.season
    bookings = (
        Booking.objects.filter(season=season, state__in=WAITING, batch__closed_on__isnull=True)
        .select_related("batch", "member")
        .prefetch_related("accepted", "bench_places")
    )
    suits = [one for one in bookings if one.pk == place.booking_id or (_misses(one) and _accepts(one, place))]
    ordered = sorted(
        enumerate(ledger_order(season, suits)),
        key=lambda pair: (pair[1].pk != place.booking_id, pair[1].member_id != place.booking.member_id, pair[0]),
    )
    queens = _free_queens(one.batch_id for one in suits)
    found = []
    for rank, booking in enumerate([one for _order, one in ordered if queens.get(one.batch_id)], start=1):
        same = booking.member_id == place.booking.member_id
        for queen in queens[booking.batch_id]:
            emerged = queen.queen.emerged_on
            age = queen_age_days(emerged, place.session.day) if emerged else None
            if booking.pk == place.booking_id or _is_of_age(place, age):
                found.append(Successor(queen, booking, age, same, rank))
    return found


def queen_place_elsewhere(queen: BatchQueen, *, but: BenchPlace) -> BenchPlace | None:
    places = BenchPlace.objects.filter(batch_queen=queen, state__in=LIVE).exclude(pk=but.pk)
    return places.select_related("session__bench").first()


def _free_queens(batches: Iterable[int]) -> dict[int, list[BatchQueen]]:
    """Queens without semen and without a place, by batch."""
    taken = BenchPlace.objects.filter(state__in=LIVE, batch_queen__isnull=False).values("batch_queen")
    dosed = Dose.objects.filter(undone_at__isnull=True).values("batch_queen")
    rows = (
        BatchQueen.objects.filter(batch__in=list(batches), state__in=FREE_STATES)
        .exclude(pk__in=taken)
        .exclude(pk__in=dosed)
        .select_related("queen", "batch")
        .order_by("batch", "number")
    )
    found: dict[int, list[BatchQueen]] = {}
    for queen in rows:
        found.setdefault(queen.batch_id, []).append(queen)
    return found


def _misses(booking: Booking) -> bool:
    """Whether it has fewer places, given and to come, than queens asked for."""
    held = [one for one in booking.bench_places.all() if one.state in {*LIVE, PlaceState.DONE} and not one.is_second]
    return len(held) < booking.queens


def _accepts(booking: Booking, place: BenchPlace) -> bool:
    accepted = {row.source_id for row in booking.accepted.all()}
    if place.source_id is not None:
        return place.source_id in accepted
    return place.pool is not None and all(part.source_id in accepted for part in place.pool.parts.all())


def _is_of_age(place: BenchPlace, age: int | None) -> bool:
    settings = settings_of(place.session.season)
    return age is not None and settings.virgin_age_first_days <= age <= settings.virgin_age_last_days
