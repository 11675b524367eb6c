"""Every access decision, in one place. Views and queries ask here; nothing else decides.

Two ways of use: predicates (`can_…(viewer, thing)`) for one thing, and scopes (`…_seen_by(viewer)`)
in the queries for lists. Strangers get 404 (they do not learn that it exists), readers 403.
"""

from dataclasses import dataclass

from django.apps import apps
from django.core.exceptions import PermissionDenied
from django.db.models import QuerySet
from django.utils.functional import Promise

from accounts.models import Cooperative, Member, MemberPerson, Person, Role, RoleGrant
from accounts.queries.often import asked_often


@dataclass(frozen=True)
class Viewer:
    """The signed-in person in one cooperative, with what they are there."""

    person: Person
    cooperative: Cooperative
    roles: frozenset[str]
    member_ids: frozenset[int]

    @property
    def is_coordinator(self) -> bool:
        return Role.COORDINATOR in self.roles

    @property
    def is_breeder(self) -> bool:
        return Role.BREEDER in self.roles

    @property
    def is_operator(self) -> bool:
        return Role.OPERATOR in self.roles

    @property
    def is_member(self) -> bool:
        return bool(self.member_ids)


@asked_often
def _grants_of(person: int) -> QuerySet[RoleGrant, tuple[int, str]]:
    return RoleGrant.objects.filter(person=person).order_by().values_list("cooperative_id", "role")


@asked_often
def _memberships_of(person: int) -> QuerySet[MemberPerson, tuple[int, int]]:
    members = MemberPerson.objects.filter(person=person, member__left_on__isnull=True).order_by()
    return members.values_list("member__cooperative_id", "member_id")


def viewer_of(person: Person, cooperative_id: int | None = None, *, read: Cooperative | None = None) -> Viewer | None:
    """The person's view of a cooperative (of the first one they belong to, if none is named).

    read : a cooperative that need not be read again.
    """
    grants: list[tuple[int, str]] = _grants_of(person.pk)
    memberships: list[tuple[int, int]] = _memberships_of(person.pk)
    belongs_to = {cooperative for cooperative, _ in grants} | {cooperative for cooperative, _ in memberships}
    if not belongs_to:
        return None
    chosen = cooperative_id if cooperative_id in belongs_to else min(belongs_to)
    return Viewer(
        person=person,
        cooperative=read if read is not None and read.pk == chosen else Cooperative.objects.get(pk=chosen),
        roles=frozenset(role for cooperative, role in grants if cooperative == chosen),
        member_ids=frozenset(member for cooperative, member in memberships if cooperative == chosen),
    )


def can_act_for(viewer: Viewer, member: Member) -> bool:
    """May enter and change what belongs to this member: its own persons, and the coordinator."""
    return member.cooperative_id == viewer.cooperative.pk and (member.pk in viewer.member_ids or viewer.is_coordinator)


def can_manage_people(viewer: Viewer) -> bool:
    return viewer.is_coordinator


def can_found(person: Person | None) -> bool:
    """Found the first cooperative: whoever comes when nobody is here, or who looks after the installation."""
    if person is None:
        return not Person.objects.exists()
    return person.is_superuser and not Cooperative.objects.exists()


def can_see_whole_history(viewer: Viewer) -> bool:
    return viewer.is_coordinator


# How each kind of thing leads to the member it belongs to. Kinds of apps to the right are named, not imported.
MEMBER_OF_THING: dict[str, str] = {
    "accounts.member": "pk",
    "accounts.apiary": "member",
    "breeding.queen": "owner",
    "breeding.mating": "queen__owner",
    "breeding.colony": "apiary__member",
    "breeding.score": "colony__apiary__member",
    "scheduling.queenbatch": "member",
    "scheduling.batchqueen": "batch__member",
    "scheduling.booking": "member",
    "scheduling.dronesource": "member",
    "scheduling.dronecohort": "source__member",
    "scheduling.reminder": "member",
}


def can_see_history(viewer: Viewer, subject_type: str, subject_id: int) -> bool:
    """The history of one thing: the persons of the member it belongs to, of oneself, and the coordinator.

    The coordinator's rows are scoped to the cooperative by the query.
    """
    if can_see_whole_history(viewer) or (subject_type, subject_id) == ("accounts.person", viewer.person.pk):
        return True
    path = MEMBER_OF_THING.get(subject_type)
    if path is None:
        return False
    things = apps.get_model(subject_type)._default_manager
    return bool(things.filter(**{"pk": subject_id, f"{path}__in": viewer.member_ids}).exists())


def can_read_all_mail(viewer: Viewer) -> bool:
    """In a practice cooperative everybody is made up, so its coordinator reads everybody's mail."""
    return viewer.cooperative.is_practice and viewer.is_coordinator


def can_import(viewer: Viewer) -> bool:
    """Bring in tables: members their own things, breeders and the coordinator those of all members."""
    return viewer.is_member or can_import_for_all(viewer)


def can_import_for_all(viewer: Viewer) -> bool:
    return viewer.is_breeder or viewer.is_coordinator


def can_run_evaluation(viewer: Viewer) -> bool:
    return viewer.is_breeder or viewer.is_coordinator


def can_set_breeding(viewer: Viewer) -> bool:
    """What merit weighs and which variances evaluations use."""
    return viewer.is_breeder or viewer.is_coordinator


def can_plan_crosses(viewer: Viewer) -> bool:
    """Write down which crosses the cooperative wants; working them out is open to all its members."""
    return viewer.is_breeder or viewer.is_coordinator


def can_merge_any(viewer: Viewer) -> bool:
    """Make one of two rows of any queens of the cooperative that are the same queen."""
    return viewer.is_breeder or viewer.is_coordinator


def can_merge(viewer: Viewer, *owners: Member) -> bool:
    """The same of queens of these owners: everybody of their own."""
    return can_merge_any(viewer) or all(can_act_for(viewer, owner) for owner in owners)


def can_see_ranking(viewer: Viewer) -> bool:
    """The stock is the cooperative's common good: every member sees the ranking."""
    return True


def can_plan(viewer: Viewer) -> bool:
    return viewer.is_coordinator


def can_watch_reminders(viewer: Viewer) -> bool:
    """See what everybody is reminded of, whether it got through, and step in."""
    return viewer.is_coordinator


def can_work_bench(viewer: Viewer) -> bool:
    return viewer.is_operator or viewer.is_coordinator


def require(allowed: bool, text: str | Promise) -> None:
    """403 with a sentence for people, unless allowed."""
    if not allowed:
        raise PermissionDenied(str(text))
