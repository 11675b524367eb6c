"""The table that stands beside each chart."""

from collections.abc import Callable
from dataclasses import dataclass

NumberText = Callable[[float, int], str]  # a number with so many decimals, as the reader writes it


def decimals(value: float, places: int) -> str:
    """With a point, as in English; pages pass a formatter of their own language."""
    return f"{value:.{places}f}"


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
