"""What the parts of the practice season share: the season, its people, what has been made so far by key."""

from dataclasses import dataclass, field

import numpy as np

from accounts.models import Member, Person
from scheduling.models import BenchSession, Booking, QueenBatch, Season
from scheduling.services.practice.people import People
from scheduling.services.practice.timeline import Timeline


@dataclass
class World:
    people: People
    season: Season
    timeline: Timeline
    rng: np.random.Generator
    batches: dict[str, QueenBatch] = field(default_factory=dict)
    sessions: dict[str, BenchSession] = field(default_factory=dict)
    bookings: list[Booking] = field(default_factory=list)

    @property
    def coordinator(self) -> Person:
        return self.people.offices["coordinator"]

    @property
    def operator(self) -> Person:
        return self.people.offices["operator"]

    def keeper_of(self, member: Member) -> Person:
        return self.people.keepers[self.people.members.index(member)]
