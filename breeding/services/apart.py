"""Two queens that look like one row entered twice, and are two: said once, so that nobody is asked again."""

import datetime as dt

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from breeding.models import Queen, QueensApart


def queens_tell_apart(first: Queen, second: Queen, *, by: Person | None, now: dt.datetime) -> QueensApart:
    """Said twice is said once. They may still be made one: whoever does that has looked again."""
    if first.pk == second.pk or first.cooperative_id != second.cooperative_id:
        raise Refusal(_("Choose two queens of one cooperative."), field="other", rule="merge_pair")
    lower, higher = sorted([first.pk, second.pk])
    with transaction.atomic():
        row, is_new = QueensApart.objects.get_or_create(
            lower_id=lower,
            higher_id=higher,
            defaults={"cooperative": first.cooperative, "said_at": now, "said_by": by},
        )
        if is_new:
            after = {"other": second.label}
            audit_record(first, action="queen.apart", by=by, now=now, cooperative=first.cooperative, after=after)
    return row


def queens_apart_withdraw(first: Queen, second: Queen, *, by: Person | None, now: dt.datetime) -> None:
    """They may be one queen after all: the pair is asked about again. Twice is once."""
    lower, higher = sorted([first.pk, second.pk])
    with transaction.atomic():
        gone, _what = QueensApart.objects.filter(lower_id=lower, higher_id=higher).delete()
        if gone:
            before = {"other": second.label}
            audit_record(first, action="queen.apart_undo", by=by, now=now, cooperative=first.cooperative, before=before)
