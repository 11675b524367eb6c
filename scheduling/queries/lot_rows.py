"""The bench's lots, a row each: what learning is taught from.

They are many and change seldom, and almost every page of the season asks for them. So the rows are kept in the process
under what they follow from: how many tallies, readings and parts there are, and sums over them that no change leaves
as they were, which the database reckons in a fifth of the time. Nothing is kept for a time.
"""

from functools import lru_cache
from typing import Any

from django.db.models import Count, F, Max, Q, QuerySet, Sum, Value
from django.db.models.functions import Coalesce

from accounts.queries.often import asked_often
from scheduling.models import (
    BenchSession,
    DroneTally,
    LotMovement,
    LotPart,
    LotState,
    MovementKind,
    Season,
    SessionState,
    TallyOutcome,
)
from scheduling.planning.ages import age_of_lot
from scheduling.planning.taught import LotRow

LOST = [TallyOutcome.SOILED, TallyOutcome.BROKE]  # lost in the hand: no word about what the drone would have given
NO_AGE = 999
Sums = tuple[int | None, ...]


def lot_rows(season: Season, *, but: BenchSession | None = None) -> tuple[LotRow, ...]:
    """A row a lot, of this season and those before it. Volumes only of lots that are finished.

    but : a session whose own lots are left out.
    """
    tallies, readings, parts = lot_sums(season)
    if not tallies[0]:
        return ()
    rows = _rows(season.cooperative_id, season.year, tallies, readings, parts)
    return rows if but is None else tuple(row for row in rows if row[1] != but.pk)


def parts_of_pools(season: Season, *, earlier: bool = False) -> QuerySet[LotPart]:
    """What pools of this season, or of earlier ones too, were put together of."""
    parts = LotPart.objects.filter(undone_at__isnull=True)
    if not earlier:
        return parts.filter(lot__session__season=season)
    return parts.filter(_until(season.cooperative_id, season.year))


def _until(cooperative: int, year: int) -> Q:
    return Q(lot__session__season__cooperative=cooperative, lot__session__season__year__lte=year)


def _tallies(cooperative: int, year: int) -> QuerySet[DroneTally]:
    return DroneTally.objects.filter(_until(cooperative, year), undone_at__isnull=True)


def _readings(cooperative: int, year: int) -> QuerySet[LotMovement]:
    return LotMovement.objects.filter(
        Q(lot__session__state=SessionState.CLOSED) | ~Q(lot__state=LotState.OPEN),
        _until(cooperative, year),
        kind=MovementKind.COLLECTED,
        undone_at__isnull=True,
    )


def lot_sums(season: Season) -> tuple[Sums, Sums, Sums]:
    """Of tallies, readings and parts: how many, and each with what it says, weighed by its own number."""
    of = season.cooperative_id, season.year
    [tallies] = _sums_of_tallies(*of)
    if not tallies[0]:
        return (0,), (), ()
    [readings] = _sums_of_readings(*of)
    *_, pools = tallies
    [parts] = _sums_of_parts(*of) if pools else [()]
    return tallies, readings, parts


@asked_often
def _sums_of_tallies(cooperative: int, year: int) -> QuerySet[DroneTally, Any]:
    return (
        _tallies(cooperative, year)
        .order_by()
        .values(all=Value(1))
        .annotate(
            number=Count("pk"),
            latest=Max("pk"),
            tried=Sum(F("drones") * F("pk")),
            usable=Sum(F("drones") * F("pk"), filter=Q(outcome=TallyOutcome.USABLE)),
            lost=Sum(F("drones") * F("pk"), filter=Q(outcome__in=LOST)),
            lots=Sum(F("lot") * F("pk")),
            sessions=Sum(F("lot__session") * F("lot")),
            youngest=Sum(Coalesce("lot__drones_from_days", NO_AGE) * F("lot")),
            oldest=Sum(Coalesce("lot__drones_to_days", NO_AGE) * F("lot")),
            queens=Sum(F("lot__source__drone_queen") * F("lot")),
            pools=Count("pk", filter=Q(lot__source__isnull=True)),
        )
        .values_list(
            *["number", "latest", "tried", "usable", "lost", "lots", "sessions"],
            *["youngest", "oldest", "queens", "pools"],
        )
    )


@asked_often
def _sums_of_readings(cooperative: int, year: int) -> QuerySet[LotMovement, Any]:
    sums = _readings(cooperative, year).order_by().values(all=Value(1))
    return sums.annotate(
        number=Count("pk"), volumes=Sum(F("volume_tenths") * F("pk")), lots=Sum(F("lot") * F("pk"))
    ).values_list("number", "volumes", "lots")


@asked_often
def _sums_of_parts(cooperative: int, year: int) -> QuerySet[LotPart, Any]:
    sums = LotPart.objects.filter(_until(cooperative, year), undone_at__isnull=True).order_by().values(all=Value(1))
    return sums.annotate(
        number=Count("pk"), of_lots=Sum(F("lot") * F("pk")), queens=Sum(F("source__drone_queen") * F("pk"))
    ).values_list("number", "of_lots", "queens")


@lru_cache(maxsize=8)  # the sums are what the rows follow from: other rows have other sums
def _rows(cooperative: int, year: int, tallies: Sums, readings: Sums, parts: Sums) -> tuple[LotRow, ...]:
    volumes = dict(_readings(cooperative, year).order_by().values_list("lot").annotate(volume=Sum("volume_tenths")))
    rows = (
        _tallies(cooperative, year)
        .order_by("lot")
        .values_list("lot__source__drone_queen", "lot__session", "lot", "lot__drones_from_days", "lot__drones_to_days")
        .annotate(
            gave=Coalesce(Sum("drones", filter=Q(outcome=TallyOutcome.USABLE)), 0),
            lost=Coalesce(Sum("drones", filter=Q(outcome__in=LOST)), 0),
            tried=Sum("drones"),
        )
    )
    pools = _pool_of_lot(cooperative, year) if parts else {}
    found: list[LotRow] = []
    for queen, session, lot, youngest, oldest, gave, lost, tried in rows:
        of = str(queen) if queen is not None else pools.get(lot)
        if of is not None:
            found.append((of, session, gave, lost, tried, volumes.get(lot), age_of_lot(youngest, oldest)))
    return tuple(found)


def _pool_of_lot(cooperative: int, year: int) -> dict[int, str]:
    """Lots of pools, by whose drones they are: the same sources again are the same pool."""
    parts = LotPart.objects.filter(_until(cooperative, year), undone_at__isnull=True)
    queens: dict[int, set[int]] = {}
    for lot, queen in parts.values_list("lot", "source__drone_queen"):
        queens.setdefault(lot, set()).add(queen)
    return {lot: "+".join(str(queen) for queen in sorted(of)) for lot, of in queens.items()}


def lot_rows_forget() -> None:
    """Forget what is kept: for tests, whose databases begin anew with the same numbers."""
    _rows.cache_clear()
