"""A member's phone as the server sees it: entries kept in order, sent until they are confirmed."""

import datetime as dt
import uuid
from typing import Any

from accounts.access import Viewer, viewer_of
from accounts.models import Person
from scheduling.models import HiveEntry
from scheduling.services.entry_log import Sent
from scheduling.services.hive_entries import hive_entries_take
from tests.scheduling.world import NOW


class Phone:
    def __init__(self, by: Person, *, off_by: dt.timedelta = dt.timedelta(0)) -> None:
        """`off_by`: how far its clock is ahead of the true time."""
        self.by, self.off_by = by, off_by
        self.id = uuid.uuid4()
        self.kept: list[Sent] = []
        self.confirmed: set[uuid.UUID] = set()

    @property
    def viewer(self) -> Viewer:
        viewer = viewer_of(self.by)
        assert viewer is not None
        return viewer

    def write(self, kind: str, /, *, at: dt.datetime = NOW, knows: bool = True, **facts: Any) -> Sent:
        """`at`: the true moment; the entry carries what the phone's clock shows, and its offset where that is known."""
        offset = -round(self.off_by.total_seconds() * 1000) if knows else None
        one = Sent(uuid.uuid4(), len(self.kept) + 1, kind, facts, at + self.off_by, offset)
        self.kept.append(one)
        return one

    def send(self, sent: list[Sent] | None = None, *, now: dt.datetime = NOW, answer: bool = True) -> list[HiveEntry]:
        some = [one for one in self.kept if one.id not in self.confirmed] if sent is None else sent
        entries = hive_entries_take(self.viewer, device=self.id, sent=some, sent_at=now + self.off_by, now=now)
        if answer:
            self.confirmed |= {entry.pk for entry in entries}
        return entries


def states(entries: list[HiveEntry]) -> list[tuple[str, str]]:
    return [(entry.state, entry.rule) for entry in entries]
