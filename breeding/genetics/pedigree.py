"""Queens, drones, mixtures and matings as plain dataclasses, and the checks that need no arithmetic.

Ids are strings of the caller's choice, unique within their kind. ``check_pedigree`` refuses what
cannot be a pedigree; ``breeding.genetics.nodes.build_nodes`` turns a pedigree into numbers.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeAlias

from breeding.genetics.types import InputError

# Drones of a queen whose mates nobody recorded: mean of about 12 (10.1186/s12711-019-0518-y).
UNKNOWN_DRONES = 12
STATION_DRONES = 12
STATION_QUEENS = 8
USUAL_DOSE_UL = 8  # single dose of common instructions: 8-12 µl (10.3896/IBRA.1.52.4.09, section 4.3)
UNIT_PREFIXES = ("W:", "B:", "S:", "d:")


@dataclass(frozen=True, slots=True)
class Queen:
    """A queen; ``dam`` is the queen of the colony she was raised from, None when not known.

    ``group`` names the origin of a queen without a known dam (genetic groups only).
    """

    id: str
    dam: str | None = None
    group: str | None = None


@dataclass(frozen=True, slots=True)
class Drone:
    """One recorded drone; ``dam`` is his mother."""

    id: str
    dam: str | None = None


@dataclass(frozen=True, slots=True)
class DroneShare:
    """One drone-producing queen's part of a mixture; ``n_drones`` None means very many."""

    id: str
    weight: float
    n_drones: int | None


@dataclass(frozen=True, slots=True)
class Batch:
    """One homogenised mixture of semen shared by several queens."""

    id: str
    dpqs: tuple[DroneShare, ...]


@dataclass(frozen=True, slots=True)
class SisterGroup:
    """``n_dpq`` unrecorded sister drone-producing queens raised from the colony of ``dam``."""

    id: str
    dam: str | None
    n_dpq: int = STATION_QUEENS


@dataclass(frozen=True, slots=True)
class SingleDrone:
    drone: str


@dataclass(frozen=True, slots=True)
class OneSource:
    """Drones of one drone-producing queen; ``n_drones`` None means very many."""

    dpq: str
    n_drones: int | None


@dataclass(frozen=True, slots=True)
class Pool:
    """Semen of several drone-producing queens mixed for this queen alone; weights need no fixed sum."""

    dpqs: tuple[DroneShare, ...]


@dataclass(frozen=True, slots=True)
class SharedBatch:
    batch: str


@dataclass(frozen=True, slots=True)
class Station:
    group: str
    n_drones: int | None = STATION_DRONES


@dataclass(frozen=True, slots=True)
class Open:
    """Drones of nobody knows whom; ``group`` names their origin (genetic groups only)."""

    n_drones: int | None = UNKNOWN_DRONES
    group: str | None = None


Mating: TypeAlias = SingleDrone | OneSource | Pool | SharedBatch | Station | Open


@dataclass(frozen=True, slots=True)
class Pedigree:
    """Who descends from whom, in any order.

    ``matings`` maps a queen's id to the drones whose sperm she carries. A queen with daughters or
    records but without a mating counts as openly mated with ``UNKNOWN_DRONES`` drones.
    """

    queens: Sequence[Queen]
    matings: Mapping[str, Mating] = field(default_factory=dict)
    drones: Sequence[Drone] = ()
    batches: Sequence[Batch] = ()
    groups: Sequence[SisterGroup] = ()


def drones_of_dose(volume_ul: float | None, sources: int) -> int:
    """How many drones one of several sources stands for where nobody counted: 1 per µl, else the usual dose shared."""
    return max(1, int((USUAL_DOSE_UL / sources if volume_ul is None else volume_ul) + 0.5))


