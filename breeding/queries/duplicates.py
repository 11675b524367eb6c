"""Queens that may have been entered twice: the same label but for its spelling, and nothing that says otherwise."""

import re
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

from django.db.models import Q, QuerySet

from accounts.access import Viewer, can_merge_any
from breeding.models import Queen, QueenMerge, QueensApart
from breeding.queries.stock import queens_seen_by

PARTS = re.compile(r"[^\W\d_]+|\d+")
MOST_ALIKE = 6  # of one label: more than that is a way of numbering, not a slip
MERGES_SHOWN = 20


@dataclass(frozen=True)
class Entered:
    """A queen as far as it takes to tell whether she is another one."""

    pk: int
    label: str
    mother: str
    birth_year: int | None
    mark_number: str
    owner_id: int


@dataclass(frozen=True)
class Pair:
    first: Queen
    second: Queen


def label_alike(label: str) -> str:
    """What two spellings of one label have in common: “A-012”, “a 12” and “A12” are “a 12”."""
    parts = PARTS.findall(label.casefold())
    return " ".join(part.lstrip("0") or "0" if part.isdecimal() else part for part in parts)


def duplicate_pairs(viewer: Viewer) -> list[Pair]:
    """Pairs that the viewer may make one, by label."""
    queens = queens_seen_by(viewer)
    if not can_merge_any(viewer):
        queens = queens.filter(owner__in=viewer.member_ids)
    columns = ("pk", "label", "mother__label", "birth_year", "mark_number", "owner_id")
    rows = [Entered(pk, label, mother or "", *rest) for pk, label, mother, *rest in queens.values_list(*columns)]
    apart = set(_apart_of(viewer).values_list("lower_id", "higher_id"))
    found = [pair for first, second in _pairs(rows) if (pair := (first.pk, second.pk)) not in apart]
    return sorted(_read(found), key=lambda pair: (label_alike(pair.first.label), pair.first.pk, pair.second.pk))


def pairs_apart(viewer: Viewer) -> list[Pair]:
    """The last ones that were told apart and are both there, latest first; of those that the viewer may make one."""
    told = _apart_of(viewer)
    if not can_merge_any(viewer):
        own = queens_seen_by(viewer).filter(owner__in=viewer.member_ids).values("pk")
        told = told.filter(lower_id__in=own, higher_id__in=own)
    return _read(list(told.values_list("lower_id", "higher_id")[:MERGES_SHOWN]))


def _apart_of(viewer: Viewer) -> QuerySet[QueensApart]:
    return QueensApart.objects.filter(cooperative=viewer.cooperative)


def _read(ids: list[tuple[int, int]]) -> list[Pair]:
    by_id = Queen.objects.select_related("owner", "mother", "line", "cooperative").in_bulk(
        {pk for pair in ids for pk in pair}
    )
    return [Pair(by_id[first], by_id[second]) for first, second in ids if first in by_id and second in by_id]


def _pairs(rows: list[Entered]) -> Iterator[tuple[Entered, Entered]]:
    """By label; then those with the same mother, year and number on the disc."""
    alike: dict[tuple[object, ...], list[Entered]] = defaultdict(list)
    for row in rows:
        alike["label", label_alike(row.label)].append(row)
        if row.mother and row.birth_year and row.mark_number:
            alike["mark", label_alike(row.mother), row.birth_year, row.mark_number.casefold()].append(row)
    seen: set[tuple[int, int]] = set()
    for group in alike.values():
        if not 1 < len(group) <= MOST_ALIKE:
            continue
        for first, second in combinations(sorted(group, key=lambda row: row.pk), 2):
            if (first.pk, second.pk) not in seen and _nothing_against(first, second):
                seen.add((first.pk, second.pk))
                yield first, second


def _nothing_against(first: Entered, second: Entered) -> bool:
    """What is known of both is the same."""
    both = (
        (label_alike(first.mother), label_alike(second.mother)),
        (first.birth_year, second.birth_year),
        (first.mark_number.casefold(), second.mark_number.casefold()),
    )
    return all(one == other for one, other in both if one and other)


def merges_of(viewer: Viewer) -> list[QueenMerge]:
    """The last ones that still stand, latest first; a member's own alone."""
    merges = QueenMerge.objects.filter(cooperative=viewer.cooperative, undone_at=None)
    if not can_merge_any(viewer):
        merges = merges.filter(Q(kept__owner__in=viewer.member_ids) & Q(merged_by=viewer.person))
    return list(merges.select_related("kept", "merged_by").order_by("-pk")[:MERGES_SHOWN])


def merged_into(viewer: Viewer, pk: int) -> int | None:
    """Where the card of a queen is now whose row went into another one."""
    merge = QueenMerge.objects.filter(cooperative=viewer.cooperative, other_id=pk, undone_at=None).first()
    return merge.kept_id if merge is not None else None


def ids_merged_into(queen: Queen) -> list[int]:
    """Rows that went into hers, those that had gone into them before among them."""
    return list(QueenMerge.objects.filter(kept=queen, undone_at=None).values_list("other_id", flat=True))
