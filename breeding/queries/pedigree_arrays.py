"""The whole pedigree of a cooperative in the integer arrays of the kernel: four queries, no object per queen.

What nobody recorded gets the defaults of docs/breeding.md, as in `queries.pedigree`, which makes the same pedigree of
plain dataclasses for small sets of queens; tests hold both against each other.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from django.db.models import QuerySet

from accounts.models import Cooperative
from breeding.genetics.entities import DRONE, MIXTURE, OPEN, QUEEN, SISTERS, STATION, Layout, Rows
from breeding.genetics.pedigree import STATION_DRONES, STATION_QUEENS, UNKNOWN_DRONES, USUAL_DOSE_UL
from breeding.genetics.types import Bools, Floats, Ints
from breeding.models import Mating, MatingKind, MatingShare, Queen, QueenStatus, SemenBatchShare
from breeding.queries.raw import raw_rows

NOBODY = -1


@dataclass(frozen=True, eq=False)
class Stock:
    """Queens of a cooperative in the order of their primary keys, and their pedigree; all (n_queens,).

    pk : ascending. birth_year : 0 where not known. is_living, is_mated : by her status.
    plan : entities of the kernel; the first n_queens are these queens.
    """

    pk: Ints
    birth_year: Ints
    is_living: Bools
    is_mated: Bools
    plan: Layout

    def rows_of(self, pks: Ints) -> Ints:
        """Row of each primary key; NOBODY where it is none of this cooperative."""
        return _rows_of(self.pk, pks)


def stock_of(cooperative: Cooperative, *, heads: Ints | None = None) -> Stock:
    """Read the pedigree.

    heads : primary keys of queens that have results; without a recorded mating they count as openly mated.
    """
    rows = raw_rows(
        Queen.objects.filter(cooperative=cooperative)
        .order_by("pk")
        .values_list("pk", "mother_id", "birth_year", "status")
    )
    if not rows:
        none = np.zeros(0, dtype=np.int64)
        return Stock(none, none, none.astype(bool), none.astype(bool), _Collected(none).plan())
    columns = list(zip(*rows, strict=True))
    pk = np.array(columns[0], dtype=np.int64)
    status = columns[3]
    made = _Collected(pk)
    made.raise_queens(_rows_of(pk, _whole(columns[1])))
    mating, kind, counted, batch = _matings(pk)
    recorded = mating[mating >= 0]
    if len(recorded):
        # Between their first and last key there may be some of others: cheaper to drop than to join.
        own = MatingShare.objects.filter(mating__gte=int(recorded.min()), mating__lte=int(recorded.max()))
        parts = own.order_by().values_list("pk", "mating_id", "drone_queen_id", "volume_tenths", "drones")
        made.own_mixtures(mating, kind, _shares(parts, pk, recorded))
    if (kind == _BATCH).any():
        shared = SemenBatchShare.objects.filter(batch__cooperative=cooperative).order_by()
        mixed = shared.values_list("pk", "batch_id", "drone_queen_id", "volume_tenths", "drones")
        made.batches(batch, kind, _shares(mixed, pk, batch[batch >= 0]))
    if (kind == _STATION).any():
        made.stations(_station_rows(cooperative), pk)
    made.open_matings(np.flatnonzero((kind != _NONE) & (made.set_of == NOBODY)), counted)
    young = made.dam[made.dam >= 0]
    headed = np.zeros(0, dtype=np.int64) if heads is None else _rows_of(pk, heads)
    unrecorded = np.unique(np.concatenate([young, headed[headed >= 0], *made.station_dams]))
    made.open_matings(unrecorded[made.set_of[unrecorded] == NOBODY], counted)
    return Stock(
        pk,
        np.maximum(_whole(columns[2]), 0),
        np.array([text != QueenStatus.GONE for text in status], dtype=bool),
        np.array([text == QueenStatus.MATED for text in status], dtype=bool),
        made.plan(),
    )


_NONE, _SINGLE, _DPQ, _POOL, _BATCH, _STATION, _OPEN = range(7)
_KINDS: dict[str | None, int] = {
    None: _NONE,
    MatingKind.SINGLE_DRONE.value: _SINGLE,
    MatingKind.DPQ.value: _DPQ,
    MatingKind.POOL.value: _POOL,
    MatingKind.BATCH.value: _BATCH,
    MatingKind.STATION.value: _STATION,
    MatingKind.OPEN.value: _OPEN,
}


def _matings(pk: Ints) -> tuple[Ints, npt.NDArray[np.int8], Ints, Ints]:
    """Primary key, kind, counted drones and shared batch of each queen's mating, (n_queens,); NOBODY for nothing."""
    found = np.full((3, len(pk)), NOBODY, dtype=np.int64)
    kind = np.full(len(pk), _NONE, dtype=np.int8)
    rows = raw_rows(
        Mating.objects.filter(queen__gte=int(pk[0]), queen__lte=int(pk[-1]))
        .order_by()
        .values_list("queen_id", "pk", "drones", "shared_batch_id", "kind")
    )
    if rows:
        columns = list(zip(*rows, strict=True))
        at = _rows_of(pk, np.array(columns[0], dtype=np.int64))
        own = at >= 0
        found[:, at[own]] = np.stack([_whole(column) for column in columns[1:4]])[:, own]
        kind[at[own]] = np.array([_KINDS[text] for text in columns[4]], dtype=np.int8)[own]
    return found[0], kind, found[1], found[2]


