"""Browsers that take messages for a person: taken up, switched off, tried out."""

import datetime as dt

from django.conf import settings
from django.db import transaction
from django.db.models import QuerySet
from django.urls import reverse
from django.utils.translation import gettext as _

from accounts.models import Cooperative, Person, PushDevice
from accounts.outgoing import Forbidden, target_of
from accounts.push import PushGone, PushRefused, checked_keys, is_set_up, push_send
from accounts.refusals import Refusal
from accounts.services.audit import audit_record

MOST_DEVICES = 10
TEST_SECONDS = 60


def device_add(
    person: Person,
    *,
    endpoint: str,
    p256dh: str,
    auth: str,
    name: str,
    cooperative: Cooperative | None,
    now: dt.datetime,
) -> PushDevice:
    """Take messages on this browser from now on. The same browser again is the same device, now this person's."""
    if not is_set_up():
        raise Refusal(_("This installation sends no messages to devices. Its keeper can set it up."), rule="push_off")
    try:
        target_of(endpoint)
    except Forbidden as error:
        raise Refusal(str(error), rule="push_endpoint") from None
    if len(endpoint) > 1000 or not checked_keys(p256dh, auth):
        raise Refusal(_("This browser gave an address that is of no use. Try again, or use another."), rule="push_keys")
    with transaction.atomic():
        Person.objects.select_for_update(of=("self",)).get(pk=person.pk)
        known = PushDevice.objects.filter(endpoint=endpoint).first()
        is_new = known is None or known.person_id != person.pk or known.ended_at is not None
        device = known or PushDevice(endpoint=endpoint)
        device.person, device.p256dh, device.auth, device.name = (
            person,
            p256dh,
            auth,
            name.strip()[:80] or _("A device"),
        )
        device.ended_at = None
        device.made_at = now if is_new else device.made_at
        device.save()
        for extra in _live(person).order_by("-made_at", "-pk")[MOST_DEVICES:]:
            _end(extra, now=now)
        if is_new:
            _record(device, "device.add", by=person, cooperative=cooperative, now=now)
    return device


def device_end(device: PushDevice, *, by: Person | None, cooperative: Cooperative | None, now: dt.datetime) -> None:
    """No more messages there. Twice is once."""
    with transaction.atomic():
        row = PushDevice.objects.select_for_update(of=("self",)).get(pk=device.pk)
        if row.ended_at is None:
            _end(row, now=now)
            _record(row, "device.end", by=by, cooperative=cooperative, now=now)


def device_tell(
    device: PushDevice, *, words: dict[str, str], topic: str, ttl_seconds: int, is_urgent: bool, now: dt.datetime
) -> None:
    """Send one message to one device. A device that its push service knows no more is ended; raises as `push_send`."""
    try:
        push_send(device, words=words, topic=topic, ttl_seconds=ttl_seconds, is_urgent=is_urgent, now=now)
    except PushGone:
        device_end(device, by=None, cooperative=None, now=now)
        raise
    PushDevice.objects.filter(pk=device.pk).update(last_sent_at=now)


def device_test(device: PushDevice, *, now: dt.datetime) -> None:
    """A message that only says that messages come."""
    words = {
        "title": "Broodtide",
        "body": _("Messages come to this device."),
        "tag": "test",
        "url": reverse("accounts:devices"),
    }
    try:
        device_tell(device, words=words, topic="test", ttl_seconds=TEST_SECONDS, is_urgent=True, now=now)
    except PushGone:
        raise Refusal(_("This device takes no more messages. Switch them on there anew."), rule="push_gone") from None
    except (PushRefused, Forbidden, OSError) as error:
        raise Refusal(
            _("The message could not be sent: %(problem)s") % {"problem": error}, rule="push_failed"
        ) from error


def devices_live(people: list[Person]) -> set[int]:
    """The people (by number) who have a device that takes messages."""
    if not settings.PUSH_KEY:
        return set()
    return set(PushDevice.objects.filter(person__in=people, ended_at=None).values_list("person_id", flat=True))


def _live(person: Person) -> QuerySet[PushDevice]:
    return PushDevice.objects.filter(person=person, ended_at=None)


def _end(device: PushDevice, *, now: dt.datetime) -> None:
    device.ended_at = now
    device.save(update_fields=["ended_at"])


def _record(
    device: PushDevice, action: str, *, by: Person | None, cooperative: Cooperative | None, now: dt.datetime
) -> None:
    audit_record(device.person, action=action, by=by, now=now, cooperative=cooperative, after={"device": device.name})
