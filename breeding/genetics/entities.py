"""Everything of a pedigree that has parents, as numbers: queens, drones, mixtures, sister groups, drone sets.

An entity depends on older entities only; ``layout`` finds the levels and refuses loops in time.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

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
from breeding.genetics.types import InputError, Ints

UNKNOWN_GROUP = "unknown"


@dataclass
class Entity:
    """``parents``: entity, weight. ``drones``: (queen, share, number) of each source of a drone set."""

    name: str
    kind: str  # queen, drone, set (of one or more sources), station, open, sisters
    parents: list[tuple[int, float]] = field(default_factory=list)
    drones: list[tuple[int, float, int | None]] = field(default_factory=list)
    count: int | None = None
    dam: int = -1
    group: str | None = None


@dataclass
class Layout:
    """Entities with their level; ``set_of[q]`` is the entity of the drones queen q carries, or -1."""

    entities: list[Entity]
    n_queens: int
    set_of: list[int]
    index: dict[str, int]
    level: Ints
    has_young: list[bool]
    parental: list[bool]


def layout(pedigree: Pedigree, *, mated: Iterable[str] = (), path: str = "pedigree") -> Layout:
    """Number the entities of a pedigree.

    ``mated`` names queens that head a colony; without a recorded mating they count as openly mated.
    """
    check_pedigree(pedigree, path=path)
    entities = [Entity(q.id, "queen", group=q.group) for q in pedigree.queens]
    n_queens = len(entities)
    queen = {q.id: i for i, q in enumerate(pedigree.queens)}
    index = dict(queen)
    for drone in pedigree.drones:
        index[f"d:{drone.id}"] = len(entities)
        dam = -1 if drone.dam is None else queen[drone.dam]
        parents = [] if dam < 0 else [(dam, 1.0)]
        entities.append(Entity(f"d:{drone.id}", "drone", parents, dam=dam))
    batch_at: dict[str, int] = {}
    for batch in pedigree.batches:
        batch_at[batch.id] = len(entities)
        entities.append(_mixture(f"batch {batch.id}", batch.dpqs, queen))
    for group in pedigree.groups:
        index[f"S:{group.id}"] = len(entities)
        dam = -1 if group.dam is None else queen[group.dam]
        entities.append(Entity(f"S:{group.id}", "sisters", count=group.n_dpq, dam=dam))

    set_of = [-1] * n_queens
    for id_, mating in pedigree.matings.items():
        q = queen[id_]
        match mating:
            case SingleDrone(drone=drone_id):
                set_of[q] = index[f"d:{drone_id}"]
            case SharedBatch(batch=batch_id):
                set_of[q] = batch_at[batch_id]
            case _:
                set_of[q] = len(entities)
                entities.append(_drone_set(f"B:{id_}", mating, queen, index))
    has_young = [False] * n_queens
    for i, row in enumerate(pedigree.queens):
        if row.dam is not None:
            entities[i].dam = queen[row.dam]
            has_young[entities[i].dam] = True
    for entity in entities:
        if entity.kind == "sisters" and entity.dam >= 0:
            has_young[entity.dam] = True
    heads = {queen[id_] for id_ in mated if id_ in queen}  # unknown ones are refused with the records
    for q in range(n_queens):
        if set_of[q] < 0 and (has_young[q] or q in heads):
            set_of[q] = len(entities)
            entities.append(Entity(f"B:{entities[q].name}", "open", count=UNKNOWN_DRONES))
    for entity in entities:
        if entity.kind in ("queen", "sisters") and entity.dam >= 0:
            entity.parents = [(entity.dam, 0.5), (set_of[entity.dam], 0.5)]
    for q, drones in enumerate(set_of):
        if drones >= 0:
            index[f"B:{entities[q].name}"] = drones
    level = _levels(entities, path)
    parental = [False] * len(entities)
    for entity in entities:
        for parent, _ in entity.parents:
            parental[parent] = True
    return Layout(entities, n_queens, set_of, index, level, has_young, parental)


def _mixture(name: str, shares: Iterable[DroneShare], queen: dict[str, int]) -> Entity:
    shares = list(shares)
    whole = sum(s.weight for s in shares)
    entity = Entity(name, "set")
    merged: dict[int, float] = {}
    for share in shares:
        source, weight = queen[share.id], share.weight / whole
        entity.drones.append((source, weight, share.n_drones))
        merged[source] = merged.get(source, 0.0) + weight
    entity.parents = list(merged.items())
    return entity


def _drone_set(
    name: str, mating: OneSource | Pool | Station | Open, queen: dict[str, int], index: dict[str, int]
) -> Entity:
    match mating:
        case OneSource(dpq=dpq, n_drones=n):
            return _mixture(name, [DroneShare(dpq, 1.0, n)], queen)
        case Pool(dpqs=shares):
            return _mixture(name, shares, queen)
        case Station(group=group, n_drones=n):
            return Entity(name, "station", [(index[f"S:{group}"], 1.0)], count=n)
        case Open(n_drones=n, group=origin):
            return Entity(name, "open", count=n, group=origin)


def _levels(entities: list[Entity], path: str) -> Ints:
    n = len(entities)
    waiting = [len(e.parents) for e in entities]
    children: list[list[int]] = [[] for _ in range(n)]
    for i, entity in enumerate(entities):
        for parent, _ in entity.parents:
            children[parent].append(i)
    level = np.zeros(n, dtype=np.int64)
    ready = [i for i in range(n) if waiting[i] == 0]
    done = 0
    heights = [0] * n
    while ready:
        i = ready.pop()
        done += 1
        for child in children[i]:
            heights[child] = max(heights[child], heights[i] + 1)
            waiting[child] -= 1
            if waiting[child] == 0:
                ready.append(child)
    if done < n:
        _refuse_loop(entities, [i for i in range(n) if waiting[i] > 0], path)
    level[:] = heights
    return level


def _refuse_loop(entities: list[Entity], left: list[int], path: str) -> None:
    stuck = set(left)
    here, seen = left[0], dict[int, int]()
    walk: list[int] = []
    while here not in seen:
        seen[here] = len(walk)
        walk.append(here)
        here = next(parent for parent, _ in entities[here].parents if parent in stuck)
    loop = walk[seen[here] :]
    queens = [i for i in loop if entities[i].kind == "queen"]
    first = loop.index(min(queens))
    loop = loop[first:] + loop[:first]
    names = " ← ".join(entities[i].name for i in [*loop, loop[0]])
    raise InputError(f"{path}.queens[{loop[0]}].dam", f"loop in time: {names} (each descends from the next one)")
