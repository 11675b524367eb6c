"""A sign of life to a dead-man service of the owner's choice: it alerts when the signs stop, also with this machine.

Off unless an address is set. Sent beside the tick, at most once a minute, and only after a tick with nothing critical
waiting; whether it gets through changes nothing here.
"""

import datetime as dt
import logging
import threading
from collections.abc import Callable

from django.conf import settings

from accounts import outgoing
from accounts.beside import Beside
from scheduling.queries.health import reminder_problems

log = logging.getLogger(__name__)

EVERY = dt.timedelta(minutes=1)


class Ping:
    """One process's. A call that hangs is never joined by a second one."""

    def __init__(self, send: Callable[[str], None]) -> None:
        self._beside = Beside("sign of life", send)
        self._lock = threading.Lock()
        self._last: dt.datetime | None = None

    def after_tick(self, *, now: dt.datetime) -> bool:
        """Begin a call when one is due and all is well; returns whether it did. Never waits for the answer."""
        if not settings.PING_URL:
            return False
        with self._lock:
            too_soon = self._last is not None and dt.timedelta() <= now - self._last < EVERY
            if too_soon or self._beside.goes_on:
                return False
            if problems := reminder_problems(now=now):
                log.warning("no sign of life is sent: %s", " ".join(problems))
                return False
            self._last = now
            return self._beside.begin(settings.PING_URL)

    def wait(self, seconds: float) -> None:
        """For a process that is about to end."""
        self._beside.wait(seconds)


def ping_send(url: str) -> None:
    """One call under the rules of `accounts.outgoing`. Any answer but a good one is only written into the log."""
    try:
        answer = outgoing.post(url, body=b"", headers={"User-Agent": "Broodtide"})
    except (outgoing.Forbidden, OSError) as error:
        log.warning("the sign of life did not get through: %s", error)
        return
    if not answer.is_good:
        log.warning("the sign of life was answered with %s", answer.status)


PING = Ping(ping_send)
