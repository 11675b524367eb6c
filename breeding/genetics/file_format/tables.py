"""The pedigree and records of a large study as CSV tables of a folder (docs/formats.md)."""

import re
from collections.abc import Callable, Iterable
from typing import TypeAlias

from breeding.genetics.file_format.cells import Row, read_rows
from breeding.genetics.file_format.table_matings import read_matings
from breeding.genetics.pedigree import Pedigree, Queen, check_pedigree
from breeding.genetics.records import ModelSpec, Record
from breeding.genetics.types import InputError

QUEENS, MATINGS, RECORDS = "queens.csv", "matings.csv", "records.csv"
# Columns of the stock tables that say nothing about descent are passed over.
QUEEN_COLUMNS = (
    "queen", "mother", "group", "owner", "line", "emerged_on", "birth_year", "origin", "mark_number", "gone_on",
    "gone_reason", "note",
)  # fmt: skip

# (folder, file name) -> lines of the table, None where there is no such file.
OpenTable: TypeAlias = Callable[[str, str], Iterable[str] | None]


class Lines:
    """The tables of one folder, and the line that each queen and record came from."""

    def __init__(self, folder: str, open_table: OpenTable) -> None:
        self.folder = folder
        self.queens: list[int] = []
        self.records: list[int] = []
        self._open = open_table
        self._records = open_table(folder, RECORDS)

    @property
    def has_records(self) -> bool:
        return self._records is not None

    def table(self, name: str) -> Iterable[str] | None:
        return self._records if name == RECORDS else self._open(self.folder, name)

    def translated(self, error: InputError) -> InputError:
        """The same refusal with file and line in place of a path inside the pedigree or the records."""
        for pattern, file, lines in (
            (r"pedigree\.queens\[(\d+)\]", QUEENS, self.queens),
            (r"records\[(\d+)\]", RECORDS, self.records),
        ):
            found = re.match(pattern, error.path)
            if found and int(found[1]) < len(lines):
                return InputError(f"{file} line {lines[int(found[1])]}", error.reason)
        return error


def pedigree_of_tables(lines: Lines) -> Pedigree:
    """Queens and matings of the folder.

    Raises
    ------
    InputError
        With file and line of what cannot be used.
    """
    table = lines.table(QUEENS)
    if table is None:
        raise InputError("pedigree.csv", f'there is no {QUEENS} in "{lines.folder}"')
    rows = list(read_rows(QUEENS, table, required=("queen",), known=QUEEN_COLUMNS))
    first: dict[str, int] = {}
    for row in rows:
        id_ = row.required("queen")
        if id_ in first:
            raise row.refuse("queen", f'queen "{id_}" stands twice (also line {first[id_]})')
        first[id_] = row.line
    for row in rows:
        if row.text("mother") and row.text("mother") not in first:
            raise row.refuse("mother", f'unknown queen "{row.text("mother")}"')
    lines.queens = [row.line for row in rows]
    queens = tuple(Queen(r.text("queen"), r.text("mother") or None, r.text("group") or None) for r in rows)
    try:
        check_pedigree(Pedigree(queens))
    except InputError as error:
        raise lines.translated(error) from error
    found = read_matings(MATINGS, lines.table(MATINGS) or (), first)
    return Pedigree(queens, found.matings, tuple(found.drones), tuple(found.batches), tuple(found.groups))


def records_of_table(
    lines: Lines, pedigree: Pedigree, model: ModelSpec, traits: tuple[str, ...] | None
) -> tuple[Record, ...]:
    """Records of the folder, none where it has no such table; other columns than asked for are passed over."""
    table = lines.table(RECORDS)
    if table is None:
        return ()
    queens = {q.id for q in pedigree.queens}
    columns = (*model.fixed, *model.covariates, *(traits or ()))
    made: list[Record] = []
    for row in read_rows(RECORDS, table, required=("queen", *columns)):
        queen = row.required("queen")
        if queen not in queens:
            raise row.refuse("queen", f'unknown queen "{queen}"')
        fixed = {factor: _needed(row, factor) for factor in model.fixed}
        covariates: dict[str, float] = {}
        for covariate in model.covariates:
            _needed(row, covariate)
            covariates[covariate] = row.number(covariate) or 0.0
        made.append(Record(queen, {trait: row.number(trait) for trait in traits or ()}, fixed, covariates))
        lines.records.append(row.line)
    return tuple(made)


def _needed(row: Row, column: str) -> str:
    if not row.text(column):
        raise row.refuse(column, "is empty; the model needs it")
    return row.text(column)
