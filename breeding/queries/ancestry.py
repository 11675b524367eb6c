"""Who stands behind a queen: her mother and her mother's drones, and theirs, generation by generation."""

from collections.abc import Iterable, Sequence

from breeding.models import Mating, Queen

Links = dict[int, set[int]]
_SOURCES = ("station_mother", "shares__drone_queen", "shared_batch__shares__drone_queen")  # of a mating


def parents_of(queen_ids: Iterable[int]) -> Links:
    """Queens that gave genes to each queen: her mother, and whose drones her mother carried. One query, more behind
    stations.
    """
    ids = list(queen_ids)
    names = [f"mother__mating__{name}" for name in _SOURCES]
    mothers: dict[int, int] = {}
    rows: list[tuple[int, int | None, Sequence[int | None]]] = []
    for pk, mother, station, *shares in (
        Queen.objects.filter(pk__in=ids, mother__isnull=False).order_by().values_list("pk", "mother_id", *names)
    ):
        mothers[pk] = mother
        rows.append((mother, station, shares))
    by_mother = _with_stations(rows)
    links: Links = {pk: set() for pk in ids}
    for pk, mother in mothers.items():
        links[pk] = {mother, *by_mother.get(mother, ())}
    return links


def sources_of(mated_ids: Iterable[int]) -> Links:
    """Queens whose drones' semen each of these queens carries (a station: the mother of its queens)."""
    matings = Mating.objects.filter(queen__in=list(mated_ids)).order_by().values_list("queen_id", *_SOURCES)
    return _with_stations((queen, station, shares) for queen, station, *shares in matings)


def _with_stations(matings: Iterable[tuple[int, int | None, Sequence[int | None]]]) -> Links:
    """A row a source of each mated queen: herself, her station's mother, and the queens of her shares."""
    links: Links = {}
    stations: set[int] = set()
    for queen, station, shares in matings:
        links.setdefault(queen, set()).update(pk for pk in (station, *shares) if pk is not None)
        if station is not None:
            stations.add(station)
    # Sisters at a station carry genes of their mother's mates as well.
    if stations:
        behind = sources_of(stations)
        for queen, sources in links.items():
            for mother in sources & stations:
                links[queen] = links[queen] | behind.get(mother, set())
    return {queen: sources for queen, sources in links.items() if sources}


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
