"""Who is coordinator, breeder, bench operator."""

import datetime as dt
from collections.abc import Collection

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Cooperative, Person, Role, RoleGrant
from accounts.refusals import Refusal
from accounts.services.audit import audit_record


def role_grant(
    person: Person, *, role: str, cooperative: Cooperative, by: Person | None, now: dt.datetime
) -> RoleGrant:
    with transaction.atomic():
        Cooperative.objects.select_for_update(of=("self",)).get(pk=cooperative.pk)
        grant, made = RoleGrant.objects.get_or_create(
            person=person, cooperative=cooperative, role=Role(role), defaults={"granted_at": now}
        )
        if made:
            audit_record(
                person,
                action="role.grant",
                by=by,
                now=now,
                cooperative=cooperative,
                after=_words(role),
            )
    return grant


def role_withdraw(person: Person, *, role: str, cooperative: Cooperative, by: Person | None, now: dt.datetime) -> None:
    """Withdraw a role. A cooperative always keeps a coordinator who can sign in."""
    with transaction.atomic():
        Cooperative.objects.select_for_update(of=("self",)).get(pk=cooperative.pk)
        grant = RoleGrant.objects.filter(person=person, cooperative=cooperative, role=Role(role)).first()
        if grant is None:
            return
        if role == Role.COORDINATOR:
            refuse_last_coordinator(person, cooperative)
        grant.delete()
        audit_record(
            person,
            action="role.withdraw",
            by=by,
            now=now,
            cooperative=cooperative,
            before=_words(role),
        )


def roles_set(
    person: Person, *, roles: Collection[str], cooperative: Cooperative, by: Person | None, now: dt.datetime
) -> set[str]:
    """Exactly these roles from now on."""
    with transaction.atomic():
        held = set(RoleGrant.objects.filter(person=person, cooperative=cooperative).values_list("role", flat=True))
        for role in Role.values:
            if role in roles and role not in held:
                role_grant(person, role=role, cooperative=cooperative, by=by, now=now)
            elif role in held and role not in roles:
                role_withdraw(person, role=role, cooperative=cooperative, by=by, now=now)
    return set(roles)


def _words(role: str) -> dict[str, str]:
    return {"role": str(Role(role).label)}


def refuse_last_coordinator(person: Person, cooperative: Cooperative) -> None:
    others = RoleGrant.objects.filter(cooperative=cooperative, role=Role.COORDINATOR, person__is_active=True)
    if not others.exclude(person=person).exists():
        raise Refusal(
            _("%(person)s is the last coordinator of %(cooperative)s. Make somebody else coordinator first.")
            % {"person": person.name, "cooperative": cooperative.name},
            field="roles",
            rule="last_coordinator",
        )
