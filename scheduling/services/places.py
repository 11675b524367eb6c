"""Which virgin takes which place: the oldest emerged first, in the order of their numbers."""

from scheduling.models import BatchQueen, BenchPlace, BenchState, PlaceState

FREE_STATES = [BenchState.WAITING, BenchState.FIRST_CO2]


def places_assign_queens(batch_id: int) -> int:
    """Fill held places of this batch that have no queen yet. Returns how many were filled; twice fills nothing more.

    Runs inside the caller's transaction. Places without a queen keep none until enough have emerged.
    """
    places = BenchPlace.objects.filter(booking__batch_id=batch_id, state=PlaceState.HELD)
    taken = set(places.exclude(batch_queen=None).values_list("batch_queen_id", flat=True))
    free = [
        queen
        for queen in BatchQueen.objects.filter(batch_id=batch_id, state__in=FREE_STATES).order_by("number")
        if queen.pk not in taken and not queen.doses.filter(undone_at__isnull=True).exists()
    ]
    open_places = list(places.filter(batch_queen=None).order_by("session__day", "session_id", "position"))
    filled = 0
    for place, queen in zip(open_places, free, strict=False):
        place.batch_queen = queen
        place.save(update_fields=["batch_queen"])
        filled += 1
    return filled
