"""What happened when: the season is told in the order of its days, each step with the moment it was written down."""

import datetime as dt
from collections.abc import Callable
from zoneinfo import ZoneInfo

from scheduling.planning.timing import local_to_utc

Act = Callable[[dt.datetime], object]


class Timeline:
    """Days count from today (0). Acts of days to come never happen; acts of today happen by `now`."""

    def __init__(self, *, now: dt.datetime, zone: str) -> None:
        self.now = now
        self.zone = zone
        self.tz = ZoneInfo(zone)
        self.today = now.astimezone(self.tz).date()
        self._acts: list[tuple[dt.datetime, int, Act]] = []

    def day(self, offset: int) -> dt.date:
        return self.today + dt.timedelta(days=offset)

    def moment(self, offset: int, hour: int, minute: int = 0) -> dt.datetime:
        return min(self.now, local_to_utc(self.day(offset), dt.time(hour, minute), self.zone))

    def at(self, offset: int, hour: int, act: Act) -> None:
        if offset <= 0:
            self._acts.append((self.moment(offset, hour), len(self._acts), act))

    def run(self) -> None:
        """Every act in its order; acts of one moment in the order in which they were told."""
        for moment, _order, act in sorted(self._acts, key=lambda row: row[:2]):
            act(moment)
