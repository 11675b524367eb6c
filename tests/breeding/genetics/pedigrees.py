"""Random pedigrees with every kind of mating, for property tests."""

from hypothesis import strategies as st

from breeding.genetics.pedigree import (
    Batch,
    Drone,
    DroneShare,
    Mating,
    OneSource,
    Open,
    Pedigree,
    Pool,
    Queen,
    SharedBatch,
    SingleDrone,
    SisterGroup,
    Station,
)

counts = st.sampled_from([1, 2, 3, 5, 8, None])


@st.composite
def shares(draw, older):
    ids = draw(st.lists(st.sampled_from(older), min_size=1, max_size=3))
    return tuple(DroneShare(i, draw(st.sampled_from([1.0, 2.0, 0.5, 3.0])), draw(counts)) for i in ids)


@st.composite
def pedigrees(draw, max_queens=9):
    """Each queen is mated before a younger one is born, with drones of herself or older queens."""
    queens: list[Queen] = []
    drones: list[Drone] = []
    batches: list[Batch] = []
    groups: list[SisterGroup] = []
    matings: dict[str, Mating] = {}
    names = [f"q{i}" for i in range(draw(st.integers(2, max_queens)))]
    for i, name in enumerate(names):
        older = names[:i]
        dam = draw(st.sampled_from([None, *older, *older])) if older else None
        queens.append(Queen(name, dam))
        born = names[: i + 1]
        kind = draw(st.sampled_from(["none", "open", "one", "pool", "single", "station", "batch", "many"]))
        if kind == "open":
            matings[name] = Open(draw(counts))
        elif kind == "one":
            matings[name] = OneSource(draw(st.sampled_from(born)), draw(counts))
        elif kind == "pool":
            matings[name] = Pool(draw(shares(born)))
        elif kind == "single":
            drone = Drone(f"d{i}", draw(st.sampled_from([None, *born])))
            drones.append(drone)
            matings[name] = SingleDrone(draw(st.sampled_from([d.id for d in drones])))
        elif kind == "station":
            if not groups or draw(st.booleans()):
                groups.append(
                    SisterGroup(
                        f"s{i}",
                        draw(st.sampled_from([None, *older])) if older else None,
                        draw(st.integers(1, 3)),
                    )
                )
            matings[name] = Station(draw(st.sampled_from([g.id for g in groups])), draw(counts))
        elif kind == "batch":
            if not batches or draw(st.booleans()):
                batches.append(Batch(f"b{i}", draw(shares(born))))
            matings[name] = SharedBatch(draw(st.sampled_from([b.id for b in batches])))
        elif kind == "many":
            matings[name] = OneSource(draw(st.sampled_from(born)), None)
    return Pedigree(tuple(queens), matings, tuple(drones), tuple(batches), tuple(groups))


def units_of(table):
    """Every unit a table knows, worker groups included."""
    plan = table.layout
    ids = table.queen_ids
    return [*plan.index, *(f"W:{ids[q]}" for q in table.mated)]
