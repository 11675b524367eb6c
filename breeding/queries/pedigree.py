"""The pedigree as the kernel takes it: plain dataclasses from tuples, a handful of queries whatever the size.

Ids of the kernel are the primary keys as text. What nobody recorded gets the documented defaults of
docs/breeding.md: drones counted, else one drone per µl, else the usual dose shared by the sources.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable
from typing import Any, NamedTuple

from django.db.models import QuerySet

from accounts.models import Cooperative
from accounts.queries.often import asked_often
from breeding.genetics import pedigree as kernel
from breeding.models import Mating, MatingKind, MatingShare, Queen, SemenBatchShare
from breeding.queries.ancestry import ancestors_of, sources_of

MOST_OFTEN = 4_096  # queens whose question is kept: more of them are asked about seldom
ShareRow = tuple[int, int, int | None, int | None]  # mating or batch, drone queen, tenths of a µl, drones

MOST_REMEMBERED = 256  # questions; each has a few thousand rows at most


class PedigreeRows(NamedTuple):
    """What the database holds of some queens, to be compared or kept: themselves, their matings, the parts of these."""

    queens: tuple[tuple[int, int | None], ...]
    matings: tuple[tuple[Any, ...], ...]
    shares: tuple[ShareRow, ...]
    batch_shares: tuple[ShareRow, ...]


_REMEMBERED: dict[tuple[frozenset[int], frozenset[int]], tuple[set[int], PedigreeRows]] = {}


def pedigree_of_cooperative(cooperative: Cooperative) -> kernel.Pedigree:
    """Every queen of the cooperative with every recorded mating. Four queries."""
    of = cooperative.pk
    return pedigree_from(
        _rows(_queens(cooperative=of), _matings(queen__cooperative=of), _shares(mating__queen__cooperative=of))
    )


def rows_behind(queens: frozenset[int], *, mated: frozenset[int]) -> PedigreeRows:
    """What is on record of these queens, of whose semen the `mated` carry, and of everybody behind them.

    Who that is was found out before, unless one of the rows is another: then it is looked for anew.
    """
    ids, rows = _REMEMBERED.get((queens, mated), (set(), None))
    if rows is None or pedigree_rows(ids) != rows:
        met = {source for found in sources_of(mated).values() for source in found}
        ids = ancestors_of(queens | met)
        rows = pedigree_rows(ids)
        if len(_REMEMBERED) >= MOST_REMEMBERED:
            _REMEMBERED.clear()
        _REMEMBERED[queens, mated] = ids, rows
    return rows


def rows_forget() -> None:
    """Forget what is remembered: for tests, whose databases begin anew with the same numbers."""
    _REMEMBERED.clear()


def pedigree_rows(queen_ids: Collection[int]) -> PedigreeRows:
    of = tuple(sorted(queen_ids))
    if len(of) > MOST_OFTEN:
        return _rows(_queens(pk__in=of), _matings(queen__in=of), _shares(mating__queen__in=of))
    return _rows(_queens_of(of), _matings_of(of), _shares_of(of))


def drones_of_share(volume_tenths: int | None, drones: int | None, sources: int) -> int:
    """How many drones a part of a mixture stands for: counted, else 1 per µl, else the usual dose shared."""
    if drones is not None:
        return drones
    return kernel.drones_of_dose(None if volume_tenths is None else volume_tenths / 10, sources)


def _rows(
    queens: Iterable[tuple[int, int | None]], matings: Iterable[tuple[Any, ...]], shares: Iterable[ShareRow]
) -> PedigreeRows:
    mating_rows = tuple(matings)
    batches = tuple(sorted({row[6] for row in mating_rows if row[6] is not None}))
    of_batches = _batch_shares_of(batches) if len(batches) <= MOST_OFTEN else _batch_shares(batches)
    return PedigreeRows(tuple(queens), mating_rows, tuple(shares), tuple(of_batches))


def _queens(**of: Any) -> QuerySet[Queen, tuple[int, int | None]]:
    return Queen.objects.filter(**of).order_by("pk").values_list("pk", "mother_id")


def _matings(**of: Any) -> QuerySet[Mating, Any]:
    own = ("pk", "queen_id", "kind", "mated_on__year", "queen__birth_year", "drones")
    elsewhere = ("shared_batch_id", "station_mother_id", "station_queens", "place")
    return Mating.objects.filter(**of).order_by("pk").values_list(*own, *elsewhere)


def _shares(**of: Any) -> QuerySet[MatingShare, ShareRow]:
    shares = MatingShare.objects.filter(**of).order_by("pk")
    return shares.values_list("mating_id", "drone_queen_id", "volume_tenths", "drones")


def _batch_shares(batches: tuple[int, ...]) -> QuerySet[SemenBatchShare, ShareRow]:
    shares = SemenBatchShare.objects.filter(batch__in=batches).order_by("pk")
    return shares.values_list("batch_id", "drone_queen_id", "volume_tenths", "drones")


@asked_often
def _queens_of(queens: tuple[int, ...]) -> QuerySet[Queen, tuple[int, int | None]]:
    return _queens(pk__in=queens)


@asked_often
def _matings_of(queens: tuple[int, ...]) -> QuerySet[Mating, Any]:
    return _matings(queen__in=queens)


@asked_often
def _shares_of(queens: tuple[int, ...]) -> QuerySet[MatingShare, ShareRow]:
    return _shares(mating__queen__in=queens)


_batch_shares_of = asked_often(_batch_shares)


def pedigree_from(rows: PedigreeRows) -> kernel.Pedigree:
    """Parents who are not among the queens read are unknown."""
    known = {pk for pk, _ in rows.queens}
    shares, batch_shares = _grouped(rows.shares), _grouped(rows.batch_shares)
    matings: dict[str, kernel.Mating] = {}
    drones: list[kernel.Drone] = []
    batches: dict[int, kernel.Batch] = {}
    groups: dict[str, kernel.SisterGroup] = {}
    for pk, queen, kind, mated_year, born, counted, batch, station_mother, station_queens, place in rows.matings:
        parts = [row for row in shares.get(pk, []) if row[1] in known]
        mating: kernel.Mating = kernel.Open(counted or kernel.UNKNOWN_DRONES)
        if kind == MatingKind.SINGLE_DRONE and parts:
            drone = f"m{pk}"
            drones.append(kernel.Drone(drone, str(parts[0][1])))
            mating = kernel.SingleDrone(drone)
        elif kind == MatingKind.DPQ and parts:
            mating = kernel.OneSource(str(parts[0][1]), drones_of_share(parts[0][2], parts[0][3], 1))
        elif kind == MatingKind.POOL and parts:
            mating = kernel.Pool(_kernel_shares(parts))
        elif kind == MatingKind.BATCH and (mixed := [r for r in batch_shares.get(batch, []) if r[1] in known]):
            batches[batch] = kernel.Batch(str(batch), _kernel_shares(mixed))
            mating = kernel.SharedBatch(str(batch))
        elif kind == MatingKind.STATION:
            mother = station_mother if station_mother in known else None
            size = station_queens or kernel.STATION_QUEENS
            group = _station_id(pk, mother, place, mated_year or born, size)
            groups[group] = kernel.SisterGroup(group, str(mother) if mother is not None else None, size)
            mating = kernel.Station(group, counted or kernel.STATION_DRONES)
        matings[str(queen)] = mating
    return kernel.Pedigree(
        queens=[kernel.Queen(str(pk), str(mother) if mother in known else None) for pk, mother in rows.queens],
        matings=matings,
        drones=drones,
        batches=list(batches.values()),
        groups=list(groups.values()),
    )


def _station_id(mating: int, mother: int | None, place: str, year: int | None, size: int) -> str:
    """Queens at the same station in the same year met the same sisters; a nameless station is one of its own."""
    where = place.casefold() if place else ""
    if year is None or not (where or mother):
        return f"mating {mating}"
    return f"{mother or '-'}/{where}/{year}/{size}"


def _kernel_shares(rows: list[ShareRow]) -> tuple[kernel.DroneShare, ...]:
    return tuple(
        kernel.DroneShare(str(queen), float(tenths or 1), drones_of_share(tenths, drones, len(rows)))
        for _, queen, tenths, drones in rows
    )


def _grouped(rows: Iterable[ShareRow]) -> dict[int, list[ShareRow]]:
    grouped: dict[int, list[ShareRow]] = defaultdict(list)
    for row in rows:
        grouped[row[0]].append(row)
    return grouped
