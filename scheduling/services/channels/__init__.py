"""The ways out of the app. Delivery knows them by these two tables alone."""

from collections.abc import Callable, Iterable

from accounts.models import Channel, Cooperative, Person
from scheduling.services.channels.base import InDoubt, OneByOne, Provider, Refused
from scheduling.services.channels.gateway import send_text, with_phone
from scheduling.services.channels.mail import MailProvider, with_address
from scheduling.services.channels.push import send_push, with_device

PROVIDERS: dict[str, Callable[[], Provider]] = {
    Channel.MAIL: MailProvider,
    Channel.PUSH: lambda: OneByOne(send_push),
    Channel.GATEWAY: lambda: OneByOne(send_text),
}
REACH: dict[str, Callable[[list[Person], int], set[int]]] = {
    Channel.MAIL: with_address,
    Channel.PUSH: with_device,
    Channel.GATEWAY: with_phone,
}


def reachable_by(people: Iterable[Person], cooperative_id: int) -> dict[str, set[int]]:
    """Return, for each channel, who of these people (by number) can be reached by it at all, in this cooperative."""
    known = list(people)
    return {channel: reach(known, cooperative_id) for channel, reach in REACH.items()}


def ways_of(person: Person, cooperative: Cooperative) -> list[str]:
    """The channels by which one person can be reached at all in this cooperative, in their order."""
    found = reachable_by([person], cooperative.pk)
    return [channel for channel in Channel.values if person.pk in found.get(channel, set())]


__all__ = ["PROVIDERS", "InDoubt", "OneByOne", "Provider", "Refused", "reachable_by", "ways_of"]
