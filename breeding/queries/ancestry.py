"""Who stands behind a queen: her mother and her mother's drones, and theirs, generation by generation."""

from collections.abc import Iterable

from breeding.models import Mating, MatingShare, Queen, SemenBatchShare

Links = dict[int, set[int]]


def parents_of(queen_ids: Iterable[int]) -> Links:
    """Queens that gave genes to each queen: her mother, and whose drones her mother carried. Four queries."""
    ids = list(queen_ids)
    mothers = dict(Queen.objects.filter(pk__in=ids, mother__isnull=False).values_list("pk", "mother_id"))
    by_mother = sources_of(set(mothers.values()))
    links: Links = {pk: set() for pk in ids}
    for pk, mother in mothers.items():
        links[pk] = {mother, *by_mother.get(mother, ())}
    return links


def sources_of(mated_ids: Iterable[int]) -> Links:
    """Queens whose drones' semen each of these queens carries (a station: the mother of its queens)."""
    ids = list(mated_ids)
    links: Links = {}
    pairs = [
        *MatingShare.objects.filter(mating__queen__in=ids).values_list("mating__queen_id", "drone_queen_id"),
        *SemenBatchShare.objects.filter(batch__matings__queen__in=ids).values_list(
            "batch__matings__queen_id", "drone_queen_id"
        ),
        *Mating.objects.filter(queen__in=ids, station_mother__isnull=False).values_list(
            "queen_id", "station_mother_id"
        ),
    ]
    for queen_id, source_id in pairs:
        links.setdefault(queen_id, set()).add(source_id)
    # Sisters at a station carry genes of their mother's mates as well.
    stations = {
        mother for mother in Mating.objects.filter(queen__in=ids).values_list("station_mother_id", flat=True) if mother
    }
    if stations:
        behind = sources_of(stations)
        for queen_id, sources in links.items():
            for mother in sources & stations:
                links[queen_id] = links[queen_id] | behind.get(mother, set())
    return links


def ancestors_of(queen_ids: Iterable[int]) -> set[int]:
    """The queens themselves and everybody they descend from."""
    seen: set[int] = set(queen_ids)
    open_ = set(seen)
    while open_:
        found = {parent for parents in parents_of(open_).values() for parent in parents}
        open_ = found - seen
        seen |= open_
    return seen


def descends_from(queen_id: int, ancestor_id: int) -> bool:
    """Is `ancestor_id` the queen herself or one of her ancestors?"""
    return ancestor_id in ancestors_of([queen_id])
