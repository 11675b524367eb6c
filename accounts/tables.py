"""Tables that people take away: described once, written as CSV, XLSX or JSON, safe in whatever program opens them.

A cell is what it is: a number stays a number, a text stays a text. Spreadsheet programs take a text that begins like
a formula for one, and labels are chosen by people, so a CSV file says of such a text that it is one.
"""

import csv
import datetime as dt
import io
import json
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import IO, BinaryIO, TypeAlias

from django.http import Http404, HttpRequest, HttpResponse
from django.utils.functional import Promise

Cell: TypeAlias = str | Promise | int | float | Decimal | dt.date | None

RISKY_STARTS = ("=", "+", "-", "@", "\t", "\r", "\0")
TYPES = {
    "csv": "text/csv; charset=utf-8",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "json": "application/json",
}
NOT_IN_XML = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]")
LONGEST_TITLE = 31  # of a sheet


@dataclass(frozen=True)
class Table:
    """What a file is called without its ending, its columns, its rows."""

    name: str
    head: Sequence[Cell]
    rows: Iterable[Sequence[Cell]]


def safe_cell(cell: object) -> object:
    """A text that a spreadsheet would take for a formula gets an apostrophe in front."""
    if cell is None or isinstance(cell, int | float | Decimal | dt.date):
        return cell
    text = str(cell)
    return f"'{text}" if text.startswith(RISKY_STARTS) else text


def csv_write(table: Table, target: IO[str]) -> None:
    target.write("\ufeff")  # else some programs read it as their old code page
    writer = csv.writer(target)
    for line in (table.head, *table.rows):
        writer.writerow([safe_cell(cell) for cell in line])


def json_write(table: Table, target: IO[str]) -> None:
    """Columns and rows as lists: two columns may be called alike. Nothing evaluates it, so texts stay as they are."""
    columns = json.dumps([_plain(cell) for cell in table.head], ensure_ascii=False)
    target.write(f'{{"table": {json.dumps(table.name)}, "columns": {columns}, "rows": [')
    for number, row in enumerate(table.rows):
        cells = json.dumps([_plain(cell) for cell in row], ensure_ascii=False, allow_nan=False)
        target.write(f"{',' if number else ''}\n{cells}")
    target.write("\n]}\n")


def xlsx_write(table: Table, target: BinaryIO) -> None:
    """One sheet. Every text is said to be one, else “=…” would be written as a formula."""
    from openpyxl import Workbook  # slow to import, and few need it
    from openpyxl.cell import WriteOnlyCell

    book = Workbook(write_only=True)
    sheet = book.create_sheet(table.name[:LONGEST_TITLE])
    sheet.freeze_panes = "A2"

    def shown(cell: Cell) -> object:
        plain = cell if isinstance(cell, dt.date) and not isinstance(cell, dt.datetime) else _plain(cell)
        if not isinstance(plain, str):
            return plain
        if not plain:
            return None
        made = WriteOnlyCell(sheet, value=NOT_IN_XML.sub("\ufffd", plain))
        made.data_type = "s"
        return made

    for line in (table.head, *table.rows):
        sheet.append([shown(cell) for cell in line])
    book.save(target)


def table_response(request: HttpRequest, table: Table) -> HttpResponse:
    """The table as the kind of file that `?file=` names, CSV unless it says otherwise."""
    kind = request.GET.get("file", "csv")
    if kind not in TYPES:
        raise Http404
    response = HttpResponse(content_type=TYPES[kind])
    response["Content-Disposition"] = f'attachment; filename="{table.name}.{kind}"'
    if kind == "xlsx":
        made = io.BytesIO()
        xlsx_write(table, made)
        response.content = made.getvalue()
        return response
    text = io.StringIO(newline="")
    (csv_write if kind == "csv" else json_write)(table, text)
    response.content = text.getvalue().encode()
    return response


def _plain(cell: Cell) -> str | int | float | None:
    if cell is None or isinstance(cell, int):
        return cell
    if isinstance(cell, float):
        return cell if math.isfinite(cell) else None
    if isinstance(cell, Decimal):
        return float(cell)
    return cell.isoformat() if isinstance(cell, dt.date) else str(cell)