@dataclass(frozen=True, eq=False)
class _Shares:
    """Parts of mixtures of known queens, mixture by mixture: weight 1 each where no volume is known."""

    whole: Ints
    source: Ints
    weight: Floats
    drones: Ints


class _Collected:
    """Entities of the kernel while they are added up; the queens come first."""

    def __init__(self, pk: Ints) -> None:
        n = len(pk)
        self.name = pk
        self.dam = np.full(n, NOBODY, dtype=np.int64)
        self.set_of = np.full(n, NOBODY, dtype=np.int64)
        self.kind: list[npt.NDArray[np.int8]] = [np.full(n, QUEEN, dtype=np.int8)]
        self.other_dam: list[Ints] = []
        self.count: list[Ints] = [np.zeros(n, dtype=np.int64)]
        self.station: list[Ints] = [np.full(n, NOBODY, dtype=np.int64)]
        self.share_of: list[Ints] = []
        self.shares: list[_Shares] = []
        self.station_dams: list[Ints] = []
        self.size = n

    def _add(self, kind: int, n: int, *, dam: Ints | None = None, count: Ints | None = None,
             station: Ints | None = None) -> Ints:  # fmt: skip
        here = np.arange(self.size, self.size + n)
        nobody, nought = np.full(n, NOBODY, dtype=np.int64), np.zeros(n, dtype=np.int64)
        self.kind.append(np.full(n, kind, dtype=np.int8))
        self.other_dam.append(nobody if dam is None else dam)
        self.count.append(nought if count is None else count)
        self.station.append(nobody if station is None else station)
        self.size += n
        return here

    def raise_queens(self, dam: Ints) -> None:
        self.dam = dam

    def own_mixtures(self, mating: Ints, kind: npt.NDArray[np.int8], shares: _Shares) -> None:
        """Single drones, drones of one queen, and mixtures made for one queen alone."""
        order = np.argsort(mating, kind="stable")
        queen = order[np.searchsorted(mating, shares.whole, sorter=order)]
        first = np.concatenate([[True], shares.whole[1:] != shares.whole[:-1]]) if len(queen) else queen.astype(bool)
        single = first & (kind[queen] == _SINGLE)
        self.set_of[queen[single]] = self._add(DRONE, int(single.sum()), dam=shares.source[single])
        mixed = (kind[queen] == _POOL) | (first & (kind[queen] == _DPQ))
        mothers, at = np.unique(queen[mixed], return_inverse=True)
        self.set_of[mothers] = here = self._add(MIXTURE, len(mothers))
        self._mixed(here[at], shares, mixed)

    def batches(self, batch: Ints, kind: npt.NDArray[np.int8], shares: _Shares) -> None:
        """Mixtures that several queens share."""
        queens = np.flatnonzero((kind == _BATCH) & np.isin(batch, shares.whole))
        used, at = np.unique(batch[queens], return_inverse=True)
        here = self._add(MIXTURE, len(used))
        self.set_of[queens] = here[at]
        part = np.isin(shares.whole, used)
        self._mixed(here[np.searchsorted(used, shares.whole[part])], shares, part)

    def _mixed(self, entity: Ints, shares: _Shares, chosen: Bools) -> None:
        self.share_of.append(entity)
        self.shares.append(
            _Shares(shares.whole[chosen], shares.source[chosen], shares.weight[chosen], shares.drones[chosen])
        )

    def stations(self, rows: Sequence[tuple[Any, ...]], pk: Ints) -> None:
        """Queens at the same station in the same year met the same sisters; a nameless one is one of its own."""
        groups: dict[tuple[object, ...], int] = {}
        dams, sizes, at = [], [], []
        for mating, _queen, year, _drones, mother, size, place in rows:
            key: tuple[object, ...] = (mother, place.casefold(), year, size)
            if year is None or not (place or mother):
                key = (mating,)
            if key not in groups:
                groups[key] = len(groups)
                dams.append(mother or NOBODY)
                sizes.append(size)
            at.append(groups[key])
        dam = _rows_of(pk, np.array(dams, dtype=np.int64))
        sisters = self._add(SISTERS, len(groups), dam=dam, count=np.array(sizes, dtype=np.int64))
        self.station_dams.append(dam[dam >= 0])
        queens = _rows_of(pk, np.array([row[1] for row in rows], dtype=np.int64))
        count = np.array([row[3] or STATION_DRONES for row in rows], dtype=np.int64)
        self.set_of[queens] = self._add(STATION, len(rows), count=count, station=sisters[np.array(at)])

    def open_matings(self, queens: Ints, counted: Ints) -> None:
        count = np.where(counted[queens] > 0, counted[queens], UNKNOWN_DRONES) if len(queens) else queens
        self.set_of[queens] = self._add(OPEN, len(queens), count=count)

    def plan(self) -> Layout:
        share_of = np.concatenate([*self.share_of, np.zeros(0, dtype=np.int64)])
        source, drones = (
            np.concatenate([*parts, np.zeros(0, dtype=np.int64)])
            for parts in ([s.source for s in self.shares], [s.drones for s in self.shares])
        )
        weight = np.concatenate([*(s.weight for s in self.shares), np.zeros(0)])
        order = np.argsort(share_of, kind="stable")
        share_of, source, drones, weight = share_of[order], source[order], drones[order], weight[order]
        whole = np.bincount(share_of, weights=weight, minlength=self.size)
        start = np.concatenate([[0], np.cumsum(np.bincount(share_of, minlength=self.size))]).astype(np.int64)
        name, n = self.name, len(self.name)
        return Layout.of_arrays(
            n_queens=n,
            kind=np.concatenate(self.kind),
            dam=np.concatenate([self.dam, *self.other_dam]),
            count=np.concatenate(self.count),
            station=np.concatenate(self.station),
            set_of=self.set_of,
            sources=Rows(start, source, weight / whole[share_of]),
            source_drones=drones,
            name_of=lambda i: str(name[i]) if i < n else f"entity {i}",
        )


