"""Everything of a pedigree that has parents, as arrays: queens, drones, mixtures, sister groups, drone sets.

``Layout.of_arrays`` takes a pedigree that already stands in integer arrays (a million queens need no million
objects); ``layout`` translates a pedigree of ids into the same arrays. An entity depends on older entities
only; the levels are found here and loops in time refused.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, overload

import numpy as np
import numpy.typing as npt

from breeding.genetics.pedigree import (
    UNKNOWN_DRONES,
    DroneShare,
    OneSource,
    Open,
    Pedigree,
    Pool,
    SharedBatch,
    SingleDrone,
    Station,
    check_pedigree,
)
from breeding.genetics.types import Bools, Floats, InputError, Ints

UNKNOWN_GROUP = "unknown"
QUEEN, DRONE, MIXTURE, STATION, OPEN, SISTERS = range(6)
KINDS = ("queen", "drone", "set", "station", "open", "sisters")
VERY_MANY = 0  # number of drones that stands for "infinitely many"


@dataclass
class Entity:
    """One entity in words. ``parents``: entity, weight. ``drones``: (queen, share, number) of each source."""

    name: str
    kind: str  # queen, drone, set (of one or more sources), station, open, sisters
    parents: list[tuple[int, float]] = field(default_factory=list)
    drones: list[tuple[int, float, int | None]] = field(default_factory=list)
    count: int | None = None
    dam: int = -1
    group: str | None = None


@dataclass(frozen=True, eq=False)
class Rows:
    """Entries of each row: ``index[start[i]:start[i + 1]]`` and ``weight`` alike."""

    start: Ints
    index: Ints
    weight: Floats

    def of(self, rows: Ints) -> tuple[Ints, Ints, Floats]:
        """(position in ``rows``, index, weight) of all entries of some rows."""
        at, which = spread(self.start, rows)
        return which, self.index[at], self.weight[at]


def spread(start: Ints, rows: Ints) -> tuple[Ints, Ints]:
    """Positions of all entries of some rows, and the number (in ``rows``) of the row each belongs to."""
    begin = start[rows]
    counts = start[rows + 1] - begin
    which = np.repeat(np.arange(len(rows)), counts)
    at = np.arange(len(which)) + np.repeat(begin - (np.cumsum(counts) - counts), counts)
    return at, which


@dataclass(frozen=True, eq=False)
class Layout:
    """Entities in arrays, queens first; all (n_entities,) unless said otherwise.

    kind : QUEEN, DRONE, MIXTURE (of one or more sources), STATION, OPEN or SISTERS.
    dam : queen whose colony a queen or sister group was raised from, mother of a drone; -1 none known.
    count : drones of a station's or open mating, queens of a sister group; ``VERY_MANY`` without end.
    station : sister group a station's drones come from, else -1.
    set_of : (n_queens,). Drones that a queen carries, -1 not mated.
    sources, source_drones : queens of each mixture by weight (sum 1) with their numbers of drones.
    parents : parents of each entity by weight.
    origin : entity -> group of an entity without parents, where one was given.
    """

    n_queens: int
    kind: npt.NDArray[np.int8]
    dam: Ints
    count: Ints
    station: Ints
    set_of: Ints
    sources: Rows
    source_drones: Ints
    parents: Rows
    level: Ints
    has_young: Bools
    parental: Bools
    origin: dict[int, str]
    name_of: Callable[[int], str]
    known_index: dict[str, int] | None = None

    @classmethod
    def of_arrays(
        cls,
        *,
        n_queens: int,
        kind: npt.NDArray[np.int8],
        dam: Ints,
        count: Ints,
        station: Ints,
        set_of: Ints,
        sources: Rows,
        source_drones: Ints,
        origin: dict[int, str] | None = None,
        name_of: Callable[[int], str] | None = None,
        index: dict[str, int] | None = None,
        path: str = "pedigree",
    ) -> "Layout":
        """Layout of a pedigree in integer arrays (meaning as the attributes); every dam must be mated.

        Raises
        ------
        InputError
            A loop in time, or a dam without drones.
        """
        raised = np.flatnonzero((dam >= 0) & ((kind == QUEEN) | (kind == SISTERS)))
        has_young = np.zeros(n_queens, dtype=bool)
        has_young[dam[raised]] = True
        if np.any(set_of[has_young] < 0):
            first = int(np.flatnonzero(has_young & (set_of < 0))[0])
            raise InputError(path, f"queen number {first} has young but no drones")
        naming = name_of or str
        parents = _parents(len(kind), kind, dam, station, set_of, sources, raised)
        level = _levels(parents, lambda left: _refuse_loop(parents, kind, naming, left, path))
        parental = np.zeros(len(kind), dtype=bool)
        parental[parents.index] = True
        return cls(
            n_queens, kind, dam, count, station, set_of, sources, source_drones, parents, level, has_young, parental,
            origin or {}, naming, index,
        )  # fmt: skip

    @cached_property
    def index(self) -> dict[str, int]:
        """Unit name -> entity: queens by id, ``d:`` drones, ``S:`` sister groups, ``B:`` drone sets by queen."""
        if self.known_index is not None:
            return self.known_index
        made = {self.name_of(i): i for i in range(self.n_queens)}
        made |= {f"B:{self.name_of(q)}": int(b) for q, b in enumerate(self.set_of) if b >= 0}
        return made

    @property
    def entities(self) -> "Entities":
        return Entities(self)


class Entities(Sequence[Entity]):
    """The entities as objects, each made when looked at."""

    def __init__(self, plan: Layout) -> None:
        self.plan = plan

    def __len__(self) -> int:
        return len(self.plan.kind)

    @overload
    def __getitem__(self, at: int) -> Entity: ...
    @overload
    def __getitem__(self, at: slice) -> list[Entity]: ...
    def __getitem__(self, at: Any) -> Any:
        if isinstance(at, slice):
            return [self[i] for i in range(*at.indices(len(self)))]
        plan, i = self.plan, int(at)
        here = slice(plan.parents.start[i], plan.parents.start[i + 1])
        own = slice(plan.sources.start[i], plan.sources.start[i + 1])
        count = int(plan.count[i])
        numbers = [None if n == VERY_MANY else n for n in plan.source_drones[own].tolist()]
        return Entity(
            plan.name_of(i),
            KINDS[plan.kind[i]],
            list(zip(plan.parents.index[here].tolist(), plan.parents.weight[here].tolist(), strict=True)),
            list(zip(plan.sources.index[own].tolist(), plan.sources.weight[own].tolist(), numbers, strict=True)),
            None if count == VERY_MANY else count,
            int(plan.dam[i]),
            plan.origin.get(i),
        )

    def __iter__(self) -> Iterator[Entity]:
        return (self[i] for i in range(len(self)))


class _Collector:
    """Rows of the arrays while a pedigree of ids is read."""

    def __init__(self) -> None:
        self.names: list[str] = []
        self.kind: list[int] = []
        self.dam: list[int] = []
        self.count: list[int] = []
        self.station: list[int] = []
        self.origin: dict[int, str] = {}
        self.share_start: list[int] = [0]
        self.share_queen: list[int] = []
        self.share_weight: list[float] = []
        self.share_drones: list[int] = []

    def add(
        self,
        name: str,
        kind: int,
        *,
        dam: int = -1,
        count: int | None = None,
        station: int = -1,
        group: str | None = None,
        shares: Sequence[DroneShare] = (),
        queen: dict[str, int] | None = None,
    ) -> int:
        here = len(self.names)
        self.names.append(name)
        self.kind.append(kind)
        self.dam.append(dam)
        self.count.append(VERY_MANY if count is None else count)
        self.station.append(station)
        if group is not None:
            self.origin[here] = group
        if shares:
            assert queen is not None
            whole = sum(share.weight for share in shares)
            for share in shares:
                self.share_queen.append(queen[share.id])
                self.share_weight.append(share.weight / whole)
                self.share_drones.append(VERY_MANY if share.n_drones is None else share.n_drones)
        self.share_start.append(len(self.share_queen))
        return here


def layout(pedigree: Pedigree, *, mated: Iterable[str] = (), path: str = "pedigree") -> Layout:
    """Number the entities of a pedigree of ids.

    ``mated`` names queens that head a colony; without a recorded mating they count as openly mated.
    """
    check_pedigree(pedigree, path=path)
    made = _Collector()
    queen = {q.id: i for i, q in enumerate(pedigree.queens)}
    has_young: set[int] = set()
    for row in pedigree.queens:
        dam = -1 if row.dam is None else queen[row.dam]
        has_young.add(dam)
        made.add(row.id, QUEEN, dam=dam, group=row.group)
    n_queens = len(made.names)
    index = dict(queen)
    for drone in pedigree.drones:
        name = f"d:{drone.id}"
        index[name] = made.add(name, DRONE, dam=-1 if drone.dam is None else queen[drone.dam])
    batch_at = {
        batch.id: made.add(f"batch {batch.id}", MIXTURE, shares=batch.dpqs, queen=queen) for batch in pedigree.batches
    }
    for group in pedigree.groups:
        dam = -1 if group.dam is None else queen[group.dam]
        has_young.add(dam)
        index[f"S:{group.id}"] = made.add(f"S:{group.id}", SISTERS, dam=dam, count=group.n_dpq)
    set_of = np.full(n_queens, -1, dtype=np.int64)
    for id_, mating in pedigree.matings.items():
        name = f"B:{id_}"
        match mating:
            case SingleDrone(drone=drone_id):
                drones = index[f"d:{drone_id}"]
            case SharedBatch(batch=batch_id):
                drones = batch_at[batch_id]
            case OneSource(dpq=dpq, n_drones=n):
                drones = made.add(name, MIXTURE, shares=[DroneShare(dpq, 1.0, n)], queen=queen)
            case Pool(dpqs=shares):
                drones = made.add(name, MIXTURE, shares=shares, queen=queen)
            case Station(group=group_id, n_drones=n):
                drones = made.add(name, STATION, station=index[f"S:{group_id}"], count=n)
            case Open(n_drones=n, group=origin):
                drones = made.add(name, OPEN, count=n, group=origin)
        set_of[queen[id_]] = drones
    heads = {queen[id_] for id_ in mated if id_ in queen}  # unknown ones are refused with the records
    for q in sorted((has_young | heads) - {-1}):
        if set_of[q] < 0:
            set_of[q] = made.add(f"B:{made.names[q]}", OPEN, count=UNKNOWN_DRONES)
    for q, drones in enumerate(set_of.tolist()):
        if drones >= 0:
            index[f"B:{made.names[q]}"] = drones
    return Layout.of_arrays(
        n_queens=n_queens,
        kind=np.array(made.kind, dtype=np.int8),
        dam=_ints(made.dam),
        count=_ints(made.count),
        station=_ints(made.station),
        set_of=set_of,
        sources=Rows(_ints(made.share_start), _ints(made.share_queen), np.array(made.share_weight, dtype=float)),
        source_drones=_ints(made.share_drones),
        origin=made.origin,
        name_of=made.names.__getitem__,
        index=index,
        path=path,
    )


def _ints(values: Sequence[int]) -> Ints:
    return np.array(values, dtype=np.int64)


def _parents(
    n: int, kind: npt.NDArray[np.int8], dam: Ints, station: Ints, set_of: Ints, sources: Rows, raised: Ints
) -> Rows:
    drones = np.flatnonzero((kind == DRONE) & (dam >= 0))
    stations = np.flatnonzero(kind == STATION)
    mixture = np.repeat(np.arange(n), np.diff(sources.start))
    child = np.concatenate([raised, raised, drones, stations, mixture])
    parent = np.concatenate([dam[raised], set_of[dam[raised]], dam[drones], station[stations], sources.index])
    half = np.full(2 * len(raised), 0.5)
    weight = np.concatenate([half, np.ones(len(drones) + len(stations)), sources.weight])
    order = np.lexsort((parent, child))
    child, parent, weight = child[order], parent[order], weight[order]
    if len(child):  # one source named twice in a mixture is one parent
        new = np.concatenate([[True], (np.diff(child) != 0) | (np.diff(parent) != 0)])
        weight = np.add.reduceat(weight, np.flatnonzero(new))
        child, parent = child[new], parent[new]
    return Rows(np.concatenate([[0], np.cumsum(np.bincount(child, minlength=n))]), parent, weight)


def _levels(parents: Rows, refuse: Callable[[Ints], None]) -> Ints:
    """Longest way to an entity without parents: in each round those whose parents are all done."""
    n = len(parents.start) - 1
    waiting = np.diff(parents.start)
    child = np.repeat(np.arange(n), waiting)
    children = child[np.argsort(parents.index, kind="stable")]
    start = np.concatenate([[0], np.cumsum(np.bincount(parents.index, minlength=n))])
    level = np.zeros(n, dtype=np.int64)
    ready = np.flatnonzero(waiting == 0)
    done = at = 0
    while len(ready):
        level[ready] = at
        done += len(ready)
        at += 1
        touched = children[spread(start, ready)[0]]
        np.subtract.at(waiting, touched, 1)
        touched = touched[waiting[touched] == 0]
        waiting[touched] = -1  # a child of two parents of this round is ready once
        ready = np.unique(touched)
    if done < n:
        refuse(np.flatnonzero(waiting > 0))
    return level


def _refuse_loop(
    parents: Rows, kind: npt.NDArray[np.int8], name_of: Callable[[int], str], left: Ints, path: str
) -> None:
    stuck = set(left.tolist())
    here, seen = int(left[0]), dict[int, int]()
    walk: list[int] = []
    while here not in seen:
        seen[here] = len(walk)
        walk.append(here)
        own = parents.index[parents.start[here] : parents.start[here + 1]].tolist()
        here = next(parent for parent in own if parent in stuck)
    loop = walk[seen[here] :]
    # Every loop holds a queen, or sisters who met their own mother as drones: name it from there.
    first = loop.index(min(loop, key=lambda i: (kind[i] != QUEEN, kind[i] != SISTERS, i)))
    loop = loop[first:] + loop[:first]
    names = " ← ".join(name_of(i) for i in [*loop, loop[0]])
    own = "queens" if kind[loop[0]] == QUEEN else "groups"
    at = int(np.sum(kind[: loop[0]] == kind[loop[0]]))
    raise InputError(f"{path}.{own}[{at}].dam", f"loop in time: {names} (each descends from the next one)")
