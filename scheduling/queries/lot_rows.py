"""The bench's lots, a row each: what learning is taught from.

They are many and change seldom, and almost every page of the season asks for them. So the rows are kept in the process
under the marks that the database itself sets (`LotMark`): one small question says whether anything changed, and what
changed is read anew by its sessions. Nothing is kept for a time.
"""

from collections.abc import Collection
from functools import lru_cache
from itertools import chain
from typing import Any, NamedTuple

from django.db.models import Count, Q, QuerySet, Sum, Value
from django.db.models.functions import Coalesce

from accounts.queries.often import asked_often
from scheduling.models import (
    BenchSession,
    DroneTally,
    LotMark,
    LotMovement,
    LotPart,
    LotState,
    MovementKind,
    Season,
    SessionState,
    TallyOutcome,
)
from scheduling.planning.ages import age_of_lot
from scheduling.planning.taught import LotRow, LotRows

LOST = [TallyOutcome.SOILED, TallyOutcome.BROKE]  # lost in the hand: no word about what the drone would have given
MOST_KEPT = 8  # cooperatives and years
MOST_ANEW = 100  # sessions: more than that are read together with all others
ALL_SESSIONS = 0
Mark = tuple[int, ...]
Numbered = list[tuple[int, LotRow]]


class _Kept(NamedTuple):
    """`marks`, `by_session`: by session; rows with their lots' numbers. `rows`: all of them, by those numbers."""

    mark: Mark
    marks: dict[int, int]
    by_session: dict[int, Numbered]
    rows: LotRows


_KEPT: dict[tuple[int, int], _Kept] = {}


def lot_rows(season: Season, *, but: BenchSession | None = None) -> LotRows:
    """A row a lot that is finished, of this season and those before it.

    While a lot is being filled its drones run ahead of its readings, and every tap would be another question to all
    that is learned. What was tried so far counts at that bench itself (`scheduling/queries/what_now.py`).

    but : a session whose own lots are left out.
    """
    mark = lot_mark()
    rows = _rows(season.cooperative_id, season.year, mark) if mark else LotRows()
    return rows if but is None else _rows_without(rows, but.pk)


def lot_mark() -> Mark:
    """Another one whenever anything changed that lots teach, of whatever the database holds; empty where none ever was.

    Each change gives its session a number by chance, so no two states of the lots have the same sum but by a chance of
    one in 10^12, also where a change was taken back.
    """
    found = next(iter(_marks_summed()), (0, 0))
    return found if found[0] else ()


def parts_of_pools(season: Season, *, earlier: bool = False) -> QuerySet[LotPart]:
    """What pools of this season, or of earlier ones too, were put together of."""
    parts = LotPart.objects.filter(undone_at__isnull=True)
    if not earlier:
        return parts.filter(lot__session__season=season)
    return parts.filter(_until(season.cooperative_id, season.year))


def _until(cooperative: int, year: int) -> Q:
    return Q(lot__session__season__cooperative=cooperative, lot__session__season__year__lte=year)


def _finished() -> Q:
    return Q(lot__session__state=SessionState.CLOSED) | ~Q(lot__state=LotState.OPEN)


def _tallies(cooperative: int, year: int) -> QuerySet[DroneTally]:
    return DroneTally.objects.filter(_finished(), _until(cooperative, year), undone_at__isnull=True)


def _readings(cooperative: int, year: int) -> QuerySet[LotMovement]:
    return LotMovement.objects.filter(
        _finished(),
        _until(cooperative, year),
        kind=MovementKind.COLLECTED,
        undone_at__isnull=True,
    )


@asked_often
def _marks_summed() -> QuerySet[LotMark, Any]:
    marks = LotMark.objects.order_by().values(all=Value(1)).annotate(number=Count("pk"), total=Sum("mark"))
    return marks.values_list("number", "total")


def _rows(cooperative: int, year: int, mark: Mark) -> LotRows:
    of = cooperative, year
    known = _KEPT.get(of)
    if known is not None and known.mark == mark:
        return known.rows
    marks = dict(LotMark.objects.values_list("session_id", "mark"))  # first: what is read then is as new, or newer
    mark = len(marks), sum(marks.values())
    by_session = _read_anew(cooperative, year, known, marks)
    rows = LotRows(row for _lot, row in sorted(chain.from_iterable(by_session.values())))
    if known is not None and rows == known.rows:
        rows = known.rows  # whose hash is reckoned, and under which what they teach is kept
    if len(_KEPT) >= MOST_KEPT:
        _KEPT.clear()
    _KEPT[of] = _Kept(mark, marks, by_session, rows)
    return rows


def _read_anew(cooperative: int, year: int, known: _Kept | None, marks: dict[int, int]) -> dict[int, Numbered]:
    if known is None or known.marks.get(ALL_SESSIONS) != marks.get(ALL_SESSIONS):
        return _read(cooperative, year, None)
    changed = {session for session, mark in marks.items() if known.marks.get(session) != mark}
    if len(changed) > MOST_ANEW:
        return _read(cooperative, year, None)
    as_before = {session: rows for session, rows in known.by_session.items() if session not in changed}
    return as_before | _read(cooperative, year, changed)


@lru_cache(maxsize=2)
def _rows_without(rows: LotRows, session: int) -> LotRows:
    return LotRows(row for row in rows if row[1] != session)


def _read(cooperative: int, year: int, sessions: Collection[int] | None) -> dict[int, Numbered]:
    """By session; of these, or of all."""
    these = Q() if sessions is None else Q(lot__session__in=sessions)
    readings = _readings(cooperative, year).filter(these).order_by()
    volumes = dict(readings.values_list("lot").annotate(volume=Sum("volume_tenths")))
    rows = (
        _tallies(cooperative, year)
        .filter(these)
        .order_by("lot")
        .values_list("lot__source__drone_queen", "lot__session", "lot", "lot__drones_from_days", "lot__drones_to_days")
        .annotate(
            gave=Coalesce(Sum("drones", filter=Q(outcome=TallyOutcome.USABLE)), 0),
            lost=Coalesce(Sum("drones", filter=Q(outcome__in=LOST)), 0),
            tried=Sum("drones"),
        )
    )
    pools = _pool_of_lot(cooperative, year, these)
    found: dict[int, Numbered] = {}
    for queen, session, lot, youngest, oldest, gave, lost, tried in rows:
        of = str(queen) if queen is not None else pools.get(lot)
        if of is not None:
            row = (of, session, gave, lost, tried, volumes.get(lot), age_of_lot(youngest, oldest))
            found.setdefault(session, []).append((lot, row))
    return found


def _pool_of_lot(cooperative: int, year: int, these: Q) -> dict[int, str]:
    """Lots of pools, by whose drones they are: the same sources again are the same pool."""
    parts = LotPart.objects.filter(_until(cooperative, year), these, undone_at__isnull=True)
    queens: dict[int, set[int]] = {}
    for lot, queen in parts.values_list("lot", "source__drone_queen"):
        queens.setdefault(lot, set()).add(queen)
    return {lot: "+".join(str(queen) for queen in sorted(of)) for lot, of in queens.items()}


def lot_rows_forget() -> None:
    """Forget what is kept: for tests, whose databases begin anew with the same numbers."""
    _KEPT.clear()
    _rows_without.cache_clear()
