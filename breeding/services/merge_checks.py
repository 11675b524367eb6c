"""What stands against two rows being one queen, each in words with what to do. Reads alone: pages ask it too."""

import datetime as dt
from collections.abc import Callable, Iterator
from typing import Any

from django.db.models import Min, Q
from django.utils.formats import date_format
from django.utils.translation import gettext as _

from accounts.refusals import Refusal
from breeding.models import Heading, Mating, Queen, QueenStatus
from breeding.queries.ancestry import ancestors_of, parents_of, sources_of
from breeding.queries.references import CLASHES, DERIVED, WORDS, references
from breeding.services.matings import mating_facts
from breeding.services.rules import check_mating_day, check_older, check_source_age, local_day

SHOWN = 5
OPEN_END = dt.date.max


def merge_obstacles(kept: Queen, other: Queen, wanted: Queen, *, now: dt.datetime) -> list[Refusal]:
    """Everything that forbids it, `wanted` being the queen as she would be."""
    if kept.pk == other.pk or kept.cooperative_id != other.cooperative_id:
        return [Refusal(_("Choose two queens of one cooperative."), field="other", rule="merge_pair")]
    loops = list(_loops(kept, other, wanted))
    if loops:
        return loops  # the rest would speak of mothers that are their own daughters
    return [
        *_matings(kept, other),
        *_headings(kept, other, wanted),
        *_clashes(kept, other),
        *_ages(kept, other, wanted, now),
    ]


def matings_of(kept: Queen, other: Queen) -> dict[int, Mating]:
    return {mating.queen_id: mating for mating in Mating.objects.filter(queen__in=[kept.pk, other.pk])}


def mating_that_knows_more(first: Mating, second: Mating) -> Mating | None:
    """Of two that do not contradict each other the one that says all the other says; None where they do."""
    one, two = (
        {name: value for name, value in mating_facts(m).items() if value not in (None, "", [])} for m in (first, second)
    )
    if two.items() <= one.items():
        return first
    return second if one.items() <= two.items() else None


def _matings(kept: Queen, other: Queen) -> Iterator[Refusal]:
    found = matings_of(kept, other)
    if len(found) == 2 and mating_that_knows_more(found[kept.pk], found[other.pk]) is None:
        yield Refusal(
            _(
                "%(kept)s and %(other)s have matings that say different things. Correct one of the two, so that it "
                "says what the other says, or take the wrong one back."
            )
            % {"kept": kept.label, "other": other.label},
            rule="merge_matings",
        )


def _headings(kept: Queen, other: Queen, wanted: Queen) -> Iterator[Refusal]:
    spans = list(Heading.objects.filter(queen__in=[kept.pk, other.pk]).select_related("colony__apiary"))
    for mine in (span for span in spans if span.queen_id == kept.pk):
        for hers in (span for span in spans if span.queen_id == other.pk and span.colony_id != mine.colony_id):
            first, last = max(mine.since, hers.since), min(mine.until or OPEN_END, hers.until or OPEN_END)
            if first < last or (first == last == OPEN_END):
                yield Refusal(
                    _(
                        "On %(day)s she would head two colonies, %(first)s and %(second)s. Say in one of them when "
                        "she left it."
                    )
                    % {"day": date_format(first, "DATE_FORMAT"), "first": mine.colony, "second": hers.colony},
                    rule="merge_two_colonies",
                )
    now_at = next((span.colony for span in spans if span.until is None), None)
    if wanted.status == QueenStatus.GONE and now_at is not None:
        yield Refusal(
            _("She heads %(colony)s now. Choose that she lives, or say there when she left it.") % {"colony": now_at},
            field="status",
            rule="merge_gone",
        )


def _clashes(kept: Queen, other: Queen) -> Iterator[Refusal]:
    for reference in references():
        if reference.key not in WORDS:
            yield Refusal(
                _("Rows of this kind cannot be moved: %(kind)s.") % {"kind": reference.key}, rule="merge_unknown"
            )
        if reference.key in DERIVED or reference.key in {"breeding.mating.queen", "breeding.heading.queen"}:
            continue
        rows = reference.clashing(kept.pk, other.pk)
        if rows:
            things = ", ".join(str(row) for row in rows[:SHOWN])
            text = CLASHES.get(reference.key) or _("Both have what can be there once only: %(things)s.")
            yield Refusal(str(text) % {"things": things}, rule="merge_clash")


