"""Telling whoever set a webhook up that it was switched off (`settings.WEBHOOK_OFF`), in the same transaction."""

import datetime as dt

from django.urls import reverse

from accounts.models import Role, Webhook
from accounts.told import told as _
from scheduling.reminder_kinds import WEBHOOK_OFF
from scheduling.services.reminder_rows import Wanted, reminders_set
from scheduling.services.store_reminders import people_with_role


def webhook_switched_off(webhook: Webhook, *, now: dt.datetime) -> None:
    """Its owner; where they are a coordinator no more, those who are."""
    coordinators = list(people_with_role(webhook.cooperative, Role.COORDINATOR))
    owners = [person for person in coordinators if person == webhook.made_by] or coordinators
    wanted = [
        Wanted(
            kind=WEBHOOK_OFF,
            stage=f"p{person.pk}",
            person=person,
            due_at=now,
            title=_("%(name)s is told nothing any more") % {"name": webhook.name},
            why=_("No call got through for days, or its address is gone. Mend the other side, then switch it on."),
            link=reverse("accounts:webhook", args=[webhook.pk]),
        )
        for person in owners
    ]
    reminders_set(webhook, wanted, cooperative=webhook.cooperative, kinds=[WEBHOOK_OFF], now=now)
