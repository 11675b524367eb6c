"""The table that stands beside each chart."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Table:
    """Rows of texts; `numeric` holds the numbers (from 0) of the columns set to the right."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: frozenset[int] = frozenset()


@dataclass(frozen=True)
class Drawing:
    svg: str
    table: Table
