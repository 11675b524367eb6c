"""The lists of the stock as tables to take away, in the columns that can be brought in again."""

from collections.abc import Iterator

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


def _queens(queens: QuerySet[Queen]) -> Iterator[list[Cell]]:
    for queen in queens.select_related("owner", "mother", "line").order_by("label"):
        yield [
            queen.label, queen.owner.name, queen.mother.label if queen.mother else None,
            queen.line.name if queen.line else None, queen.emerged_on, queen.birth_year, queen.origin,
            queen.mark_number, queen.gone_on, queen.gone_reason, queen.note,
        ]  # fmt: skip


def _scores(viewer: Viewer, colonies: QuerySet[Colony]) -> Iterator[list[Cell]]:
    scores = current(scores_seen_by(viewer)).filter(colony__in=colonies.order_by().values("pk"))
    for score in scores.select_related("colony__apiary__member", "queen", "trait").order_by("scored_on", "pk"):
        counted = score.part is not None
        yield [
            score.colony.apiary.member.name, score.colony.apiary.name, score.colony.name, score.queen.label,
            score.trait.key, score.scored_on, None if counted else float(score.value), score.part, score.whole,
            score.method, None if score.hours is None else float(score.hours), score.note,
        ]  # fmt: skip