def check_pedigree(pedigree: Pedigree, *, path: str = "pedigree") -> None:
    """Refuse double ids, unknown ids and impossible numbers; loops in time show when nodes are built.

    Raises
    ------
    InputError
        With the path of the offending entry below ``path``, e.g.
        ``pedigree.matings.Q1.dpqs[1].id: unknown queen "P9"``.
    """
    queens = _ids(pedigree.queens, f"{path}.queens", "queen")
    drones = _ids(pedigree.drones, f"{path}.drones", "drone")
    batches = _ids(pedigree.batches, f"{path}.batches", "batch")
    groups = _ids(pedigree.groups, f"{path}.groups", "group")
    for i, queen in enumerate(pedigree.queens):
        if queen.dam is not None and queen.dam not in queens:
            raise InputError(f"{path}.queens[{i}].dam", f'unknown queen "{queen.dam}"')
    for i, drone in enumerate(pedigree.drones):
        if drone.dam is not None and drone.dam not in queens:
            raise InputError(f"{path}.drones[{i}].dam", f'unknown queen "{drone.dam}"')
    for i, batch in enumerate(pedigree.batches):
        _check_shares(batch.dpqs, queens, f"{path}.batches[{i}].dpqs")
    for i, group in enumerate(pedigree.groups):
        if group.dam is not None and group.dam not in queens:
            raise InputError(f"{path}.groups[{i}].dam", f'unknown queen "{group.dam}"')
        if group.n_dpq < 1:
            raise InputError(f"{path}.groups[{i}].n_dpq", f"must be at least 1, not {group.n_dpq}")
    for id_, mating in pedigree.matings.items():
        where = f"{path}.matings.{id_}"
        if id_ not in queens:
            raise InputError(where, f'unknown queen "{id_}"')
        _check_mating(mating, where, queens=queens, drones=drones, batches=batches, groups=groups)


def _check_mating(
    mating: Mating, where: str, *, queens: set[str], drones: set[str], batches: set[str], groups: set[str]
) -> None:
    match mating:
        case SingleDrone(drone=drone):
            if drone not in drones:
                raise InputError(f"{where}.drone", f'unknown drone "{drone}"')
        case OneSource(dpq=dpq, n_drones=n):
            if dpq not in queens:
                raise InputError(f"{where}.dpq", f'unknown queen "{dpq}"')
            _check_count(n, f"{where}.n_drones")
        case Pool(dpqs=shares):
            _check_shares(shares, queens, f"{where}.dpqs")
        case SharedBatch(batch=batch):
            if batch not in batches:
                raise InputError(f"{where}.batch", f'unknown batch "{batch}"')
        case Station(group=group, n_drones=n):
            if group not in groups:
                raise InputError(f"{where}.group", f'unknown group "{group}"')
            _check_count(n, f"{where}.n_drones")
        case Open(n_drones=n):
            _check_count(n, f"{where}.n_drones")


def _check_shares(shares: Sequence[DroneShare], queens: set[str], where: str) -> None:
    if not shares:
        raise InputError(where, "needs at least one drone-producing queen")
    for k, share in enumerate(shares):
        if share.id not in queens:
            raise InputError(f"{where}[{k}].id", f'unknown queen "{share.id}"')
        if not (share.weight > 0 and math.isfinite(share.weight)):
            raise InputError(f"{where}[{k}].weight", f"must be above 0, not {share.weight:g}")
        _check_count(share.n_drones, f"{where}[{k}].n_drones")


def _check_count(n: int | None, where: str) -> None:
    if n is not None and n < 1:
        raise InputError(where, f"must be at least 1, not {n}")


def _ids(rows: Sequence[Queen | Drone | Batch | SisterGroup], where: str, kind: str) -> set[str]:
    seen: dict[str, int] = {}
    for i, row in enumerate(rows):
        if not row.id:
            raise InputError(f"{where}[{i}].id", "must not be empty")
        if kind == "queen" and row.id.startswith(UNIT_PREFIXES):
            raise InputError(
                f"{where}[{i}].id",
                f'"{row.id}" reads like a unit; a queen\'s id must not begin with {", ".join(UNIT_PREFIXES)}',
            )
        if row.id in seen:
            raise InputError(f"{where}[{i}].id", f'{kind} "{row.id}" stands twice (also [{seen[row.id]}])')
        seen[row.id] = i
    return set(seen)
