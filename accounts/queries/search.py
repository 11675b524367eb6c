"""Finding things by what is written on them: the parts that every app's search shares, and people."""

from dataclasses import dataclass
from typing import Any, TypeVar

from django.db.models import Case, F, IntegerField, Model, Q, QuerySet, Value, When
from django.db.models.expressions import Combinable
from django.db.models.functions import Lower

from accounts.access import Viewer, can_manage_people
from accounts.models import Member
from accounts.queries.people import members_seen_by, people_managed_by

MOST = 8  # of each kind; whoever has more writes more of the name
LONGEST = 60

Thing = TypeVar("Thing", bound=Model)


@dataclass(frozen=True)
class Hit:
    """One thing found: its number, what is written on it, what tells it from the others."""

    pk: int
    name: str
    about: str = ""
    exact: bool = False


@dataclass(frozen=True)
class Hits:
    """What was found of one kind, the best first; `more`: there are further ones."""

    kind: str
    hits: list[Hit]
    more: bool = False

    @property
    def exact(self) -> list[Hit]:
        return [hit for hit in self.hits if hit.exact]

    @property
    def others(self) -> list[Hit]:
        return [hit for hit in self.hits if not hit.exact]


def hits_of(kind: str, found: list[Hit]) -> Hits:
    """The first of one more than are shown."""
    return Hits(kind, found[:MOST], more=len(found) > MOST)


def is_exact(name: str, words: str) -> bool:
    return name.casefold() == words.casefold()


def best_first(
    things: QuerySet[Thing], words: str, written: str | Combinable, also: Q | None = None, *, most: int = MOST
) -> QuerySet[Thing]:
    """Things with `words` in what is written on them: the same words first, then those that begin so.

    For kinds of which a cooperative has hundreds. Both sides are lowered by the database, which knows its own letters.
    `also` : what counts as found without being written there.
    """
    low, asked = Lower(F(written) if isinstance(written, str) else written), Lower(Value(words))
    found = Q(low__contains=asked) if also is None else Q(low__contains=asked) | also
    rank: Any = Case(
        When(low=asked, then=0), When(low__startswith=asked, then=1), default=2, output_field=IntegerField()
    )
    ranked: QuerySet[Thing] = things.alias(low=low).filter(found).alias(rank=rank).order_by("rank", "low", "-pk")
    return ranked[: most + 1]


def found_members(viewer: Viewer, words: str) -> Hits:
    """Members whose page the viewer may open: the own ones; all, for the coordinator."""
    members = members_seen_by(viewer)
    if not can_manage_people(viewer):
        members = members.filter(pk__in=viewer.member_ids)
    return hits_of("member", [_member_hit(member, words) for member in best_first(members, words, "name")])


def found_people(viewer: Viewer, words: str) -> Hits:
    """By name or e-mail address; for whoever manages people."""
    people = best_first(people_managed_by(viewer), words, "name", Q(email__icontains=words))
    return hits_of("person", [Hit(one.pk, one.name, one.email, is_exact(one.name, words)) for one in people])


def _member_hit(member: Member, words: str) -> Hit:
    return Hit(member.pk, member.name, "", is_exact(member.name, words))
