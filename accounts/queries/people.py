"""Members, their persons and apiaries, as a viewer may see them."""

from collections.abc import Iterable
from dataclasses import dataclass

from django.db.models import F, Prefetch, Q, QuerySet

from accounts.access import Viewer, can_manage_people
from accounts.models import Apiary, Cooperative, Invitation, Member, MemberPerson, Person, Role, RoleGrant
from accounts.tables import Cell, Table

MEMBERS = ["member", "deputy", "left_on", "person", "email", "phone", "roles"]


def people_of(cooperative: Cooperative) -> QuerySet[Person]:
    """Everybody with a role in the cooperative or acting for one of its members."""
    return Person.objects.filter(
        Q(pk__in=RoleGrant.objects.filter(cooperative=cooperative).values("person"))
        | Q(pk__in=MemberPerson.objects.filter(member__cooperative=cooperative).values("person"))
    )


def people_managed_by(viewer: Viewer) -> QuerySet[Person]:
    return people_of(viewer.cooperative) if can_manage_people(viewer) else Person.objects.none()


def members_seen_by(viewer: Viewer) -> QuerySet[Member]:
    """Every member of the cooperative is known to its people; what stands on a member's page is its own."""
    return Member.objects.filter(cooperative=viewer.cooperative).select_related("cooperative", "deputy")


def members_acted_for_by(viewer: Viewer) -> QuerySet[Member]:
    """Members for which the viewer may enter something now."""
    members = members_seen_by(viewer).filter(left_on__isnull=True)
    return members if viewer.is_coordinator else members.filter(pk__in=viewer.member_ids)


def apiaries_seen_by(viewer: Viewer) -> QuerySet[Apiary]:
    """Apiaries with their place: one's own; all of the cooperative for the coordinator. Closed ones last."""
    apiaries = Apiary.objects.filter(member__cooperative=viewer.cooperative).select_related("member__cooperative")
    if not viewer.is_coordinator:
        apiaries = apiaries.filter(member__in=viewer.member_ids)
    return apiaries.order_by(F("closed_on").asc(nulls_first=True), "member__name", "name")


@dataclass(frozen=True)
class PersonRow:
    person: Person
    roles: list[str]


@dataclass(frozen=True)
class MemberRow:
    member: Member
    people: list[PersonRow]


def members_listed(cooperative: Cooperative) -> QuerySet[Member]:
    """Members by name, those who left last, each with its persons."""
    people = Prefetch("persons", Person.objects.order_by("name", "pk"))
    members = Member.objects.filter(cooperative=cooperative).select_related("deputy").prefetch_related(people)
    return members.order_by(F("left_on").asc(nulls_first=True), "name", "pk")


def member_rows(cooperative: Cooperative, members: Iterable[Member]) -> list[MemberRow]:
    """Members in their order, each with its persons and their roles."""
    roles = roles_by_person(cooperative)
    return [MemberRow(member, [_row(person, roles) for person in member.persons.all()]) for member in members]


def people_without_member(cooperative: Cooperative) -> list[PersonRow]:
    """Those who have a role and act for no member."""
    roles = roles_by_person(cooperative)
    with_member = MemberPerson.objects.filter(member__cooperative=cooperative).values("person")
    return [_row(person, roles) for person in Person.objects.filter(pk__in=roles).exclude(pk__in=with_member)]


def roles_by_person(cooperative: Cooperative) -> dict[int, list[str]]:
    """Words of the roles of each person, in the order of Role."""
    held: dict[int, set[str]] = {}
    for person, role in RoleGrant.objects.filter(cooperative=cooperative).values_list("person_id", "role"):
        held.setdefault(person, set()).add(role)
    return {person: [str(role.label) for role in Role if role in roles] for person, roles in held.items()}


def members_table(cooperative: Cooperative) -> Table:
    """A row for each person of each member, as the page lists them; then those who have a role alone."""
    grants = RoleGrant.objects.filter(cooperative=cooperative).values_list("person_id", "role").order_by("role")
    held: dict[int, list[str]] = {}
    for person_pk, role in grants:
        held.setdefault(person_pk, []).append(role)

    def cells(member: Member | None, person: Person | None) -> list[Cell]:
        own: list[Cell] = [None] * 3
        if member is not None:
            own = [member.name, member.deputy.name if member.deputy else None, member.left_on]
        if person is None:
            return [*own, *[None] * 4]
        return [*own, person.name, person.email, person.phone, " ".join(held.get(person.pk, []))]

    rows = []
    for row in member_rows(cooperative, members_listed(cooperative)):
        rows += [cells(row.member, entry.person) for entry in row.people] or [cells(row.member, None)]
    rows += [cells(None, entry.person) for entry in people_without_member(cooperative)]
    return Table("members", MEMBERS, rows)


def people_of_member(member: Member) -> list[PersonRow]:
    roles = roles_by_person(member.cooperative)
    return [_row(person, roles) for person in member.persons.order_by("name", "pk")]


def cooperatives_of(person: Person) -> QuerySet[Cooperative]:
    """The cooperatives somebody belongs to, by name."""
    return Cooperative.objects.filter(
        Q(pk__in=person.role_grants.values("cooperative"))
        | Q(pk__in=person.member_persons.filter(member__left_on__isnull=True).values("member__cooperative"))
    )


def invitations_open(viewer: Viewer) -> QuerySet[Invitation]:
    """Not taken up nor taken back yet; those that ran out are among them, to be sent again."""
    rows = Invitation.objects.filter(cooperative=viewer.cooperative, ended_at=None)
    return rows.select_related("member") if can_manage_people(viewer) else rows.none()


def members_left_alone_without(person: Person) -> list[Member]:
    """Members for which nobody else acts."""
    own = Member.objects.filter(persons=person, left_on__isnull=True).order_by("name")
    return [member for member in own if not member.persons.exclude(pk=person.pk).filter(is_active=True).exists()]


def _row(person: Person, roles: dict[int, list[str]]) -> PersonRow:
    return PersonRow(person, roles.get(person.pk, []))
