"""The pedigree as the kernel takes it: plain dataclasses from tuples, a handful of queries whatever the size.

Ids of the kernel are the primary keys as text. What nobody recorded gets the documented defaults of
docs/breeding.md: drones counted, else one drone per µl, else the usual dose shared by the sources.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable
from typing import Any, NamedTuple

from django.db.models import Q

from accounts.models import Cooperative
from breeding.genetics import pedigree as kernel
from breeding.models import Mating, MatingKind, MatingShare, Queen, SemenBatchShare

ShareRow = tuple[int, int, int | None, int | None]  # mating or batch, drone queen, tenths of a µl, drones


class PedigreeRows(NamedTuple):
    """What the database holds of some queens, to be compared or kept: themselves, their matings, the parts of these."""

    queens: tuple[tuple[int, int | None], ...]
    matings: tuple[tuple[Any, ...], ...]
    shares: tuple[ShareRow, ...]
    batch_shares: tuple[ShareRow, ...]


def pedigree_of_cooperative(cooperative: Cooperative) -> kernel.Pedigree:
    """Every queen of the cooperative with every recorded mating. Four queries."""
    return pedigree_from(_rows(Q(cooperative=cooperative), Q(queen__cooperative=cooperative)))


def pedigree_of_queens(queen_ids: Collection[int]) -> kernel.Pedigree:
    """These queens alone; the caller gives a set that is closed under ancestry (`ancestry.ancestors_of`)."""
    return pedigree_from(pedigree_rows(queen_ids))


def pedigree_rows(queen_ids: Collection[int]) -> PedigreeRows:
    return _rows(Q(pk__in=queen_ids), Q(queen__in=queen_ids))


def drones_of_share(volume_tenths: int | None, drones: int | None, sources: int) -> int:
    """How many drones a part of a mixture stands for: counted, else 1 per µl, else the usual dose shared."""
    if drones is not None:
        return drones
    return kernel.drones_of_dose(None if volume_tenths is None else volume_tenths / 10, sources)


def _rows(queens: Q, matings: Q) -> PedigreeRows:
    mating_rows = tuple(
        Mating.objects.filter(matings)
        .order_by("pk")
        .values_list(
            "pk",
            "queen_id",
            "kind",
            "mated_on__year",
            "queen__birth_year",
            "drones",
            "shared_batch_id",
            "station_mother_id",
            "station_queens",
            "place",
        )
    )
    shares = MatingShare.objects.filter(mating__in=Mating.objects.filter(matings)).order_by("pk")
    batch_ids = {row[6] for row in mating_rows if row[6] is not None}
    batch_shares = SemenBatchShare.objects.filter(batch__in=batch_ids).order_by("pk")  # none are not asked for
    return PedigreeRows(
        tuple(Queen.objects.filter(queens).order_by("pk").values_list("pk", "mother_id")),
        mating_rows,
        tuple(shares.values_list("mating_id", "drone_queen_id", "volume_tenths", "drones")),
        tuple(batch_shares.values_list("batch_id", "drone_queen_id", "volume_tenths", "drones")),
    )


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
