"""What is there already, what the folder adds, and how both are looked up by the names people use."""

import datetime as dt
import hashlib
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from accounts.models import Apiary, Cooperative, Member
from accounts.refusals import Refusal
from accounts.told import told as _
from breeding.models import Colony, Heading, Line, Mating, MatingShare, Queen, Score, SemenBatch, SemenBatchShare, Trait
from breeding.services.loading.files import Row

Key = str  # a name without case


def key_of(*names: str) -> Key:
    return "\x1f".join(name.casefold().strip() for name in names)


@dataclass
class QueenPlan:
    """A queen, there already (`pk`) or of the folder (`row`); `facts` as the columns name them."""

    label: str
    facts: dict[str, Any]
    pk: int | None = None
    row: Row | None = None

    @property
    def mother(self) -> Key | None:
        found: Key | None = self.facts["mother"]
        return found

    @property
    def emerged_on(self) -> dt.date | None:
        day: dt.date | None = self.facts["emerged_on"]
        return day

    @property
    def birth_year(self) -> int | None:
        year: int | None = self.facts["birth_year"]
        return year


@dataclass(frozen=True)
class SharePlan:
    drone_queen: Key
    volume_tenths: int | None
    drones: int | None


@dataclass
class BatchPlan:
    label: str
    made_on: dt.date | None
    shares: list[SharePlan]
    pk: int | None = None
    row: Row | None = None


@dataclass
class MatingPlan:
    queen: Key
    facts: dict[str, Any]
    shares: list[SharePlan]
    is_known: bool = False
    row: Row | None = None


@dataclass
class HeadingPlan:
    queen: Key
    since: dt.date
    until: dt.date | None
    is_known: bool = False
    row: Row | None = None


@dataclass
class ColonyPlan:
    name: str
    apiary: Key
    facts: dict[str, Any]
    headings: list[HeadingPlan] = field(default_factory=list)
    pk: int | None = None
    row: Row | None = None


@dataclass(frozen=True)
class ScorePlan:
    colony: Key
    queen: Key
    trait_id: int
    scored_on: dt.date
    value: Decimal
    part: int | None
    whole: int | None
    method: str
    hours: Decimal | None
    note: str


ScoreFacts = tuple[Decimal, int | None, int | None, Decimal | None]


@dataclass
class Plan:
    """Everything by key: what is there and what is new. `unchanged` counts rows that stand already.

    only : members whose things may be written; None: everybody's, and members that are not there yet are made.
    """

    cooperative: Cooperative
    traits: dict[str, Trait]
    only: frozenset[Key] | None = None
    makes_members: bool = True
    members: dict[Key, str | int] = field(default_factory=dict)  # pk, or the name of a new one
    apiaries: dict[Key, dict[str, Any]] = field(default_factory=dict)
    lines: dict[Key, str | int] = field(default_factory=dict)
    queens: dict[Key, QueenPlan] = field(default_factory=dict)
    batches: dict[Key, BatchPlan] = field(default_factory=dict)
    matings: dict[Key, MatingPlan] = field(default_factory=dict)
    colonies: dict[Key, ColonyPlan] = field(default_factory=dict)
    known_scores: dict[tuple[Key, int, dt.date, str], ScoreFacts] = field(default_factory=dict)
    scores: list[ScorePlan] = field(default_factory=list)
    unchanged: dict[str, int] = field(default_factory=dict)

    def same(self, row: Row) -> None:
        self.unchanged[row.file] = self.unchanged.get(row.file, 0) + 1

    def check_may(self, member: Key, *, field: str) -> None:
        """Refused for a member that whoever brings the rows does not act for."""
        if self.only is not None and member not in self.only:
            raise Refusal(_("You may bring in only what belongs to members you act for."), field=field)

    def fingerprint(self) -> str:
        """Of all that is new, down to who heads which colony: the same when nothing that matters has changed."""
        new: list[Any] = [
            sorted(name for name in self.members.values() if isinstance(name, str)),
            sorted(name for name in self.lines.values() if isinstance(name, str)),
            [(key, facts) for key, facts in self.apiaries.items() if facts["pk"] is None],
            [(queen.label, queen.facts) for queen in self.queens.values() if queen.pk is None],
            [(batch.label, batch.made_on, batch.shares) for batch in self.batches.values() if batch.pk is None],
            [(mating.queen, mating.facts, mating.shares) for mating in self.matings.values() if not mating.is_known],
            [(colony.apiary, colony.name, colony.facts) for colony in self.colonies.values() if colony.pk is None],
            [
                (key, heading.queen, heading.since, heading.until)
                for key, colony in self.colonies.items()
                for heading in colony.headings
                if not heading.is_known
            ],
            self.scores,
            sorted(self.unchanged.items()),
        ]
        return hashlib.sha256(repr(new).encode()).hexdigest()

    def sources_of(self, queen: Key) -> list[Key]:
        """Queens whose genes come by the drones that this queen met."""
        mating = self.matings.get(queen)
        if mating is None:
            return []
        batch = self.batches.get(mating.facts["batch"] or "")
        shares = batch.shares if batch is not None else mating.shares
        station_mother = mating.facts["station_mother"]
        return [share.drone_queen for share in shares] + ([station_mother] if station_mother else [])

    def parents_of(self, queen: Key) -> list[Key]:
        plan = self.queens.get(queen)
        if plan is None or plan.mother is None:
            return []
        parents = [plan.mother]
        for source in self.sources_of(plan.mother):
            parents.append(source)
            mating = self.matings[plan.mother]
            if source == mating.facts["station_mother"] and source != plan.mother:
                parents += self.sources_of(source)
        return parents

    def counts(self) -> dict[str, int]:
        """How many new things of each kind the folder brings."""
        return {
            "members": sum(1 for member in self.members.values() if isinstance(member, str)),
            "apiaries": sum(1 for apiary in self.apiaries.values() if apiary["pk"] is None),
            "lines": sum(1 for line in self.lines.values() if isinstance(line, str)),
            "queens": sum(1 for queen in self.queens.values() if queen.pk is None),
            "semen batches": sum(1 for batch in self.batches.values() if batch.pk is None),
            "matings": sum(1 for mating in self.matings.values() if not mating.is_known),
            "colonies": sum(1 for colony in self.colonies.values() if colony.pk is None),
            "headings": sum(
                1 for colony in self.colonies.values() for heading in colony.headings if not heading.is_known
            ),
            "scores": len(self.scores),
        }


