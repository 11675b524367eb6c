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


KINDS = ["none", "open", "one", "pool", "single", "station", "batch", "many"]


class _Growing:
    """A pedigree as it happens: births and matings in any order that time allows."""

    def __init__(self, draw):
        self.draw = draw
        self.queens: list[Queen] = []
        self.drones: list[Drone] = []
        self.batches: list[Batch] = []
        self.groups: list[SisterGroup] = []
        self.matings: dict[str, Mating] = {}
        self.virgins: list[str] = []

    @property
    def born(self):
        return [q.id for q in self.queens]

    def raised_from(self):
        """A colony that daughters come from: its queen mates no more."""
        dam = self.draw(st.sampled_from([None, *self.born, *self.born]))
        if dam in self.virgins:
            self.virgins.remove(dam)
        return dam

    def birth(self, name):
        self.queens.append(Queen(name, self.raised_from()))
        self.virgins.append(name)

    def mate(self, name):
        """With drones of herself, of older queens, of younger ones that do not descend from her."""
        draw, born = self.draw, self.born
        self.virgins.remove(name)
        match draw(st.sampled_from(KINDS)):
            case "open":
                self.matings[name] = Open(draw(counts))
            case "one":
                self.matings[name] = OneSource(draw(st.sampled_from(born)), draw(counts))
            case "many":
                self.matings[name] = OneSource(draw(st.sampled_from(born)), None)
            case "pool":
                self.matings[name] = Pool(draw(shares(born)))
            case "single":
                if not self.drones or draw(st.booleans()):
                    self.drones.append(Drone(f"d{len(self.drones)}", draw(st.sampled_from([None, *born, *born]))))
                self.matings[name] = SingleDrone(draw(st.sampled_from([d.id for d in self.drones])))
            case "station":
                if not self.groups or draw(st.booleans()):
                    dam = draw(st.sampled_from([None, *(q for q in born if q != name)]))
                    self.virgins = [v for v in self.virgins if v != dam]
                    self.groups.append(SisterGroup(f"s{len(self.groups)}", dam, draw(st.integers(1, 3))))
                self.matings[name] = Station(draw(st.sampled_from([g.id for g in self.groups])), draw(counts))
            case "batch":
                if not self.batches or draw(st.booleans()):
                    self.batches.append(Batch(f"b{len(self.batches)}", draw(shares(born))))
                self.matings[name] = SharedBatch(draw(st.sampled_from([b.id for b in self.batches])))


@st.composite
def pedigrees(draw, max_queens=9):
    """Births and matings as time allows them: a queen may be mated long after she was born, or never."""
    grown = _Growing(draw)
    for i in range(draw(st.integers(2, max_queens))):
        grown.birth(f"q{i}")
        while grown.virgins and draw(st.integers(0, 2)):
            grown.mate(draw(st.sampled_from(grown.virgins)))
    return Pedigree(tuple(grown.queens), grown.matings, tuple(grown.drones), tuple(grown.batches), tuple(grown.groups))


def units_of(table):
    """Every unit a table knows, worker groups included."""
    plan = table.layout
    ids = table.queen_ids
    return [*plan.index, *(f"W:{ids[q]}" for q in table.mated)]
