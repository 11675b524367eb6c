"""Queens and colonies by what is written on them."""

from django.db.models import QuerySet, Value
from django.db.models.functions import Concat, Lower
from django.utils.translation import gettext as _

from accounts.access import Viewer
from accounts.queries.search import MOST, Hit, Hits, best_first, hits_of, is_exact
from breeding.models import Colony, Queen, QueenStatus
from breeding.queries.stock import colonies_seen_by, queens_seen_by


def found_queens(viewer: Viewer, words: str) -> Hits:
    """The queen of that label, then labels that begin so, then those that contain it; by two queries.

    A cooperative has tens of thousands of queens. The first query walks the index of labels from `words` on; the
    second, in the order of the same index, ends at the last one that is shown.
    """
    first = [queen for queen in walk(viewer, words) if queen.label.lower().startswith(words.lower())]
    if len(first) <= MOST:
        known = {queen.pk for queen in first}
        first += [queen for queen in within(viewer, words) if queen.pk not in known]
    return hits_of("queen", [_queen_hit(queen, words) for queen in first[: MOST + 1]])


def walk(viewer: Viewer, words: str) -> QuerySet[Queen]:
    """Labels from `words` on, in the order of the alphabet of the database."""
    queens = _told_apart(viewer).alias(low=Lower("label"))
    return queens.filter(low__gte=Lower(Value(words))).order_by("low")[: MOST + 1]


def within(viewer: Viewer, words: str) -> QuerySet[Queen]:
    """Labels that contain `words`: as many as may be shown beside those that begin with it."""
    queens = _told_apart(viewer).alias(low=Lower("label"))
    return queens.filter(low__contains=Lower(Value(words))).order_by("low")[: 2 * MOST + 1]


def found_colonies(viewer: Viewer, words: str) -> Hits:
    """By apiary and number, as they stand on the card: “Orchard 7”, “7”, “Orchard”."""
    colonies = colonies_seen_by(viewer).select_related("apiary__member")
    found = best_first(colonies, words, Concat("apiary__name", Value(" "), "name"))
    return hits_of("colony", [_colony_hit(colony, words) for colony in found])


def _told_apart(viewer: Viewer) -> QuerySet[Queen]:
    queens = queens_seen_by(viewer).select_related("owner", "line")
    return queens.only("label", "status", "birth_year", "owner__name", "line__name")


def _queen_hit(queen: Queen, words: str) -> Hit:
    parts = [
        queen.line.name if queen.line else "",
        str(queen.birth_year or ""),
        queen.owner.name,
        _("gone") if queen.status == QueenStatus.GONE else "",
    ]
    return Hit(queen.pk, queen.label, " · ".join(filter(None, parts)), is_exact(queen.label, words))


def _colony_hit(colony: Colony, words: str) -> Hit:
    parts = [colony.apiary.member.name, _("ended") if colony.ended_on else ""]
    name = str(colony)
    return Hit(colony.pk, name, " · ".join(filter(None, parts)), is_exact(name, words))
