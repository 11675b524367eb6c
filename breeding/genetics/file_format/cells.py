"""Strict readers of CSV tables: each cell knows its file and line, refuses what does not belong there."""

import csv
import itertools
import math
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass

from breeding.genetics.types import InputError


@dataclass(frozen=True, slots=True)
class Row:
    """The cells of one line, stripped; a column that is not there reads as empty."""

    file: str
    line: int
    cells: dict[str, str]

    def refuse(self, column: str, reason: str) -> InputError:
        return InputError(f"{self.file} line {self.line}, {column}", reason)

    def text(self, column: str) -> str:
        return self.cells.get(column, "")

    def required(self, column: str) -> str:
        value = self.text(column)
        if not value:
            raise self.refuse(column, "must not be empty")
        return value

    def number(self, column: str) -> float | None:
        """A number with point or comma, None where the cell is empty."""
        written = self.text(column)
        if not written:
            return None
        try:
            value = float(written.replace(",", ".", 1))
        except ValueError:
            value = math.nan
        if not math.isfinite(value) or "_" in written:
            raise self.refuse(column, f'must be a number, not "{written}"')
        return value

    def count(self, column: str) -> int | None:
        """A whole number from 1 on, None where the cell is empty."""
        written = self.text(column)
        if not written:
            return None
        if not (written.isascii() and written.isdecimal() and len(written) < 10 and int(written) > 0):
            raise self.refuse(column, f'must be a whole number from 1 on, not "{written}"')
        return int(written)


def read_rows(
    file: str, lines: Iterable[str], *, required: Collection[str], known: Collection[str] | None = None
) -> Iterator[Row]:
    """The rows of a table, one at a time.

    Parameters
    ----------
    required : columns that must be there. known : all columns that may be; None lets any column pass.

    Raises
    ------
    InputError
        With file and line: columns missing, unknown or twice, more cells than columns, broken quoting.
    """
    source = iter(lines)
    reader: Iterator[list[str]] | None = None
    try:
        first = next(source, "")
        delimiter = ";" if first.count(";") > first.count(",") else ","
        parsed = csv.reader(itertools.chain([first], source), delimiter=delimiter, strict=True)
        reader = parsed
        head = [cell.strip() for cell in next(parsed, [])]
        _check_head(file, head, required, known)
        for cells in parsed:
            if len(cells) > len(head):
                raise InputError(f"{file} line {parsed.line_num}", "has more cells than there are columns")
            if any(cells) and any(cell.strip() for cell in cells):
                stripped = (cell.strip() for cell in cells)
                yield Row(file, parsed.line_num, dict(zip(head, stripped, strict=False)))
    except csv.Error as error:
        at = f" line {parsed.line_num}" if reader is not None else ""
        raise InputError(f"{file}{at}", f"cannot be read: {error}") from error
    except UnicodeDecodeError as error:
        raise InputError(file, "is not UTF-8; save it with this encoding") from error


def _check_head(file: str, head: list[str], required: Collection[str], known: Collection[str] | None) -> None:
    where = f"{file} line 1"
    for column in head:
        if known is not None and column not in known:
            raise InputError(where, f'unknown column "{column}" (known here: {", ".join(known)})')
        if head.count(column) > 1:
            raise InputError(where, f'column "{column}" stands twice')
    for column in required:
        if column not in head:
            raise InputError(where, f'column "{column}" is missing')
