"""The lists of the stock as tables to take away, in the columns that can be brought in again."""

from collections.abc import Iterator, Sequence

from django.db.models import Q, QuerySet

from accounts.access import Viewer
from accounts.tables import Cell, Table
from breeding.models import Colony, Queen
from breeding.queries.records import current
from breeding.queries.stock import StockFilter, colony_list, queens_seen_by, queens_without_colony, scores_seen_by

COLONIES = [
    "member",
    "apiary",
    "colony",
    "established_on",
    "queen",
    "since",
    "line",
    "ended_on",
    "ended_reason",
    "note",
]
QUEENS = [
    "queen", "owner", "mother", "line", "emerged_on", "birth_year", "origin", "mark_number", "gone_on", "gone_reason",
    "note",
]  # fmt: skip
SCORES = [
    "member", "apiary", "colony", "queen", "trait", "scored_on", "value", "part", "whole", "method", "hours", "note",
]  # fmt: skip
NAMES = ("colonies", "queens", "scores")
PART = 5_000


def stock_table(viewer: Viewer, wanted: StockFilter, name: str) -> Table:
    """`name` of NAMES. What the page shows, all pages of it; queens with and without a colony, scores that count."""
    colonies = colony_list(viewer, wanted)
    if name == "colonies":
        return Table(name, COLONIES, _colonies(colonies))
    if name == "queens":
        return Table(name, QUEENS, _queens(_queens_of(viewer, wanted, colonies)))
    return Table(name, SCORES, _scores(viewer, colonies))


def _colonies(colonies: QuerySet[Colony]) -> Iterator[list[Cell]]:
    for colony in colonies:
        heading = next(iter(colony.headings_now), None)  # type: ignore[attr-defined]
        yield [
            colony.apiary.member.name, colony.apiary.name, colony.name, colony.established_on,
            heading.queen.label if heading else None, heading.since if heading else None,
            heading.queen.line.name if heading and heading.queen.line else None,
            colony.ended_on, colony.ended_reason, colony.note,
        ]  # fmt: skip


def _queens_of(viewer: Viewer, wanted: StockFilter, colonies: QuerySet[Colony]) -> QuerySet[Queen]:
    headed = queens_seen_by(viewer).filter(
        headings__colony__in=colonies.order_by().values("pk"), headings__until__isnull=True
    )
    without = queens_without_colony(viewer, wanted)
    named = Q(pk__in=headed.order_by().values("pk")) | Q(pk__in=without.order_by().values("pk"))
    return queens_seen_by(viewer).filter(named)


def _queens(queens: QuerySet[Queen]) -> Iterator[Sequence[Cell]]:
    yield from queens.order_by("label").values_list(
        *["label", "owner__name", "mother__label", "line__name", "emerged_on", "birth_year", "origin"],
        *["mark_number", "gone_on", "gone_reason", "note"],
    )


def _scores(viewer: Viewer, colonies: QuerySet[Colony]) -> Iterator[Sequence[Cell]]:
    """In the order in which they were entered. A cooperative has a million: they are asked for in parts."""
    scores = current(scores_seen_by(viewer)).filter(colony__in=colonies.order_by().values("pk")).order_by("pk")
    columns = ["colony__apiary__member__name", "colony__apiary__name", "colony__name", "queen__label", "trait__key"]
    columns += ["scored_on", "value", "part", "whole", "method", "hours", "note"]
    last = 0
    while part := list(scores.filter(pk__gt=last).values_list("pk", *columns)[:PART]):
        for last, *place, scored_on, value, counted, whole, method, hours, note in part:  # noqa: B007
            shown = float(value) if counted is None else None
            yield [*place, scored_on, shown, counted, whole, method, None if hours is None else float(hours), note]
