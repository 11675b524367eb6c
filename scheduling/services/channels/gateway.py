"""Text messages, through the cooperative's own gateway. Short, with the local moment and its zone."""

from collections.abc import Iterable

from django.utils import timezone

from accounts.gateway import GatewayRefused
from accounts.languages import speaking_to
from accounts.models import Gateway, Person
from accounts.outgoing import Forbidden
from accounts.services.gateways import gateway_of, gateway_tell
from scheduling.models import Delivery
from scheduling.reminder_kinds import KINDS
from scheduling.services.channels.base import Refused
from scheduling.services.channels.message import when_words, zone_of_telling
from scheduling.services.telling_key import telling_key

MOST_LETTERS = 300  # two text messages


def send_text(delivery: Delivery) -> None:
    """Hand it over. Without an answer it is tried again under the same key, by which the gateway knows a repeat."""
    gateway = gateway_of(delivery.reminder.cooperative)
    if gateway is None or not gateway.is_on:
        raise Refused("The cooperative's gateway is switched off.")
    if not delivery.person.phone:
        raise Refused("There is no telephone number.")
    try:
        gateway_tell(
            gateway,
            key=telling_key(delivery),
            to=delivery.person.phone,
            text=text_of(delivery),
            is_urgent=KINDS[delivery.reminder.kind].critical,
            now=timezone.now(),
        )
    except (GatewayRefused, Forbidden) as error:
        raise Refused(str(error)) from error


def text_of(delivery: Delivery) -> str:
    """What it is and when. The same at every try."""
    with speaking_to(delivery.person, delivery.reminder.cooperative):
        when = when_words(delivery.reminder, zone_of_telling(delivery))
        text = f"{delivery.reminder.title}. {when}".strip()
    return text if len(text) <= MOST_LETTERS else text[: MOST_LETTERS - 1] + "…"


def with_phone(people: Iterable[Person], cooperative_id: int) -> set[int]:
    """Those with a number, of what a cooperative with a gateway tells: it is called for its own reminders alone."""
    numbers = {person.pk for person in people if person.phone.strip()}
    if not numbers or not Gateway.objects.filter(cooperative=cooperative_id, is_on=True).exists():
        return set()
    return numbers
