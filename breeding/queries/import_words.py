"""What an import would make or made, and what is wrong with it, as rows to show."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol

from django.utils.translation import ngettext

from accounts.told import Told, read_text
from breeding.models import TableImport

COUNTED: dict[str, Callable[[int], str]] = {
    "apiaries": lambda n: ngettext("%(number)s apiary", "%(number)s apiaries", n),
    "lines": lambda n: ngettext("%(number)s line", "%(number)s lines", n),
    "queens": lambda n: ngettext("%(number)s queen", "%(number)s queens", n),
    "semen batches": lambda n: ngettext("%(number)s shared semen batch", "%(number)s shared semen batches", n),
    "matings": lambda n: ngettext("%(number)s mating", "%(number)s matings", n),
    "colonies": lambda n: ngettext("%(number)s colony", "%(number)s colonies", n),
    "headings": lambda n: ngettext("%(number)s queen in her colony", "%(number)s queens in their colonies", n),
    "scores": lambda n: ngettext("%(number)s score", "%(number)s scores", n),
    "counts": lambda n: ngettext("%(number)s count of drones", "%(number)s counts of drones", n),
}
SAMPLE_ROWS = 5


class _Kind(Protocol):
    @property
    def columns(self) -> Sequence[Any]: ...


class _Sheet(Protocol):
    @property
    def lines(self) -> list[tuple[int, list[str]]]: ...


def made_words(new: Mapping[str, int]) -> list[str]:
    return [COUNTED[name](number) % {"number": number} for name, number in new.items() if number and name in COUNTED]


def problem_rows(imported: TableImport, kind: _Kind) -> list[tuple[int, str, str | Told]]:
    """Line, field, what is so: in the language of whoever reads it. Those from before are as they were written."""
    labels = {column.key: str(column.label) for column in kind.columns}
    return [(line, labels.get(column, ""), read_text(kept)) for line, column, kept in imported.problems]


def sample_rows(imported: TableImport, kind: _Kind, sheet: _Sheet) -> dict[str, Any]:
    """The first rows under the names of their fields, as they stand in the file."""
    used = [column for column in kind.columns if column.key in imported.matched]
    rows = []
    for _number, cells in sheet.lines[:SAMPLE_ROWS]:
        numbers = [imported.matched[column.key] for column in used]
        rows.append([cells[number] if number < len(cells) else "" for number in numbers])
    return {"head": [column.label for column in used], "rows": rows}
