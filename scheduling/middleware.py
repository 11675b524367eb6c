"""Each web process looks now and then whether the sweep still runs, says so, and helps when it does not."""

import datetime as dt
import logging
import threading
import time
from collections.abc import Callable

from django.conf import settings
from django.db import DatabaseError, connection
from django.http import HttpRequest, HttpResponse

from accounts.http import now_of
from scheduling.queries.health import (
    HEARTBEAT_MAX_AGE,
    HELP_BEAT,
    has_helped_since,
    heartbeat_problems,
    reminder_problems,
)
from scheduling.services.delivery import database_now, tick

log = logging.getLogger(__name__)

LOOK_SECONDS = 10.0
HELP_ROWS = 20


class SweepWatch:
    """What this process last saw of the sweep. One look in `LOOK_SECONDS`, whatever the number of requests.

    A program that has just been started is not called silent before its sweep could have ticked. A process that took
    the place of another has no such grace where web processes were helping already.

    age_seconds : for how long this process has run.
    """

    def __init__(self, *, age_seconds: float = 0.0) -> None:
        self._began = time.monotonic() - age_seconds
        self._lock = threading.Lock()
        self._looked = float("-inf")
        self._helper: threading.Thread | None = None
        self.is_delayed = False

    def look(self, *, now: dt.datetime, help_out: Callable[[], None]) -> None:
        """Look when it is time to; with a silent sweep start one bounded tick beside the request."""
        with self._lock:
            if time.monotonic() - self._looked < LOOK_SECONDS:
                return
            self._looked = time.monotonic()
        try:
            is_silent = bool(heartbeat_problems(now=now))
            if is_silent and self._is_starting(now=now):
                return
            self.is_delayed = is_silent or bool(reminder_problems(now=now))
        except DatabaseError:
            log.exception("whether the sweep runs could not be read")
            return
        if is_silent and not self.is_helping():
            self._helper = threading.Thread(target=help_out, name="reminder help", daemon=True)
            self._helper.start()

    def _is_starting(self, *, now: dt.datetime) -> bool:
        age = dt.timedelta(seconds=time.monotonic() - self._began)
        if age >= HEARTBEAT_MAX_AGE:
            return False
        return not has_helped_since(now - age - HEARTBEAT_MAX_AGE)

    def look_again(self) -> None:
        """The next request looks, however short ago the last look was."""
        self._looked = float("-inf")

    def is_helping(self) -> bool:
        return self._helper is not None and self._helper.is_alive()

    def wait_for_help(self, seconds: float) -> None:
        if self._helper is not None:
            self._helper.join(seconds)


WATCH = SweepWatch()


def help_out() -> None:
    """Small ticks in a thread of its own while they come back full: what comes due during a long silence is no less.

    The rows hold whatever it leaves over.
    """
    try:
        while tick(now=database_now(), limit=HELP_ROWS, name=HELP_BEAT).is_full:
            log.info("more is due than one helping tick takes; it goes on")
    except DatabaseError:
        log.exception("a helping tick broke off; the rows are still there")
    finally:
        connection.close()


class SweepMiddleware:
    """Inside the viewer's: pages of people who are signed in tell them; every request counts as a look."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if settings.WEB_HELPS_SWEEP:
            WATCH.look(now=now_of(request), help_out=help_out)
        return self.get_response(request)
