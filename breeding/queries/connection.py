"""Which apiary-years can be compared: those joined by common queens or by relatives of any degree."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from breeding.genetics import pedigree as kernel
from breeding.genetics.records import Record

FACTOR = "apiary_year"


@dataclass(frozen=True)
class Connection:
    """`main`: levels that hang together, most records first; `apart`: the others, each named."""

    main: frozenset[str]
    apart: tuple[str, ...]
    main_records: int
    all_records: int


def connection_of(pedigree: kernel.Pedigree, records: Sequence[Record]) -> Connection:
    """Join queens to dams and drone sources, records to their apiary-year, and look what hangs together."""
    root: dict[str, str] = {}

    def find(x: str) -> str:
        root.setdefault(x, x)
        while root[x] != x:
            root[x] = root[root[x]]
            x = root[x]
        return x

    def join(x: str, y: str) -> None:
        root[find(x)] = find(y)

    for queen in pedigree.queens:
        if queen.dam is not None:
            join(queen.id, queen.dam)
    sources = sources_by_queen(pedigree)
    for queen_id, ids in sources.items():
        for source in ids:
            join(queen_id, source)
    for record in records:
        join(record.queen, f"level {record.fixed[FACTOR]}")
    size = Counter(find(record.queen) for record in records)
    if not size:
        return Connection(frozenset(), (), 0, 0)
    largest = min(size, key=lambda key: (-size[key], key))
    levels = {record.fixed[FACTOR] for record in records}
    main = frozenset(level for level in levels if find(f"level {level}") == find(largest))
    return Connection(main, tuple(sorted(levels - main)), size[largest], len(records))


def sources_by_queen(pedigree: kernel.Pedigree) -> dict[str, list[str]]:
    """Whose drones (or sisters' mother) each mated queen met; nobody for open mating."""
    drone_dam = {drone.id: drone.dam for drone in pedigree.drones}
    batches = {batch.id: [share.id for share in batch.dpqs] for batch in pedigree.batches}
    group_dam = {group.id: group.dam for group in pedigree.groups}
    found: dict[str, list[str]] = {}
    for queen_id, mating in pedigree.matings.items():
        match mating:
            case kernel.SingleDrone(drone=drone):
                ids = [drone_dam[drone]]
            case kernel.OneSource(dpq=dpq):
                ids = [dpq]
            case kernel.Pool(dpqs=shares):
                ids = [share.id for share in shares]
            case kernel.SharedBatch(batch=batch):
                ids = list(batches[batch])
            case kernel.Station(group=group):
                ids = [group_dam[group]]
            case _:
                ids = []
        found[queen_id] = [source for source in ids if source is not None]
    return found
