"""Web push: to every device of a person that takes messages. It says that something is due, not what, whose or when."""

import datetime as dt
from collections.abc import Iterable

from django.urls import reverse
from django.utils import timezone
from django.utils.crypto import salted_hmac
from django.utils.translation import gettext as _

from accounts.languages import speaking_to
from accounts.models import Person, PushDevice
from accounts.outgoing import Forbidden
from accounts.push import TOPIC_LETTERS, PushGone, PushRefused, base64url
from accounts.services.devices import device_tell, devices_live
from scheduling.models import Delivery, Reminder
from scheduling.planning.timing import elapsed_hours
from scheduling.reminder_kinds import KINDS
from scheduling.services.channels.base import Refused

SECONDS_PER_HOUR = 3600


def send_push(delivery: Delivery) -> None:
    """Tell every device. One that took it is enough; a repeat takes the place of what came before."""
    now = timezone.now()
    reminder = delivery.reminder
    is_urgent = KINDS[reminder.kind].critical
    topic = topic_of(reminder)
    with speaking_to(delivery.person, reminder.cooperative):
        body = _("Something is due.")
    words = {"title": "Broodtide", "body": body, "tag": topic, "url": reverse("scheduling:reminders")}
    if is_urgent:
        words["again"] = "1"
    troubles: list[Exception] = []
    taken = 0
    for device in PushDevice.objects.filter(person=delivery.person, ended_at=None):
        try:
            device_tell(device, words=words, topic=topic, ttl_seconds=_ttl(reminder, now), is_urgent=is_urgent, now=now)
            taken += 1
        except (PushGone, PushRefused, Forbidden, OSError) as error:
            troubles.append(error)
    if not taken:
        raise _whole(troubles)


def with_device(people: Iterable[Person], _cooperative_id: int) -> set[int]:
    return devices_live(list(people))


def topic_of(reminder: Reminder) -> str:
    """One name for one thing to do, whenever it is told; nobody but us can read from it what it is."""
    key = f"{reminder.subject_type}/{reminder.subject_id}/{reminder.kind}/{reminder.stage}"
    return base64url(salted_hmac("scheduling.push_topic", key, algorithm="sha256").digest())[:TOPIC_LETTERS]


def _ttl(reminder: Reminder, now: dt.datetime) -> int:
    return int(elapsed_hours(now, reminder.useful_until) * SECONDS_PER_HOUR)


def _whole(troubles: list[Exception]) -> Exception:
    """What came of all devices together: worth another try if any is. A repeat replaces, so nothing is in doubt."""
    for trouble in troubles:
        if isinstance(trouble, OSError):
            return OSError(str(trouble))
    words = "; ".join(str(trouble) for trouble in troubles)
    return Refused(words or _("No device of this person takes messages."))
