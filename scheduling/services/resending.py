"""A message that did not get through is tried again because somebody says so."""

import datetime as dt

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from scheduling.models import Delivery, DeliveryState, ReminderState

RESENDABLE = [DeliveryState.DEAD, DeliveryState.IN_DOUBT, DeliveryState.RETRY]


def delivery_resend(delivery: Delivery, *, by: Person, now: dt.datetime) -> Delivery:
    """Try again from now, with all its tries; under the same id, so that a repeat can be told from a second message."""
    with transaction.atomic():
        row = (
            Delivery.objects.select_for_update(of=("self",)).select_related("reminder__cooperative").get(pk=delivery.pk)
        )
        if row.state == DeliveryState.PENDING:
            return row
        if row.state not in RESENDABLE:
            raise Refusal(_("This message is on its way or has arrived."), rule="resend_state")
        if row.reminder.state != ReminderState.WANTED or row.reminder.useful_until < now:
            raise Refusal(
                _("It is of no use any more: it was dealt with, moved, or its time is over."), rule="resend_late"
            )
        before = {"state": row.state, "problem": row.problem}
        row.state, row.attempts, row.next_try_at, row.problem = DeliveryState.PENDING, 0, now, ""
        row.save(update_fields=["state", "attempts", "next_try_at", "problem"])
        audit_record(
            row.reminder,
            action="reminder.resend",
            by=by,
            now=now,
            cooperative=row.reminder.cooperative,
            before=before,
            after={"state": row.state, "channel": row.channel, "to": row.person_id},
        )
    return row
