"""The ancestors of one queen for the pedigree chart: queens and what their matings were, some generations back."""

from collections import Counter
from dataclasses import dataclass, field

from breeding.models import Mating, MatingShare, Queen, SemenBatch, SemenBatchShare


@dataclass(frozen=True)
class Part:
    """One source of a mating: whose drones, which share of the whole (0 to 1), volume and drones as recorded."""

    queen_id: int
    share: float
    volume_tenths: int | None
    drones: int | None


@dataclass
class Behind:
    """`queens` by id; `matings` and `parts` by the id of the queen who was mated."""

    root: Queen
    queens: dict[int, Queen] = field(default_factory=dict)
    matings: dict[int, Mating] = field(default_factory=dict)
    parts: dict[int, list[Part]] = field(default_factory=dict)


def behind(queen: Queen, generations: int) -> Behind:
    """Mothers and drone sources of the queen, generation by generation; a few queries for each."""
    found = Behind(queen, {queen.pk: queen})
    open_ = {queen.pk}
    for _ in range(generations):
        mothers = {found.queens[pk].mother_id for pk in open_} - {None}
        mated = {pk for pk in mothers if pk is not None and pk not in found.matings}
        _load_matings(found, mated)
        wanted = {pk for pk in mothers if pk is not None}
        for mother in wanted & set(found.matings):
            wanted |= {part.queen_id for part in found.parts[mother]}
            station_mother = found.matings[mother].station_mother_id
            wanted |= {station_mother} if station_mother is not None else set()
        missing = wanted - set(found.queens)
        for other in Queen.objects.filter(pk__in=missing).select_related("line"):
            found.queens[other.pk] = other
        open_ = wanted
        if not open_:
            break
    return found


def parts_of(mating: Mating) -> list[Part]:
    """The shares of a mating, or of the batch it came from, as parts of the whole."""
    whole: Mating | SemenBatch = mating.shared_batch or mating
    rows: list[MatingShare | SemenBatchShare] = list(whole.shares.all())
    total = sum(row.volume_tenths or 0 for row in rows)
    return [
        Part(
            row.drone_queen_id,
            (row.volume_tenths or 0) / total if total else 1 / len(rows),
            row.volume_tenths,
            row.drones,
        )
        for row in rows
    ]


def appearances(found: Behind, generations: int) -> Counter[int]:
    """How often each queen stands behind the root as a mother or as the mother of drones."""
    counts: Counter[int] = Counter()

    def walk(pk: int, left: int) -> None:
        mother = found.queens[pk].mother_id
        if left == 0 or mother is None:
            return
        station_mother = found.matings[mother].station_mother_id if mother in found.matings else None
        others = [part.queen_id for part in found.parts.get(mother, [])]
        for parent in [mother, *others, *([station_mother] if station_mother is not None else [])]:
            counts[parent] += 1
        walk(mother, left - 1)
        if station_mother is not None:
            walk(station_mother, left - 1)
        # Sisters in one mixture share their parents: those stand behind it once, as in the chart.
        for source in {found.queens[other].mother_id: other for other in others}.values():
            walk(source, left - 1)

    walk(found.root.pk, generations)
    return counts


def _load_matings(found: Behind, mated: set[int]) -> None:
    matings = Mating.objects.filter(queen__in=mated).select_related("shared_batch")
    for mating in matings.prefetch_related("shares", "shared_batch__shares"):
        found.matings[mating.queen_id] = mating
        found.parts[mating.queen_id] = parts_of(mating)
