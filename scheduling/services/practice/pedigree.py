"""The invented stock: who descends from whom, who was mated how, where she was tested. Pure; seeded."""

import datetime as dt
from dataclasses import dataclass, field
from itertools import product

import numpy as np

from scheduling.services.practice.names import FOUNDERS_PER_LINE, LINES, MEMBERS, PLANTS, STATION

DAMS_PER_YEAR = 12  # two of each line
# How the daughters of each dam were mated, by the year of their birth counted from the first.
OPEN, STATION_KIND, DPQ, POOL, BATCH, SINGLE = "open", "station", "dpq", "pool", "batch", "single_drone"
KINDS: tuple[tuple[str, ...], ...] = (
    (OPEN, STATION_KIND, DPQ, POOL, OPEN, DPQ, STATION_KIND, POOL, DPQ, SINGLE, STATION_KIND, DPQ),
    (POOL, DPQ, BATCH, STATION_KIND, BATCH, DPQ, POOL, DPQ, STATION_KIND, POOL, SINGLE, OPEN),
    (DPQ, POOL, POOL, DPQ, STATION_KIND, POOL, DPQ, STATION_KIND, POOL, DPQ, OPEN, POOL),
    (DPQ, POOL, DPQ, POOL, DPQ, STATION_KIND, POOL, DPQ, POOL, DPQ, POOL, DPQ),
)
KEPT = (0.08, 0.25, 0.75, 1.0)  # share that still lives, by year of birth, oldest first
POOL_TENTHS = ((36, 24, 20), (32, 28, 20), (40, 22, 18), (30, 30, 12, 8))


@dataclass(frozen=True)
class Size:
    """Daughters of each dam: ``born`` in each of three years, ``tested`` of them scored a year later; ``young`` ones.

    ``herds``: how often the year's twelve dams are there. ``sources``: drone-producing queens of each line a year.
    ``members``: of the cooperative. ``in_test``: young ones of each dam that are scored in the running season.
    """

    born: int
    tested: int
    young: int
    herds: int = 1
    sources: int = 4
    members: int = len(MEMBERS)
    in_test: int = 0


SIZES = {
    "standard": Size(9, 9, 4),
    "small": Size(3, 3, 1),
    "large": Size(9, 4, 6, herds=50, sources=10, members=300, in_test=2),
}


@dataclass
class QueenRow:
    """One queen as it would be typed in."""

    label: str
    line: str
    owner: int
    birth_year: int
    mother: str = ""
    origin: str = ""
    emerged_on: dt.date | None = None
    gone_on: dt.date | None = None


@dataclass(frozen=True)
class MatingRow:
    """Her mating. ``shares``: label of the drone-producing queen, tenths of a µl, drones."""

    queen: str
    kind: str
    mated_on: dt.date | None = None
    shares: tuple[tuple[str, int | None, int | None], ...] = ()
    drones: int | None = None
    batch: str = ""
    station_mother: str = ""
    station_queens: int | None = None
    place: str = ""


@dataclass(frozen=True)
class MixtureRow:
    """Homogenised semen that several queens share."""

    label: str
    made_on: dt.date
    shares: tuple[tuple[str, int, int], ...]


@dataclass(frozen=True)
class ColonyRow:
    """A colony, from its first day to its last, headed by one queen."""

    queen: str
    member: int
    apiary: int
    number: int
    since: dt.date
    tested_in: int | None
    ended_on: dt.date | None


@dataclass
class Stock:
    queens: list[QueenRow] = field(default_factory=list)
    matings: list[MatingRow] = field(default_factory=list)
    mixtures: list[MixtureRow] = field(default_factory=list)
    colonies: list[ColonyRow] = field(default_factory=list)


