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
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import chain, islice
from typing import IO, Any, TypeAlias

from django.http import FileResponse, Http404, HttpRequest, HttpResponse, StreamingHttpResponse
from django.utils import timezone, translation
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
MOST_ROWS = 1_048_576  # of a sheet, its head among them
LINES_AT_ONCE = 200  # of a table that goes out in parts


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


def csv_lines(table: Table) -> Iterator[str]:
    yield "\ufeff"  # else some programs read it as their old code page
    line = io.StringIO(newline="")
    writer = csv.writer(line)
    for cells in chain([table.head], table.rows):
        writer.writerow([safe_cell(cell) for cell in cells])
        yield line.getvalue()
        line.seek(0)
        line.truncate()


def json_lines(table: Table) -> Iterator[str]:
    """Columns and rows as lists: two columns may be called alike. Nothing evaluates it, so texts stay as they are."""
    columns = json.dumps([_plain(cell) for cell in table.head], ensure_ascii=False)
    yield f'{{"table": {json.dumps(table.name)}, "columns": {columns}, "rows": ['
    for number, row in enumerate(table.rows):
        cells = json.dumps([_plain(cell) for cell in row], ensure_ascii=False, allow_nan=False)
        yield f"{',' if number else ''}\n{cells}"
    yield "\n]}\n"


def xlsx_write(table: Table, target: IO[bytes]) -> None:
    """One sheet, more only where it would be too long. Every text is said to be one, else “=…” would be a formula."""
    from openpyxl import Workbook  # slow to import, and few need it
    from openpyxl.cell import WriteOnlyCell

    book = Workbook(write_only=True)

    def begun(number: int) -> Any:
        """A sheet with the head of the table."""
        ending = f" {number}" if number > 1 else ""
        made = book.create_sheet(table.name[: LONGEST_TITLE - len(ending)] + ending)
        made.freeze_panes = "A2"
        made.append([shown(made, cell) for cell in table.head])
        return made

    def shown(sheet: Any, cell: Cell) -> object:
        plain = cell if isinstance(cell, dt.date) and not isinstance(cell, dt.datetime) else _plain(cell)
        if not isinstance(plain, str):
            return plain
        if not plain:
            return None
        made = WriteOnlyCell(sheet, value=NOT_IN_XML.sub("\ufffd", plain))
        made.data_type = "s"
        return made

    sheet = begun(1)
    for number, line in enumerate(table.rows):
        if number and number % (MOST_ROWS - 1) == 0:
            sheet = begun(number // (MOST_ROWS - 1) + 1)
        sheet.append([shown(sheet, cell) for cell in line])
    book.save(target)


def table_response(request: HttpRequest, table: Table) -> HttpResponse:
    """The table as the kind of file that `?file=` names, CSV unless it says otherwise."""
    kind = _kind_asked(request)
    response = HttpResponse(content_type=TYPES[kind])
    response["Content-Disposition"] = _attached(table, kind)
    if kind == "xlsx":
        made = io.BytesIO()
        xlsx_write(table, made)
        response.content = made.getvalue()
        return response
    response.content = "".join(LINES[kind](table)).encode()
    return response


def table_streamed(request: HttpRequest, table: Table) -> StreamingHttpResponse:
    """The same of a table of any length: its rows are asked for while it goes out, so they should come in parts.

    A spreadsheet is an archive with its list of contents at the end: it is made in a file first, not in memory.
    """
    kind = _kind_asked(request)
    if kind == "xlsx":
        made = tempfile.TemporaryFile()  # noqa: SIM115 - the answer closes it
        xlsx_write(table, made)
        made.seek(0)
        return FileResponse(made, content_type=TYPES[kind], headers={"Content-Disposition": _attached(table, kind)})
    blocks = _blocks(LINES[kind](table), translation.get_language(), timezone.get_current_timezone())
    headers = {"Content-Disposition": _attached(table, kind)}
    return StreamingHttpResponse(blocks, content_type=TYPES[kind], headers=headers)


def _blocks(lines: Iterator[str], language: str | None, zone: dt.tzinfo) -> Iterator[bytes]:
    """Rows go out when the request is over for everybody else: its language and zone are taken along."""
    while True:
        with translation.override(language), timezone.override(zone):
            block = "".join(islice(lines, LINES_AT_ONCE))
        if not block:
            return
        yield block.encode()


def _kind_asked(request: HttpRequest) -> str:
    kind = request.GET.get("file", "csv")
    if kind not in TYPES:
        raise Http404
    return kind


def _attached(table: Table, kind: str) -> str:
    return f'attachment; filename="{table.name}.{kind}"'


LINES: dict[str, Callable[[Table], Iterator[str]]] = {"csv": csv_lines, "json": json_lines}


def _plain(cell: Cell) -> str | int | float | None:
    if cell is None or isinstance(cell, int):
        return cell
    if isinstance(cell, float):
        return cell if math.isfinite(cell) else None
    if isinstance(cell, Decimal):
        return float(cell)
    return cell.isoformat() if isinstance(cell, dt.date) else str(cell)
