"""The practice cooperative: how to sign in to it. Its people are made up, so its password is no secret."""

from typing import NamedTuple

from accounts.models import Cooperative, MemberPerson, Person, Role, RoleGrant

PRACTICE_PASSWORD = "drones before noon"  # noqa: S105 - printed at each start


class SignIn(NamedTuple):
    role: str
    email: str


def practice_sign_ins() -> list[SignIn]:
    """One person per role of the practice cooperative; none when there is no such cooperative."""
    cooperative = Cooperative.objects.filter(is_practice=True).first()
    if cooperative is None:
        return []
    found = {"Member": _member_only(cooperative)}
    found |= {str(role.label): _with_role(cooperative, role) for role in Role}
    return [SignIn(role, person.email) for role, person in found.items() if person is not None]


def _with_role(cooperative: Cooperative, role: Role) -> Person | None:
    """Preferably somebody with this role alone, so that the role can be seen by itself."""
    grants = RoleGrant.objects.filter(cooperative=cooperative, person__is_active=True).select_related("person")
    roles: dict[Person, set[str]] = {}
    for grant in grants.order_by("person_id"):
        roles.setdefault(grant.person, set()).add(grant.role)
    holders = [person for person, held in roles.items() if role in held]
    return min(holders, key=lambda person: (len(roles[person]), person.pk), default=None)


def _member_only(cooperative: Cooperative) -> Person | None:
    row = (
        MemberPerson.objects.filter(member__cooperative=cooperative, person__is_active=True)
        .exclude(person__role_grants__cooperative=cooperative)
        .select_related("person")
        .order_by("pk")
        .first()
    )
    return row.person if row else None
