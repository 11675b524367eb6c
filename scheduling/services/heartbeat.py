"""What each tick leaves behind, so that its silence is noticed; and jumps of this machine's clock."""

import datetime as dt
import logging
import threading
import time

from django.utils import timezone

from scheduling.models import Heartbeat
from scheduling.queries.health import HEARTBEAT, oldest_overdue_seconds

log = logging.getLogger(__name__)

JUMP_SECONDS = 30.0


def beat(*, now: dt.datetime, name: str = HEARTBEAT, clock_is_off_by: float = 0.0) -> None:
    """Write that a tick ran until `now`, how late the latest row is, and whether this machine's clock has jumped.

    Of several that tick at once the latest counts: a slow one never sets the time back.

    clock_is_off_by : how far it is ahead of the database's. [s]
    """
    fields: dict[str, object] = {"at": now, "oldest_overdue_seconds": oldest_overdue_seconds(now=now)}
    jump = max(CLOCK.jump(), clock_is_off_by, key=abs)
    if abs(jump) > JUMP_SECONDS:
        log.error("the clock of this machine is off by %.0f seconds", jump)
        fields |= {"jump_seconds": jump, "jumped_at": now}
    if not Heartbeat.objects.filter(name=name, at__lte=now).update(**fields):
        Heartbeat.objects.get_or_create(name=name, defaults=fields)


class WatchedClock:
    """Compares the wall clock with the time that really passed.

    A jump never sends anything again: rows are judged by the database's clock, and what is sent is marked so.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._last: tuple[float, float] | None = None

    def jump(self) -> float:
        """Return by how much the hands were moved since the last look. [s]"""
        wall, passed = timezone.now().timestamp(), time.monotonic()
        with self._lock:
            last, self._last = self._last, (wall, passed)
        if last is None:
            return 0.0
        return (wall - last[0]) - (passed - last[1])


CLOCK = WatchedClock()
