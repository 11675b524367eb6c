"""Queens that may have been entered twice: the same label but for its spelling, and nothing that says otherwise."""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

from django.db.models import Count, Q, QuerySet
from django.db.models.functions import Lower

from accounts.access import Viewer, can_merge_any
from breeding.labels import label_alike
from breeding.models import Queen, QueenMerge, QueensApart
from breeding.queries.stock import queens_seen_by

MOST_ALIKE = 6  # of one label: more than that is a way of numbering, not a slip
MERGES_SHOWN = 20
PAIRS_SHOWN = 25
GROUPS_AT_ONCE = 50
MARKS_AT_ONCE = 500


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


@dataclass(frozen=True)
class Pairs:
    """Some pairs, and where the next ones begin (None after the last)."""

    pairs: list[Pair]
    next: str | None


def duplicate_pairs(viewer: Viewer, *, after: str = "") -> Pairs:
    """Pairs that the viewer may make one, by label: at least PAIRS_SHOWN of those after `after`, if there are as many.

    Labels are compared in the database, a part of them at a time. Marks follow on the last label.
    """
    queens = queens_seen_by(viewer)
    apart = _apart_of(viewer)
    if not can_merge_any(viewer):
        own = queens.filter(owner__in=viewer.member_ids)  # one's own are few
        return Pairs(_told_of(_entered(own), apart), None)
    found: list[Pair] = []
    while True:
        groups = _alike_groups(queens, after)
        more = len(groups) > GROUPS_AT_ONCE
        groups = groups[:GROUPS_AT_ONCE]
        daughters = Q(mother__alike__in=groups, birth_year__isnull=False) & ~Q(mark_number="")
        found += _told_of(_entered(queens.filter(alike__in=groups)) + _entered(queens.filter(daughters)), apart)
        if not more:
            known = {(pair.first.pk, pair.second.pk) for pair in found}
            marked = _told_of(_entered(_marked_alike(queens)), apart)
            found += [pair for pair in marked if (pair.first.pk, pair.second.pk) not in known]
            return Pairs(sorted(found, key=_by_label), None)
        after = groups[-1]
        if len(found) >= PAIRS_SHOWN:
            return Pairs(found, after)


def _alike_groups(queens: QuerySet[Queen], after: str) -> list[str]:
    """What several labels have in common, from `after` on: one more than are looked at."""
    groups = queens.filter(alike__gt=after) if after else queens.filter(alike__isnull=False)
    several = groups.order_by("alike").values("alike").annotate(number=Count("pk"))
    found = several.filter(number__gt=1, number__lte=MOST_ALIKE).values_list("alike", flat=True)
    return [alike or "" for alike in found[: GROUPS_AT_ONCE + 1]]


def _marked_alike(queens: QuerySet[Queen]) -> QuerySet[Queen]:
    """Marked daughters of mothers of whom several daughters have one year and one number on the disc."""
    marked = queens.filter(~Q(mark_number=""), birth_year__isnull=False)
    low = marked.order_by().annotate(low=Lower("mark_number")).values("birth_year", "mother", "low")
    several = low.annotate(number=Count("pk")).filter(number__gt=1, number__lte=MOST_ALIKE)
    mothers = {mother for _year, mother in several.values_list("birth_year", "mother")[:MARKS_AT_ONCE]}
    return marked.filter(mother__in=mothers - {None})


def _entered(queens: QuerySet[Queen]) -> list[Entered]:
    columns = ("pk", "label", "mother__label", "birth_year", "mark_number", "owner_id")
    return [Entered(pk, label, mother or "", *rest) for pk, label, mother, *rest in queens.values_list(*columns)]


def _told_of(rows: list[Entered], told_apart: QuerySet[QueensApart]) -> list[Pair]:
    once = list({row.pk: row for row in rows}.values())
    found = [(first.pk, second.pk) for first, second in _pairs(once)]
    apart = set(
        told_apart.filter(lower_id__in={pk for pk, _other in found}).values_list("lower_id", "higher_id")
        if found
        else ()
    )
    pairs = _read([pair for pair in found if pair not in apart])
    return sorted(pairs, key=_by_label)


def _by_label(pair: Pair) -> tuple[str, int, int]:
    return label_alike(pair.first.label), pair.first.pk, pair.second.pk


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
