"""The limited process that reads one file: bytes on standard input, cells as JSON on standard output.

Run as a script by `accounts.sheets.reading`, with nothing of the app around it. Whatever the file does, at worst this
process ends: it has its own bounds on memory, time and files, and says in one word what was wrong.
"""

import csv
import datetime as dt
import io
import json
import resource
import sys
import zipfile
from collections.abc import Iterable, Iterator
from typing import Any, BinaryIO

ZIP_START, OLD_OFFICE_START = b"PK\x03\x04", b"\xd0\xcf\x11\xe0"
CHUNK = 1 << 16
SMALL_BYTES = 1_000_000  # unpacked up to here, how far it was packed says nothing
Line = tuple[int, list[str]]


class Wrong(Exception):  # noqa: N818 - an answer
    """The file is not to be read. `code` names the sentence, `values` stand in it."""

    def __init__(self, code: str, **values: Any) -> None:
        super().__init__(code)
        self.code = code
        self.values = values


def main() -> None:
    limits = json.loads(sys.argv[1])
    bound_itself(limits)
    content = sys.stdin.buffer.read(limits["bytes"] + 1)
    try:
        if len(content) > limits["bytes"]:
            raise Wrong("too_big")
        answer: dict[str, Any] = read(content, limits)
    except Wrong as wrong:
        answer = {"wrong": wrong.code, "values": wrong.values}
    except MemoryError:
        answer = {"wrong": "too_much_memory", "values": {}}
    except Exception as error:  # whatever the library stumbles over: the file is at fault, and nothing else has it
        answer = {"wrong": "unreadable", "values": {"error": type(error).__name__}}
    json.dump(answer, sys.stdout)


def bound_itself(limits: dict[str, int]) -> None:
    memory, seconds = limits["memory_bytes"], limits["cpu_seconds"]
    resource.setrlimit(resource.RLIMIT_AS, (memory, memory))
    resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds))
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def read(content: bytes, limits: dict[str, int]) -> dict[str, Any]:
    if content.startswith(OLD_OFFICE_START):
        raise Wrong("old_office")
    if content.startswith(ZIP_START):
        check_archive(content, limits)
        notes: list[str] = []
        lines = list(bounded(xlsx_lines(content), limits))
    else:
        text, notes = decoded(content)
        lines = list(bounded(csv_lines(text), limits))
    if not lines:
        raise Wrong("empty")
    return {"lines": lines, "notes": notes}


def bounded(lines: Iterable[Line], limits: dict[str, int]) -> Iterator[Line]:
    """Lines with something in them, without blanks at their ends; not more than may be."""
    filled = letters = 0
    for seen, (number, cells) in enumerate(lines, start=1):
        if seen > limits["lines_seen"]:
            raise Wrong("too_many_rows", most=limits["rows"])
        kept = [cell.strip() for cell in cells]
        while kept and not kept[-1]:
            kept.pop()
        if not kept:
            continue
        filled += 1
        letters += sum(map(len, kept))
        if filled > limits["rows"] + 1:
            raise Wrong("too_many_rows", most=limits["rows"])
        if len(kept) > limits["columns"]:
            raise Wrong("too_many_columns", line=number, most=limits["columns"])
        if max(map(len, kept)) > limits["letters_of_cell"]:
            raise Wrong("long_cell", line=number, most=limits["letters_of_cell"])
        if letters > limits["letters"]:
            raise Wrong("too_much_text")
        yield number, kept


def decoded(content: bytes) -> tuple[str, list[str]]:
    """UTF-8, or what spreadsheet programs still write where it is not."""
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        try:
            text = content.decode("utf-16")
        except UnicodeDecodeError:
            raise Wrong("no_text") from None
        if "\0" in text:  # UTF-32 begins with the same bytes; no database keeps this letter
            raise Wrong("no_text")
        return text, []
    if b"\0" in content:
        raise Wrong("no_text")
    try:
        return content.decode("utf-8-sig"), []
    except UnicodeDecodeError:
        pass
    try:
        return content.decode("cp1252"), ["old_encoding"]
    except UnicodeDecodeError:
        raise Wrong("no_text") from None


def csv_lines(text: str) -> Iterator[Line]:
    first = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = max(";,\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        for cells in reader:
            yield reader.line_num, cells
    except csv.Error:
        raise Wrong("no_table", line=reader.line_num) from None


def check_archive(content: bytes, limits: dict[str, int]) -> None:
    """By the directory first, then by what really comes out of each entry."""
    try:
        archive = zipfile.ZipFile(io.BytesIO(content))
        entries = archive.infolist()
        if len(entries) > limits["entries"]:
            raise Wrong("bomb")
        said = sum(entry.file_size for entry in entries)
        if said > limits["unpacked_bytes"] or said > max(SMALL_BYTES, len(content) * limits["ratio"]):
            raise Wrong("bomb")
        if "xl/workbook.xml" not in archive.namelist():
            raise Wrong("not_a_sheet")
        unpacked = 0
        for entry in entries:
            with archive.open(entry) as part:
                unpacked += check_part(part, limits["unpacked_bytes"] - unpacked)
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, ValueError) as error:
        raise Wrong("unreadable", error=type(error).__name__) from None


def check_part(part: Any, most: int) -> int:
    """Its size. A spreadsheet needs no document type, and entities come from nowhere else."""
    size, tail = 0, b""
    while chunk := part.read(CHUNK):
        size += len(chunk)
        if size > most:
            raise Wrong("bomb")
        if b"<!DOCTYPE" in (seen := tail + chunk) or b"<!ENTITY" in seen or seen.startswith((b"\xff\xfe", b"\xfe\xff")):
            raise Wrong("entities")
        tail = chunk[-16:]
    return size


def xlsx_lines(content: bytes) -> Iterator[Line]:
    """The cells of the first sheet. Formulas are read as the text they are, never worked out."""
    for heavy in ("numpy", "lxml", "PIL"):  # openpyxl uses them where they are; here they only take memory and time
        sys.modules[heavy] = None  # type: ignore[assignment]
    from openpyxl import load_workbook

    book = load_workbook(as_file(content), read_only=True, data_only=False, keep_links=False)
    if not book.worksheets:
        raise Wrong("not_a_sheet")
    sheet = book.worksheets[0]
    sheet.reset_dimensions()  # what the file says of its own size is not to be trusted
    for number, cells in enumerate(sheet.iter_rows(values_only=True), start=1):
        yield number, [text_of(cell) for cell in cells]


def as_file(content: bytes) -> BinaryIO:
    return io.BytesIO(content)


def text_of(cell: Any) -> str:
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "1" if cell else "0"
    if isinstance(cell, float):
        return f"{cell:.12g}"
    if isinstance(cell, dt.datetime):
        return cell.date().isoformat() if cell.time() == dt.time() else cell.isoformat(" ", "minutes")
    return str(cell)


if __name__ == "__main__":
    main()