def _ages(kept: Queen, other: Queen, wanted: Queen, now: dt.datetime) -> Iterator[Refusal]:
    """The rules that each correction is held to, by everything that hangs on either row."""
    label, emerged, year = wanted.label, wanted.emerged_on, wanted.birth_year
    both = [kept.pk, other.pk]
    mother = wanted.mother
    if mother is not None:
        yield from _refused(lambda: check_older(mother.label, mother.emerged_on, mother.birth_year, emerged, year))
    for daughter in Queen.objects.filter(mother__in=both).only("label", "emerged_on", "birth_year")[: SHOWN * 100]:
        hers = (daughter.emerged_on, daughter.birth_year)
        refused = list(_refused(lambda hers=hers: check_older(label, emerged, year, *hers)))  # type: ignore[misc]
        if refused:
            yield Refusal(
                _(
                    "Her daughter %(daughter)s would be older than she. Choose the other day of emergence, or "
                    "correct it."
                )
                % {"daughter": daughter.label},
                field="emerged",
                rule="mother_older",
            )
            break
    today = local_day(now, kept.cooperative)
    for mating in matings_of(kept, other).values():
        yield from _refused(lambda on=mating.mated_on: check_mating_day(on, emerged, year, today=today))  # type: ignore[misc]
    used = Q(shares__drone_queen__in=both) | Q(shared_batch__shares__drone_queen__in=both) | Q(station_mother__in=both)
    earliest = Mating.objects.filter(used).aggregate(day=Min("mated_on"))["day"]
    yield from _refused(lambda: check_source_age(label, year, earliest, field="emerged"))
    if wanted.gone_on is not None and emerged is not None and wanted.gone_on < emerged:
        yield Refusal(
            _("She would be gone before she emerged. Choose the other day of emergence, or correct it."),
            field="emerged",
            rule="dates_in_order",
        )


def _refused(check: Callable[[], Any]) -> Iterator[Refusal]:
    try:
        check()
    except Refusal as refusal:
        yield refusal


def _loops(kept: Queen, other: Queen, wanted: Queen) -> Iterator[Refusal]:
    """Nobody descends from herself, and nobody's drones flew before she was there."""
    names = {"kept": kept.label, "other": other.label}
    for one, two in ((kept, other), (other, kept)):
        if one.pk in ancestors_of([two.pk]) - {two.pk}:
            text = _(
                "%(two)s descends from %(one)s: they cannot be one queen. Correct a mother or a drone source first."
            )
            yield Refusal(text % {"one": one.label, "two": two.label}, rule="loop")
            return
    both = {kept.pk, other.pk}
    carried = {pk for sources in sources_of(both).values() for pk in sources} - both
    behind = _behind(carried, both)
    if behind & both:
        text = _(
            "%(kept)s would carry semen of drones that descend from %(other)s. Correct the mating or the mother that "
            "is wrong first."
        )
        yield Refusal(text % names, rule="loop")
        return
    above = _behind(({wanted.mother_id} if wanted.mother_id else set()) | set(_mates(wanted.mother_id)), both)
    given_to = Mating.objects.filter(
        Q(shares__drone_queen__in=both) | Q(shared_batch__shares__drone_queen__in=both) | Q(station_mother__in=both)
    )
    before = given_to.filter(queen__in=above - both).select_related("queen").first() if above else None
    if above & both or before is not None:
        text = _("%(kept)s would be among her own ancestors. Correct a mother or a drone source first.")
        yield Refusal(text % names, rule="loop")


def _mates(mother_id: int | None) -> set[int]:
    return sources_of([mother_id]).get(mother_id, set()) if mother_id else set()


def _behind(start: set[int], both: set[int]) -> set[int]:
    """These and everybody they descend from, where a daughter of either of `both` has the mates of both of them."""
    mates = {pk for sources in sources_of(both).values() for pk in sources}
    seen, open_ = set(start), set(start)
    while open_:
        found: set[int] = set()
        for parents in parents_of(open_ - both).values():
            found |= parents | (mates if parents & both else set())
        open_ = found - seen
        seen |= open_
    return seen
