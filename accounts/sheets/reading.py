"""A file that somebody sent, as lines of texts; or a refusal that says what to do about it."""

import json
import subprocess  # nosec B404 - the limited process is the point
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from accounts.refusals import Refusal
from accounts.uploads import MOST_BYTES

MOST_ROWS = 50_000
WALL_SECONDS = 60
LIMITS = {
    "bytes": MOST_BYTES,
    "rows": MOST_ROWS,
    "lines_seen": 2 * MOST_ROWS,
    "columns": 60,
    "letters_of_cell": 2_000,
    "letters": 12_000_000,
    "entries": 200,
    "unpacked_bytes": 50_000_000,
    "ratio": 100,
    "memory_bytes": 512 * 1024 * 1024,
    "cpu_seconds": 20,
}
CHILD = Path(__file__).with_name("child.py")
WRONG = {
    "too_big": gettext_lazy("The file is larger than %(megabytes)s MB. Split it into several."),
    "too_many_rows": gettext_lazy("The table has more than %(most)s rows. Split it into several files."),
    "too_many_columns": gettext_lazy("Line %(line)s has more than %(most)s columns. Leave out what is not needed."),
    "long_cell": gettext_lazy("A cell of line %(line)s has more than %(most)s characters. Shorten it."),
    "too_much_text": gettext_lazy("The table holds too much text. Split it into several files."),
    "too_much_memory": gettext_lazy("The file takes too much memory to be read. Save the table alone, as CSV."),
    "too_long": gettext_lazy("The file takes too long to be read. Save the table alone, as CSV."),
    "bomb": gettext_lazy("Unpacked, the file would be far larger than a table needs. Save the table alone, as CSV."),
    "entities": gettext_lazy("The file holds a document type, which spreadsheets have not. Save the table as CSV."),
    "old_office": gettext_lazy("The file has a password or an old format. Save it without, as XLSX or CSV."),
    "not_a_sheet": gettext_lazy("The file is an archive, but no spreadsheet. Choose an XLSX or CSV file."),
    "no_text": gettext_lazy("The file is neither CSV nor XLSX. Save the table as one of them."),
    "no_table": gettext_lazy(
        "Line %(line)s cannot be read: a quotation mark stands where none belongs, or is missing."
    ),
    "empty": gettext_lazy("The table is empty."),
    "unreadable": gettext_lazy(
        "The file is damaged, or no table. Open it in your spreadsheet program and save it anew."
    ),
}
NOTES = {
    "old_encoding": gettext_lazy("The file is not UTF-8; it was read as Windows-1252. Look at letters with accents."),
}


@dataclass(frozen=True)
class Sheet:
    """The first line, and the others with their numbers in the file; `notes` are keys of NOTES."""

    head: list[str]
    lines: list[tuple[int, list[str]]]
    notes: list[str]


def sheet_read(content: bytes) -> Sheet:
    """The table of a CSV or XLSX file. Refused with what to do, whatever was sent."""
    if len(content) > MOST_BYTES:
        raise _refusal("too_big", {})
    answer = _answer_of_child(content)
    if "wrong" in answer:
        raise _refusal(answer["wrong"], answer["values"])
    (_number, head), *lines = answer["lines"]
    if not lines:
        raise _refusal("empty", {})
    return Sheet(head, [(number, cells) for number, cells in lines], answer["notes"])


def _answer_of_child(content: bytes) -> dict[str, Any]:
    """`-I`: neither the app's folder nor anything of the surroundings is in reach of it."""
    command = [sys.executable, "-I", str(CHILD), json.dumps(LIMITS)]
    try:
        done = subprocess.run(  # noqa: S603  # nosec B603 - our own script, no shell
            command, input=content, capture_output=True, timeout=WALL_SECONDS, env={}, check=False
        )
    except subprocess.TimeoutExpired:
        return {"wrong": "too_long", "values": {}}
    if done.returncode < 0:  # a signal: the time of the processor is used up
        return {"wrong": "too_long", "values": {}}
    if done.returncode > 0:
        return {"wrong": "too_much_memory", "values": {}}
    answer: dict[str, Any] = json.loads(done.stdout)
    return answer


def _refusal(code: str, values: dict[str, Any]) -> Refusal:
    shown = {"megabytes": MOST_BYTES // 1_000_000, **values}
    return Refusal(str(WRONG[code]) % shown, field="file", rule=f"sheet_{code}")


def notes_words(notes: list[str]) -> list[str]:
    return [_(str(NOTES[note])) for note in notes if note in NOTES]