def _whole(column: Sequence[int | None]) -> Ints:
    """Whole numbers, NOBODY where there is none."""
    made = np.array(column, dtype=float)
    made[np.isnan(made)] = NOBODY
    return np.asarray(made.astype(np.int64))


def _rows_of(pk: Ints, wanted: Ints) -> Ints:
    at = np.minimum(np.searchsorted(pk, wanted), max(0, len(pk) - 1))
    return np.asarray(np.where(pk[at] == wanted, at, NOBODY)) if len(pk) else np.full(len(wanted), NOBODY)


def _shares(parts: "QuerySet[Any, Any]", pk: Ints, wholes: Ints) -> _Shares:
    """Parts of these matings or batches whose queen is known, in the order they were written, with their drones."""
    columns = list(zip(*raw_rows(parts), strict=True)) or [()] * 5
    key, whole, source, tenths, drones = (_whole(column) for column in columns)
    order = np.lexsort((key, whole))
    order = order[_rows_of(np.sort(wholes), whole[order]) >= 0]
    whole, tenths, drones = whole[order], tenths[order], drones[order]
    source = _rows_of(pk, source[order])
    known = source >= 0
    whole, source, tenths, drones = whole[known], source[known], tenths[known], drones[known]
    start = np.flatnonzero(np.diff(whole, prepend=NOBODY))
    in_whole = np.diff([*start.tolist(), len(whole)])
    dose = np.where(tenths >= 0, tenths / 10, USUAL_DOSE_UL / np.repeat(in_whole, in_whole))
    guessed = np.maximum(1, np.floor(dose + 0.5)).astype(np.int64)
    return _Shares(whole, source, np.where(tenths > 0, tenths, 1).astype(float), np.where(drones >= 0, drones, guessed))


def _station_rows(cooperative: Cooperative) -> list[tuple[Any, ...]]:
    """mating, queen, year, drones, mother of the sisters (of this cooperative), how many sisters, place."""
    rows = Mating.objects.filter(queen__cooperative=cooperative, kind=MatingKind.STATION).order_by("pk").values_list(
        "pk", "queen_id", "mated_on", "queen__birth_year", "drones", "station_mother_id",
        "station_mother__cooperative_id", "station_queens", "place",
    )  # fmt: skip
    return [
        (
            pk,
            queen,
            mated_on.year if mated_on else born,
            drones,
            mother if home == cooperative.pk else None,
            size or STATION_QUEENS,
            place or "",
        )
        for pk, queen, mated_on, born, drones, mother, home, size, place in rows
    ]
