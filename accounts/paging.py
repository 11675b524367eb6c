"""Long lists a page at a time, without counting what nobody counts."""

from collections.abc import Sequence
from functools import cached_property
from typing import Any

from django.core.paginator import Page, Paginator
from django.db.models import QuerySet

MOST_COUNTED = 1_000


class LongPaginator(Paginator):  # type: ignore[type-arg]
    """Counts no further than MOST_COUNTED: a longer list `is_more`, and each page looks whether one follows.

    `along_index` : an index has the things in their order, so they are found soonest along it.
    """

    def __init__(self, things: QuerySet[Any], per_page: int, *, along_index: bool = False) -> None:
        super().__init__(things, per_page)
        self.things = things
        self.counted_from = things if along_index else things.order_by()

    @cached_property
    def _counted(self) -> int:
        return len(self.counted_from.values_list("pk")[: MOST_COUNTED + 1])

    @property
    def is_more(self) -> bool:
        return self._counted > MOST_COUNTED

    @cached_property
    def count(self) -> int:
        return min(self._counted, MOST_COUNTED)

    def get_page(self, number: Any) -> "Page[Any]":
        """The first page where there is none of that number."""
        if not self.is_more:
            return super().get_page(number)
        text = str(number or "")
        wanted = int(text) if text.isdecimal() and 0 < len(text) < 7 else 1
        for one in (max(wanted, 1), 1):
            first = (one - 1) * self.per_page
            rows = list(self.things[first : first + self.per_page + 1])
            if rows:
                break
        return LongPage(rows[: self.per_page], one, self, follows=len(rows) > self.per_page)


class LongPage(Page):  # type: ignore[type-arg]
    def __init__(self, rows: Sequence[Any], number: int, paginator: LongPaginator, *, follows: bool) -> None:
        super().__init__(rows, number, paginator)
        self.follows = follows

    def has_next(self) -> bool:
        return self.follows

    def next_page_number(self) -> int:
        return self.number + 1

    def previous_page_number(self) -> int:
        return self.number - 1

    def end_index(self) -> int:
        return self.start_index() + len(self.object_list) - 1