def invent_stock(last_year: int, size: Size, rng: np.random.Generator) -> Stock:
    """Founders born four years before ``last_year``, then four years of daughters; those of the last are untested."""
    stock = Stock()
    founders = _founders(stock, last_year - 4, size)
    dams = {line: names[: 2 * size.herds] for line, names in founders.items()}
    sources = founders
    numbers: dict[tuple[int, int], int] = {}
    for age, kinds in enumerate(KINDS):
        year = last_year - 3 + age
        wanted, tested = (size.born, size.tested) if age < 3 else (size.young, size.in_test)
        born: dict[str, list[str]] = {line: [] for line in LINES}
        mixture = _mixture(stock, year, sources, rng) if BATCH in kinds else ""
        for herd, (position, kind) in product(range(size.herds), enumerate(kinds)):
            line = LINES[position % len(LINES)]
            name = PLANTS[age * DAMS_PER_YEAR + position] + (f" {herd + 1}" if size.herds > 1 else "")
            dam = dams[line][2 * herd + position // len(LINES)]
            emerged = dt.date(year, 6, 1) + dt.timedelta(days=3 * position + herd % 3)
            mates = _mates(line, sources, rng)
            for number in range(1, wanted + 1):
                row = QueenRow(
                    label=f"{name}-{number}",
                    line=line,
                    owner=(3 * position + 5 * age + 4 * number + 37 * herd) % size.members,
                    birth_year=year,
                    mother=dam,
                    emerged_on=emerged,
                )
                alive = rng.random() < KEPT[age]
                if not alive:
                    row.gone_on = dt.date(year + 1, 9, 15)
                stock.queens.append(row)
                stock.matings.append(_mating(row, kind, mates, mixture, rng))
                _colony(stock, row, numbers, tested=number <= tested)
                born[line].append(row.label)
        dams = {
            line: [str(x) for x in rng.choice(names, 2 * size.herds, replace=False)] for line, names in born.items()
        }
        sources = {line: [str(x) for x in rng.permutation(names)[: size.sources]] for line, names in born.items()}
    return stock


def _founders(stock: Stock, year: int, size: Size) -> dict[str, list[str]]:
    """Open-mated base queens bought from nobody in particular; their mothers are not known."""
    found: dict[str, list[str]] = {}
    for position, line in enumerate(LINES):
        found[line] = []
        for number in range(max(len(FOUNDERS_PER_LINE), 2 * size.herds)):
            herd, part = divmod(number, len(FOUNDERS_PER_LINE))
            label = f"{line} {FOUNDERS_PER_LINE[part]}" + (f" {herd + 1}" if herd else "")
            stock.queens.append(
                QueenRow(
                    label=label,
                    line=line,
                    owner=2 * position,
                    birth_year=year,
                    origin="open-mated base stock",
                    gone_on=dt.date(year + 3, 9, 1),
                )
            )
            stock.matings.append(MatingRow(label, OPEN, place="where she was raised"))
            found[line].append(label)
    return found


def _mates(line: str, sources: dict[str, list[str]], rng: np.random.Generator) -> list[str]:
    """Drone-producing queens of other lines, four of four lines."""
    others = [other for other in LINES if other != line]
    return [str(rng.choice(sources[str(other)])) for other in rng.permutation(others)[:4]]


def _mixture(stock: Stock, year: int, sources: dict[str, list[str]], rng: np.random.Generator) -> str:
    label = f"Shared {year}"
    names = [str(rng.choice(sources[line])) for line in LINES]
    volumes = (70, 55, 60, 35, 40, 50)
    stock.mixtures.append(
        MixtureRow(
            label, dt.date(year, 6, 15), tuple((q, v, round(v / 8)) for q, v in zip(names, volumes, strict=True))
        )
    )
    return label


def _mating(row: QueenRow, kind: str, mates: list[str], mixture: str, rng: np.random.Generator) -> MatingRow:
    assert row.emerged_on is not None
    day = row.emerged_on + dt.timedelta(days=int(rng.integers(7, 11)))
    match kind:
        case "open":
            return MatingRow(row.label, kind, day + dt.timedelta(days=3), drones=12, place="at home")
        case "station":
            return MatingRow(
                row.label,
                kind,
                day + dt.timedelta(days=3),
                drones=12,
                station_mother=mates[0],
                station_queens=8,
                place=STATION,
            )
        case "dpq":
            return MatingRow(
                row.label, kind, day, ((mates[0], int(rng.choice([78, 80, 82])), int(rng.integers(8, 12))),)
            )
        case "pool":
            volumes = POOL_TENTHS[int(rng.integers(len(POOL_TENTHS)))]
            shares = tuple((mate, v, max(1, round(v / 9))) for mate, v in zip(mates, volumes, strict=False))
            return MatingRow(row.label, kind, day, shares)
        case "batch":
            made = dt.date(row.birth_year, 6, 15)
            return MatingRow(row.label, kind, max(day, made), batch=mixture)
        case _:
            return MatingRow(row.label, kind, day, ((mates[0], 8, 1),))


def _colony(stock: Stock, row: QueenRow, numbers: dict[tuple[int, int], int], *, tested: bool) -> None:
    assert row.emerged_on is not None
    place = (row.owner, 0 if tested else 1)
    numbers[place] = numbers.get(place, 0) + 1
    stock.colonies.append(
        ColonyRow(
            queen=row.label,
            member=place[0],
            apiary=place[1],
            number=numbers[place],
            since=row.emerged_on + dt.timedelta(days=28),
            tested_in=row.birth_year + 1 if tested else None,
            ended_on=row.gone_on,
        )
    )
