"""What the parts of an earlier practice season share: its rows so far, and writing many at once."""

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TypeVar

from django.db.models import Model

from accounts.models import Person
from scheduling.models import BatchQueen, Bench, DroneSource, QueenBatch, Season
from scheduling.planning.timing import local_to_utc
from scheduling.services.practice.people import People

AT_ONCE = 1_000
OFFICE_HOUR = dt.time(8)
M = TypeVar("M", bound=Model)


@dataclass
class PastSeason:
    """One year's rows on their way into the database; virgins by their queen's id, sources by theirs."""

    season: Season
    people: People
    benches: list[Bench]
    batches: dict[str, QueenBatch] = field(default_factory=dict)
    virgins: dict[int, BatchQueen] = field(default_factory=dict)
    sources: dict[int, DroneSource] = field(default_factory=dict)

    @property
    def operator(self) -> Person:
        return self.people.offices["operator"]

    def moment(self, day: dt.date, time: dt.time = OFFICE_HOUR) -> dt.datetime:
        return local_to_utc(day, time, self.season.cooperative.time_zone)


def write(model: type[M], rows: Iterable[M]) -> list[M]:
    return list(model._default_manager.bulk_create(list(rows), batch_size=AT_ONCE))
