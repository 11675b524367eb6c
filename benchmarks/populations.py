"""Simulated cooperatives in arrays, seeded: non-overlapping generations, families of sisters, apiary-years."""

from dataclasses import dataclass

import numpy as np

from breeding.genetics.entities import MIXTURE, OPEN, QUEEN, Layout, Rows
from breeding.genetics.types import Ints

DRONES = 8  # of each source
OPEN_DRONES = 12
OPEN_SHARE, POOL_SHARE, POOL_SOURCES = 0.1, 0.3, 3
SMALLEST_PLACE, LARGEST_PLACE = 20, 60  # colonies per apiary and year


@dataclass(frozen=True)
class Population:
    """place : (n_queens,). Apiary-year of each colony, numbered from 0."""

    plan: Layout
    place: Ints


def population(colonies: int, *, bred: float, generations: int, rng: np.random.Generator) -> Population:
    """Queens of equal generations; ``bred`` is the share of them that becomes mothers (5 in 6) or drone sources.

    The sisters of a family are inseminated from the same sources, each with drones of her own, and are tested
    at two apiaries. 60 % of the families have one source, 30 % a pool of three, 10 % mate openly.
    """
    per = max(12, colonies // generations)
    n = per * generations
    n_dams, n_sources = max(4, round(bred * per * 5 / 6)), max(4, round(bred * per / 6))
    dam = np.full(n, -1, dtype=np.int64)
    place = np.zeros(n, dtype=np.int64)
    queens, weights = [np.zeros(0, dtype=np.int64)], [np.zeros(0)]
    kind = np.full(n, OPEN, dtype=np.int8)  # of the drone sets
    counts = np.zeros(n, dtype=np.int64)
    places = 0
    for g in range(generations):
        here = slice(g * per, (g + 1) * per)
        family = np.arange(per) * n_dams // per if g else np.arange(per)
        sizes = np.full(per, 0)
        if g:
            older = (g - 1) * per + rng.permutation(per)
            dams, sources = older[:n_dams], older[n_dams : n_dams + n_sources]
            dam[here] = dams[family]
            way = rng.random(n_dams)
            n_of = np.where(way < OPEN_SHARE, 0, np.where(way < OPEN_SHARE + POOL_SHARE, POOL_SOURCES, 1))
            drawn = np.stack([rng.choice(sources, POOL_SOURCES, replace=False) for _ in range(n_dams)])
            sizes = n_of[family]
            chosen = drawn[family][np.arange(POOL_SOURCES) < sizes[:, None]]
            queens.append(chosen)
            weights.append(np.repeat(1.0 / np.maximum(sizes, 1), sizes))
            kind[here][sizes > 0] = MIXTURE
        counts[here] = sizes
        edges = np.cumsum(rng.integers(SMALLEST_PLACE, LARGEST_PLACE + 1, per // SMALLEST_PLACE + 1))
        home = np.searchsorted(edges, np.arange(per), side="right")
        n_places = int(home.max()) + 1
        rank = np.arange(per) % 2
        place[here] = places + (home + rank) % n_places
        places += n_places
    start = np.concatenate([np.zeros(n + 1, dtype=np.int64), np.cumsum(counts)])
    drones = np.full(int(start[-1]), DRONES, dtype=np.int64)
    nobody = np.full(n, -1, dtype=np.int64)
    plan = Layout.of_arrays(
        n_queens=n,
        kind=np.concatenate([np.full(n, QUEEN, dtype=np.int8), kind]),
        dam=np.concatenate([dam, nobody]),
        count=np.concatenate([np.zeros(n, dtype=np.int64), np.where(kind == OPEN, OPEN_DRONES, 0)]),
        station=np.full(2 * n, -1, dtype=np.int64),
        set_of=n + np.arange(n),
        sources=Rows(start, np.concatenate(queens), np.concatenate(weights)),
        source_drones=drones,
    )
    return Population(plan, place)
