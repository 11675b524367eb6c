"""Reading the tables of a folder: cells with their line, and whatever is wrong with the file itself."""

import csv
import datetime as dt
import io
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from pathlib import Path

from django.utils.functional import Promise

from accounts.refusals import Refusal
from accounts.told import Said, Told, kept_text
from accounts.told import told as _


@dataclass(frozen=True)
class Table:
    """A file of the folder: its columns, and which of them may not be empty."""

    name: str
    columns: tuple[str, ...]
    required: tuple[str, ...]


TABLES = {
    table.name: table
    for table in (
        Table("apiaries.csv", ("member", "apiary", "place", "registration_number"), ("member", "apiary")),
        Table(
            "queens.csv",
            (
                "queen", "owner", "mother", "line", "emerged_on", "birth_year", "origin", "mark_number", "gone_on",
                "gone_reason", "note",
            ),
            ("queen", "owner"),
        ),
        Table(
            "matings.csv",
            (
                "queen", "kind", "mated_on", "drone_queen", "volume_ul", "drones", "batch", "total_ul",
                "station_mother", "station_queens", "place",
            ),
            (),
        ),
        Table(
            "colonies.csv",
            (
                "member", "apiary", "colony", "established_on", "queen", "since", "until", "ended_on",
                "ended_reason", "note",
            ),
            ("member", "apiary", "colony"),
        ),
        Table(
            "scores.csv",
            (
                "member", "apiary", "colony", "trait", "scored_on", "value", "part", "whole", "method", "hours",
                "note",
            ),
            ("member", "apiary", "colony", "trait", "scored_on"),
        ),
    )
}  # fmt: skip


# Fields of the rules that the tables call otherwise.
COLUMN_OF_FIELD = {"shares": "drone_queen", "total_tenths": "total_ul", "shared_batch": "batch", "name": "colony"}


@dataclass(frozen=True)
class Problem:
    """One bad row: where it stands and what is so, to be put into words for whoever reads it."""

    file: str
    line: int
    said: Said
    column: str = ""

    @property
    def text(self) -> str:
        return str(self.said)

    def __str__(self) -> str:
        return f"{self.file}, line {self.line}: {self.said}"

    def __lt__(self, other: "Problem") -> bool:
        """The same order in every language."""
        return self._rank < other._rank

    @property
    def _rank(self) -> tuple[str, int, str, str]:
        return self.file, self.line, kept_text(self.said), self.column


@dataclass
class Problems:
    found: list[Problem] = field(default_factory=list)

    def add(self, row: "Row", said: Said, column: str = "") -> None:
        self.found.append(Problem(row.file, row.line, said, column))

    def refused(self, row: "Row", refusal: Refusal) -> None:
        """With the column that the rule speaks of, as the tables call it."""
        field = refusal.field or ""
        self.add(row, refusal.said, COLUMN_OF_FIELD.get(field, field))


@dataclass(frozen=True)
class Row:
    """The cells of one line; readers raise a Refusal that names the column.

    names : how whoever reads the refusal calls the columns, where that is not their key.
    """

    file: str
    line: int
    cells: dict[str, str]
    names: Mapping[str, str | Promise] = field(default_factory=dict)

    def called(self, column: str) -> str | Promise:
        return self.names.get(column, column)

    def _bad(self, said: Told, column: str, **values: object) -> Refusal:
        return Refusal(said % {"column": self.called(column), **values}, field=column)

    def text(self, column: str, most: int | None = None) -> str:
        value = self.cells.get(column, "")
        if most is not None and len(value) > most:
            raise self._bad(_("%(column)s has more than %(most)s characters."), column, most=most)
        return value

    def day(self, column: str) -> dt.date | None:
        value = self.cells.get(column, "")
        if not value:
            return None
        try:
            return dt.date.fromisoformat(value)
        except ValueError:
            raise self._bad(_("%(column)s is “%(value)s”; write a day as 2026-06-09."), column, value=value) from None

    def whole(self, column: str) -> int | None:
        value = self.cells.get(column, "")
        if not value:
            return None
        if not value.isdecimal() or not value.isascii() or len(value) > 9:
            raise self._bad(_("%(column)s is “%(value)s”; write a whole number."), column, value=value)
        return int(value)

    def number(self, column: str) -> Decimal | None:
        value = self.cells.get(column, "")
        if not value:
            return None
        try:
            number = Decimal(value.replace(",", "."))
        except InvalidOperation:
            number = Decimal("NaN")
        if not number.is_finite() or len(number.as_tuple().digits) > 12:
            raise self._bad(_("%(column)s is “%(value)s”; write a number, for example 8.5."), column, value=value)
        return number

    def tenths(self, column: str) -> int | None:
        """A volume in µl as whole tenths."""
        number = self.number(column)
        if number is None:
            return None
        if number * 10 != (number * 10).to_integral_value() or not 0 < number < 100_000:
            raise self._bad(_("%(column)s must be above 0, to 0.1 µl."), column)
        return int(number * 10)


def read_folder(folder: Path, problems: Problems) -> dict[str, list[Row]]:
    """The rows of every table; a missing file has none. Refused when the folder holds no table at all."""
    if not folder.is_dir():
        raise Refusal(_("There is no folder %(folder)s.") % {"folder": folder}, rule="no_folder")
    if not any((folder / name).is_file() for name in TABLES):
        raise Refusal(
            _("%(folder)s holds none of %(names)s.") % {"folder": folder, "names": ", ".join(TABLES)},
            rule="no_tables",
        )
    return {name: _read(folder / name, table, problems) for name, table in TABLES.items()}


def _read(path: Path, table: Table, problems: Problems) -> list[Row]:
    if not path.is_file():
        return []
    try:
        content = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        problems.found.append(Problem(table.name, 1, _("The file is not UTF-8. Save it with this encoding.")))
        return []
    first = content.split("\n", 1)[0]
    delimiter = ";" if first.count(";") > first.count(",") else ","
    reader = csv.reader(io.StringIO(content, newline=""), delimiter=delimiter, strict=True)
    rows: list[Row] = []
    try:
        head = [cell.strip().lower() for cell in next(reader, [])]
        if not _head_fits(head, table, problems):
            return []
        for cells in reader:
            row = Row(table.name, reader.line_num, dict(zip(head, (cell.strip() for cell in cells), strict=False)))
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) > len(head):
                problems.add(row, _("There are more cells than columns."))
                continue
            empty = [column for column in table.required if not row.cells.get(column)]
            if empty:
                problems.add(row, _("%(columns)s must not be empty.") % {"columns": ", ".join(empty)})
                continue
            rows.append(row)
    except csv.Error as error:
        problems.found.append(
            Problem(table.name, reader.line_num, _("The table cannot be read: %(error)s.") % {"error": error})
        )
    return rows


def _head_fits(head: list[str], table: Table, problems: Problems) -> bool:
    unknown = [column for column in head if column not in table.columns]
    missing = [column for column in table.required if column not in head]
    double = sorted({column for column in head if head.count(column) > 1})
    for columns, said in (
        (unknown, _("Unknown columns: %(columns)s. Known are %(known)s.")),
        (missing, _("Missing columns: %(columns)s.")),
        (double, _("Columns that stand twice: %(columns)s.")),
    ):
        if columns:
            names = ", ".join(column or "(empty)" for column in columns)
            problems.found.append(Problem(table.name, 1, said % {"columns": names, "known": ", ".join(table.columns)}))
    return not (unknown or missing or double)