def plan_of(
    cooperative: Cooperative, traits: list[Trait], *, only: frozenset[Key] | None = None, makes_members: bool = True
) -> Plan:
    """What the cooperative has already. A handful of queries, tuples only."""
    plan = Plan(cooperative, {trait.key: trait for trait in traits}, only, makes_members)
    plan.members = {
        key_of(name): pk for pk, name in Member.objects.filter(cooperative=cooperative).values_list("pk", "name")
    }
    for pk, member, name, place, number, closed_on in Apiary.objects.filter(
        member__cooperative=cooperative
    ).values_list("pk", "member__name", "name", "place", "registration_number", "closed_on"):
        plan.apiaries[key_of(member, name)] = {
            "pk": pk, "member": key_of(member), "name": name, "place": place, "registration_number": number,
            "closed_on": closed_on,
        }  # fmt: skip
    plan.lines = {
        key_of(name): pk for pk, name in Line.objects.filter(cooperative=cooperative).values_list("pk", "name")
    }
    _queens(plan)
    _batches(plan)
    _matings(plan)
    _colonies(plan)
    _scores(plan)
    return plan


def _queens(plan: Plan) -> None:
    columns = ("emerged_on", "birth_year", "origin", "mark_number", "gone_on", "gone_reason", "note")
    rows = Queen.objects.filter(cooperative=plan.cooperative).values_list(
        "pk", "label", "owner__name", "mother__label", "line__name", *columns
    )
    for pk, label, owner, mother, line, *rest in rows:
        facts = {
            "owner": key_of(owner),
            "mother": key_of(mother) if mother else None,
            "line": key_of(line) if line else None,
            **dict(zip(columns, rest, strict=True)),
        }
        plan.queens[key_of(label)] = QueenPlan(label, facts, pk=pk)


def _batches(plan: Plan) -> None:
    by_pk: dict[int, BatchPlan] = {}
    for pk, label, made_on in SemenBatch.objects.filter(cooperative=plan.cooperative).values_list(
        "pk", "label", "made_on"
    ):
        by_pk[pk] = plan.batches[key_of(label)] = BatchPlan(label, made_on, [], pk=pk)
    for batch, label, tenths, drones in SemenBatchShare.objects.filter(batch__cooperative=plan.cooperative).values_list(
        "batch_id", "drone_queen__label", "volume_tenths", "drones"
    ):
        by_pk[batch].shares.append(SharePlan(key_of(label), tenths, drones))


def _matings(plan: Plan) -> None:
    by_pk: dict[int, MatingPlan] = {}
    rows = Mating.objects.filter(queen__cooperative=plan.cooperative).values_list(
        "pk", "queen__label", "kind", "mated_on", "total_tenths", "drones", "shared_batch__label",
        "station_mother__label", "station_queens", "place",
    )  # fmt: skip
    for pk, queen, kind, mated_on, total, drones, batch, station_mother, station_queens, place in rows:
        facts = {
            "kind": kind,
            "mated_on": mated_on,
            "total_tenths": total,
            "drones": drones,
            "batch": key_of(batch) if batch else None,
            "station_mother": key_of(station_mother) if station_mother else None,
            "station_queens": station_queens,
            "place": place,
        }
        by_pk[pk] = plan.matings[key_of(queen)] = MatingPlan(key_of(queen), facts, [], is_known=True)
    for mating, label, tenths, count in MatingShare.objects.filter(
        mating__queen__cooperative=plan.cooperative
    ).values_list("mating_id", "drone_queen__label", "volume_tenths", "drones"):
        by_pk[mating].shares.append(SharePlan(key_of(label), tenths, count))


def _colonies(plan: Plan) -> None:
    by_pk: dict[int, ColonyPlan] = {}
    columns = ("established_on", "ended_on", "ended_reason", "note")
    rows = Colony.objects.filter(apiary__member__cooperative=plan.cooperative).values_list(
        "pk", "apiary__member__name", "apiary__name", "name", *columns
    )
    for pk, member, apiary, name, *rest in rows:
        colony = ColonyPlan(name, key_of(member, apiary), dict(zip(columns, rest, strict=True)), pk=pk)
        by_pk[pk] = plan.colonies[key_of(member, apiary, name)] = colony
    for pk, queen, since, until in Heading.objects.filter(
        colony__apiary__member__cooperative=plan.cooperative
    ).values_list("colony_id", "queen__label", "since", "until"):
        by_pk[pk].headings.append(HeadingPlan(key_of(queen), since, until, is_known=True))


def _scores(plan: Plan) -> None:
    rows = Score.objects.filter(
        trait__cooperative=plan.cooperative, replaced_by__isnull=True, withdrawn_at__isnull=True
    ).values_list(
        "colony__apiary__member__name", "colony__apiary__name", "colony__name", "trait_id", "scored_on", "method",
        "value", "part", "whole", "hours",
    )  # fmt: skip
    for member, apiary, colony, trait, day, method, value, part, whole, hours in rows:
        plan.known_scores[(key_of(member, apiary, colony), trait, day, method)] = (value, part, whole, hours)
