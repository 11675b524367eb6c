"""What a member has goes to another one: apiaries with their colonies and what is entered there, queens, the season.

What was done stays as it was done; only whose it is from now on changes.
"""

import datetime as dt

from django.conf import settings
from django.db import transaction
from django.utils.module_loading import import_string
from django.utils.translation import gettext as _

from accounts.models import Apiary, Cooperative, Member, Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from accounts.services.members import member_leave

NAME_LONGEST = 80


def member_leave_to(member: Member, *, left_on: dt.date, to: Member | None, by: Person, now: dt.datetime) -> Member:
    """The member leaves, and whoever takes over gets what it had: both or neither."""
    with transaction.atomic():
        if to is not None:
            member_hand_over(member, to=to, by=by, now=now)
        return member_leave(member, left_on=left_on, by=by, now=now)


def member_hand_over(member: Member, *, to: Member, by: Person, now: dt.datetime) -> dict[str, int]:
    """How much went over, by kind. Handing over twice is once: the second time there is nothing left."""
    if to.pk == member.pk or to.cooperative_id != member.cooperative_id or to.left_on is not None:
        raise Refusal(_("Choose another member that is still here."), field="to", rule="hand_over_to")
    with transaction.atomic():
        Cooperative.objects.select_for_update(of=("self",)).get(pk=member.cooperative_id)
        moved = {"apiaries": _apiaries_move(member, to)}
        moved |= import_string(settings.MEMBER_HANDED_OVER)(member, to=to, now=now)
        moved = {kind: number for kind, number in moved.items() if number}
        if moved:
            here = {"by": by, "now": now, "cooperative": member.cooperative}
            audit_record(member, action="member.hand_over", after={"to": to.name, **moved}, **here)  # type: ignore[arg-type]
            audit_record(to, action="member.take_over", after={"from": member.name, **moved}, **here)  # type: ignore[arg-type]
    return moved


def _apiaries_move(member: Member, to: Member) -> int:
    """A name that the other member has already gets the former owner's behind it."""
    taken = {name.casefold() for name in to.apiaries.values_list("name", flat=True)}
    apiaries = list(Apiary.objects.select_for_update(of=("self",)).filter(member=member).order_by("pk"))
    for apiary in apiaries:
        name, number = apiary.name, 1
        while apiary.name.casefold() in taken:
            ending = f" ({member.name[:30]})" if number == 1 else f" ({member.name[:30]} {number})"
            apiary.name, number = name[: NAME_LONGEST - len(ending)] + ending, number + 1
        taken.add(apiary.name.casefold())
        apiary.member = to
        apiary.save(update_fields=["member", "name"])
    return len(apiaries)
