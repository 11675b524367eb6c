"""What a way out of the app promises to delivery: hand rows over, and say of each what came of it."""

from collections.abc import Callable, Sequence
from typing import Protocol

from scheduling.models import Delivery


class InDoubt(Exception):  # noqa: N818 - an answer, not a fault of ours
    """The other side may have taken it: the connection broke after everything was said."""


class Refused(Exception):  # noqa: N818 - an answer, not a fault of ours
    """The other side will never take this one (no such address, say): trying again is of no use."""


class Provider(Protocol):
    """One channel's way out. Made anew for each tick, closed at its end.

    `batch` : how many rows one call takes. All rows of a call are marked `sending` before it and settled after
    it, so a worker that dies in between leaves that many in doubt.
    """

    batch: int

    def send(self, deliveries: Sequence[Delivery]) -> list[Exception | None]:
        """Hand over; one answer a row, in order: None taken, else why not (`InDoubt`, `Refused`, anything else)."""

    def close(self) -> None:
        """Let go of connections."""


class OneByOne:
    """A provider around a function that sends one row and raises when it could not."""

    batch = 1

    def __init__(self, send: Callable[[Delivery], None]) -> None:
        self._send = send

    def send(self, deliveries: Sequence[Delivery]) -> list[Exception | None]:
        return [self._one(delivery) for delivery in deliveries]

    def _one(self, delivery: Delivery) -> Exception | None:
        try:
            self._send(delivery)
        except Exception as error:  # a row that cannot even be written (a bad header, say) stops nothing but itself
            return error
        return None

    def close(self) -> None:
        """Nothing is kept open."""
