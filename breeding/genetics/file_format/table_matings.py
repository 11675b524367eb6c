"""Matings of a study's table: rows of one queen or one batch belong together."""

from collections.abc import Container, Iterable
from dataclasses import dataclass, field

from breeding.genetics.file_format.cells import Row, read_rows
from breeding.genetics.pedigree import (
    STATION_DRONES,
    STATION_QUEENS,
    UNKNOWN_DRONES,
    Batch,
    Drone,
    DroneShare,
    Mating,
    OneSource,
    Open,
    Pool,
    SharedBatch,
    SingleDrone,
    SisterGroup,
    Station,
    drones_of_dose,
)

MANY = "many"  # a cell of ``drones``: very many
OF_DESCENT = (
    "drone_queen", "volume_ul", "drones", "drone", "batch", "station_mother", "station_queens", "place", "group",
)  # fmt: skip
# The day and the whole dose say nothing about descent and are passed over.
COLUMNS = ("queen", "kind", *OF_DESCENT, "mated_on", "total_ul")
OF_KIND = {
    "single_drone": ("drone", "drone_queen", "volume_ul", "drones"),
    "dpq": ("drone_queen", "volume_ul", "drones"),
    "pool": ("drone_queen", "volume_ul", "drones"),
    "batch": ("batch",),
    "station": ("station_mother", "station_queens", "drones", "place"),
    "open": ("drones", "place", "group"),
}
OF_BATCH = ("batch", "drone_queen", "volume_ul", "drones")


@dataclass
class Matings:
    matings: dict[str, Mating] = field(default_factory=dict)
    drones: list[Drone] = field(default_factory=list)
    batches: list[Batch] = field(default_factory=list)
    groups: list[SisterGroup] = field(default_factory=list)


def read_matings(file: str, lines: Iterable[str], queens: Container[str]) -> Matings:
    """All matings of a table, of known queens.

    Raises
    ------
    InputError
        With file and line of what cannot be used.
    """
    of_queen: dict[str, list[Row]] = {}
    of_batch: dict[str, list[Row]] = {}
    for row in read_rows(file, lines, required=("queen", "kind") if lines else (), known=COLUMNS):
        if row.text("queen"):
            _known(row, "queen", queens)
            of_queen.setdefault(row.text("queen"), []).append(row)
        elif row.text("batch"):
            of_batch.setdefault(row.text("batch"), []).append(row)
        else:
            raise row.refuse("queen", "must not be empty, unless the row gives a source of a batch")
    reader = _Reader(queens, of_batch)
    for id_, rows in of_queen.items():
        reader.made.matings[id_] = reader.mating(id_, rows)
    return reader.made


class _Reader:
    def __init__(self, queens: Container[str], of_batch: dict[str, list[Row]]) -> None:
        self.queens = queens
        self.made = Matings()
        self.drone_at: dict[str, tuple[str | None, int]] = {}
        self.station_at: dict[str, tuple[SisterGroup, int]] = {}
        for id_, rows in of_batch.items():
            _only(rows, OF_BATCH, "a batch")
            self.made.batches.append(Batch(id_, self._shares(rows)))
        self.batches = set(of_batch)

    def mating(self, id_: str, rows: list[Row]) -> Mating:
        kind = _agreed(rows, "kind").lower()
        if kind not in OF_KIND:
            raise rows[0].refuse("kind", f'unknown value "{kind}" (known here: {", ".join(OF_KIND)})')
        _only(rows, OF_KIND[kind], f"kind {kind}")
        if kind != "pool" and len(rows) > 1:
            raise rows[1].refuse("queen", f'"{id_}" has a row already (line {rows[0].line}); only a pool has several')
        row = rows[0]
        match kind:
            case "single_drone":
                return self._single_drone(id_, row)
            case "dpq":
                share = self._shares(rows)[0]
                return OneSource(share.id, share.n_drones)
            case "pool":
                return Pool(self._shares(rows))
            case "batch":
                if row.required("batch") not in self.batches:
                    raise row.refuse(
                        "batch", f'unknown batch "{row.text("batch")}" (its sources stand in rows without a queen)'
                    )
                return SharedBatch(row.text("batch"))
            case "station":
                return self._station(id_, row)
        return Open(_drones(row, UNKNOWN_DRONES), row.text("group") or None)

    def _shares(self, rows: list[Row]) -> tuple[DroneShare, ...]:
        with_volume = [bool(row.text("volume_ul")) for row in rows]
        made: list[DroneShare] = []
        for row, given in zip(rows, with_volume, strict=True):
            _known(row, "drone_queen", self.queens)
            if given != with_volume[0]:
                raise row.refuse("volume_ul", "must stand with every source of a mating or with none")
            volume = row.number("volume_ul")
            if volume is not None and volume <= 0:
                raise row.refuse("volume_ul", f"must be above 0, not {volume:g}")
            drones = _drones(row, drones_of_dose(volume, len(rows)))
            made.append(DroneShare(row.text("drone_queen"), volume or 1.0, drones))
        return tuple(made)

    def _single_drone(self, id_: str, row: Row) -> SingleDrone:
        """A named drone may serve several queens; one without a name has the name of his queen."""
        if row.text("drones") not in ("", "1"):
            raise row.refuse("drones", f'must be 1 or empty, not "{row.text("drones")}"')
        name, mother = row.text("drone") or id_, row.text("drone_queen") or None
        if mother is not None:
            _known(row, "drone_queen", self.queens)
        known = self.drone_at.get(name)
        if known is None:
            self.drone_at[name] = (mother, row.line)
            self.made.drones.append(Drone(name, mother))
        elif known[0] != mother or not row.text("drone"):
            raise row.refuse("drone", f'drone "{name}" stands in line {known[1]} already, not as the same drone')
        return SingleDrone(name)

    def _station(self, id_: str, row: Row) -> Station:
        """Queens mated at one place met the same sisters; a station without a name is one of its own."""
        name, mother = row.text("place") or id_, row.text("station_mother") or None
        if mother is not None:
            _known(row, "station_mother", self.queens)
        group = SisterGroup(name, mother, row.count("station_queens") or STATION_QUEENS)
        known = self.station_at.setdefault(name, (group, row.line))
        if known[0] != group:
            raise row.refuse("place", f'station "{name}" has other sisters in line {known[1]}')
        if known[0] is group:
            self.made.groups.append(group)
        return Station(name, _drones(row, STATION_DRONES))


def _drones(row: Row, usual: int) -> int | None:
    if row.text("drones").lower() == MANY:
        return None
    return row.count("drones") or usual


def _known(row: Row, column: str, queens: Container[str]) -> None:
    if row.required(column) not in queens:
        raise row.refuse(column, f'unknown queen "{row.text(column)}"')


def _agreed(rows: list[Row], column: str) -> str:
    first = rows[0].required(column)
    for row in rows[1:]:
        if row.text(column) not in ("", first):
            raise row.refuse(column, f'says "{row.text(column)}", line {rows[0].line} says "{first}"')
    return first


def _only(rows: list[Row], columns: tuple[str, ...], whose: str) -> None:
    for row in rows:
        for column, cell in row.cells.items():
            if cell and column in OF_DESCENT and column not in columns:
                raise row.refuse(column, f"does not belong to {whose}")
