"""One tap in a message, without signing in: a signed link that names one telling and what is to be done with it.

The link is the key: it acts as the person of that telling, on that reminder alone. It is the same however often the
message is tried, and following it changes nothing; the page behind it does, by its button.
"""

import datetime as dt
from dataclasses import dataclass
from enum import StrEnum

from django.conf import settings
from django.core import signing
from django.db import transaction
from django.db.models import Q
from django.urls import reverse
from django.utils.translation import gettext as _

from accounts.models import Channel, Member, NotificationWish, Role, RoleGrant
from accounts.refusals import Refusal
from accounts.services.wishes import wishes_set
from scheduling.models import Delivery, Reminder, ReminderState
from scheduling.planning.timing import elapsed_after
from scheduling.reminder_kinds import KINDS, SUMMARY
from scheduling.services.reminder_rows import reminder_acknowledge, reminder_done, reminder_put_off, reminder_take_back
from scheduling.services.telling_key import telling_key

SALT = "scheduling.one_tap"
PUT_OFF_HOURS = 2
KEPT_HOURS = 30 * 24  # after its use is over a link still says what became of it


class Act(StrEnum):
    DONE = "done"
    PUT_OFF = "put-off"
    SEEN = "seen"
    UNDO = "undo"
    STOP = "stop"
    RESUME = "resume"


@dataclass(frozen=True)
class Tap:
    """What a link says. `reminder` : as it now stands, where somebody put it off meanwhile."""

    act: Act
    delivery: Delivery
    reminder: Reminder
    is_old: bool
    is_allowed: bool

    @property
    def is_settled(self) -> bool:
        """Nothing is left for this button to do."""
        if self.act in (Act.STOP, Act.RESUME):
            return mail_is_wanted(self.delivery) == (self.act == Act.RESUME)
        open_states = [ReminderState.WANTED, ReminderState.EXPIRED]
        if self.act == Act.UNDO:
            return self.reminder.state in open_states and self.reminder.acknowledged_at is None
        if self.act == Act.SEEN and self.reminder.acknowledged_at is not None:
            return True
        put_off = self.act == Act.PUT_OFF and self.reminder.pk != self.delivery.reminder_id
        return put_off or self.reminder.state not in open_states


def acts_of(reminder: Reminder) -> list[Act]:
    """The buttons of a message about it."""
    if reminder.kind == SUMMARY:
        return []
    if KINDS[reminder.kind].is_news:
        return [Act.DONE]
    return [Act.DONE, Act.PUT_OFF, *([Act.SEEN] if KINDS[reminder.kind].passes_on else [])]


def tap_token(delivery: Delivery, act: Act) -> str:
    """Names what was told besides the row: after a restore the same number may be another's."""
    return _signer().sign(f"{delivery.pk}.{telling_key(delivery)}.{act}")


def tap_url(delivery: Delivery, act: Act) -> str:
    name = "mail_stop" if act == Act.STOP else "one_tap"
    return settings.SITE_URL.rstrip("/") + reverse(f"scheduling:{name}", args=[tap_token(delivery, act)])


def tap_read(token: str, *, now: dt.datetime) -> Tap | None:
    """What a link says, or None when it is not one of ours (or what it was about is gone)."""
    try:
        number, key, named = _signer().unsign(token).split(".")
        pk, act = int(number), Act(named)
    except (signing.BadSignature, ValueError):
        return None
    rows = Delivery.objects.select_related("reminder__cooperative", "reminder__member", "person")
    delivery = rows.filter(pk=pk).first()
    if delivery is None or telling_key(delivery) != key:
        return None
    reminder = _as_it_stands(delivery.reminder)
    is_old = now > elapsed_after(reminder.useful_until, KEPT_HOURS)
    return Tap(act, delivery, reminder, is_old=is_old, is_allowed=_may_act(delivery))


def tap_do(tap: Tap, *, now: dt.datetime) -> None:
    """Do what the button says, as the person who was told. Twice is once."""
    if tap.is_old or not tap.is_allowed:
        raise Refusal(_("This link does not work any more. Sign in to go on."), rule="tap_ended")
    person = tap.delivery.person
    if tap.act == Act.DONE:
        reminder_done(tap.reminder, by=person, now=now)
    elif tap.act == Act.PUT_OFF:
        _put_off_once(tap, now=now)
    elif tap.act == Act.SEEN:
        reminder_acknowledge(tap.reminder, by=person, now=now)
    elif tap.act == Act.UNDO:
        reminder_take_back(tap.reminder, by=person, now=now)
    else:
        wishes_set(
            person,
            wanted={(tap.reminder.kind, Channel.MAIL): tap.act == Act.RESUME},
            cooperative=tap.reminder.cooperative,
            by=person,
            now=now,
        )


def mail_is_wanted(delivery: Delivery) -> bool:
    unwanted = NotificationWish.objects.filter(
        person=delivery.person_id, kind=delivery.reminder.kind, channel=Channel.MAIL, wanted=False
    )
    return not unwanted.exists()


def _put_off_once(tap: Tap, *, now: dt.datetime) -> None:
    """The same button pressed twice, or in two windows, puts off once."""
    with transaction.atomic():
        told = Reminder.objects.select_for_update(of=("self",)).get(pk=tap.delivery.reminder_id)
        if told.state != ReminderState.PUT_OFF:
            reminder_put_off(told, until=elapsed_after(now, PUT_OFF_HOURS), by=tap.delivery.person, now=now)


def _as_it_stands(reminder: Reminder) -> Reminder:
    """Follow what was put off; what moved stays as it was, so that nobody ends the new date unseen."""
    while reminder.state == ReminderState.PUT_OFF and reminder.replaced_by_id is not None:
        reminder = Reminder.objects.select_related("cooperative", "member", "ended_by").get(pk=reminder.replaced_by_id)
    return reminder


def _may_act(delivery: Delivery) -> bool:
    """Still one of those who may be told of it: of its own, the deputy, a coordinator."""
    reminder, person = delivery.reminder, delivery.person
    if not person.is_active:
        return False
    coordinators = RoleGrant.objects.filter(person=person, cooperative=reminder.cooperative_id, role=Role.COORDINATOR)
    if reminder.person_id == person.pk or coordinators.exists():
        return True
    if reminder.member_id is None:
        return False
    acting = Q(persons=person) | Q(deputy=person)
    return Member.objects.filter(acting, pk=reminder.member_id, left_on__isnull=True).exists()


def _signer() -> signing.Signer:
    return signing.Signer(salt=SALT, sep=".")
