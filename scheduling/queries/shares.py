"""What each source gives of a plan's semen, beside what it may give at most and what it shall give."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass

from scheduling.models import DroneSource, Plan, Season, SessionState
from scheduling.planning.measures import effective_number
from scheduling.queries.board import semen_parts


@dataclass(frozen=True)
class ShareRow:
    """Thousandths of all semen. `given`: by the plan; `cap`, `target`: the source's own, where it has any."""

    source: DroneSource
    given: int
    cap: int | None
    target: int | None

    @property
    def off_target(self) -> int | None:
        return None if self.target is None else self.given - self.target

    @property
    def given_percent(self) -> float:
        return self.given / 10

    @property
    def cap_percent(self) -> float | None:
        return None if self.cap is None else self.cap / 10

    @property
    def target_percent(self) -> float | None:
        return None if self.target is None else self.target / 10


@dataclass(frozen=True)
class Shares:
    """How a plan spreads its semen. `effective`: 1/Σ share², sources in equal parts that would be as spread."""

    rows: list[ShareRow]
    effective: float

    @property
    def in_use(self) -> int:
        return sum(row.given > 0 for row in self.rows)

    @property
    def has_targets(self) -> bool:
        return any(row.target is not None for row in self.rows)

    @property
    def off_target_percent(self) -> float | None:
        """Semen that would have to come from another source for every target to be met, in per cent of all."""
        if not self.has_targets:
            return None
        return sum(abs(row.off_target) for row in self.rows if row.off_target is not None) / 20


def shares_of(season: Season, plan: Plan | None) -> Shares:
    """Of the sessions still to come."""
    return shares_from(season, volumes_of(plan) if plan is not None else {})


def volumes_of(plan: Plan) -> dict[int, float]:
    """Tenths of a µl by source that the plan takes in open sessions."""
    placements = plan.placements.filter(session__state=SessionState.OPEN).order_by("pk")
    found: dict[int, float] = defaultdict(float)
    alone = placements.filter(source__isnull=False).values_list("source", "queens", "booking__dose_tenths")
    for source_id, queens, tenths in alone:
        found[source_id] += queens * tenths
    pooled = placements.filter(source__isnull=True).select_related("booking", "pool")
    for placement in pooled.prefetch_related("pool__parts__source"):
        for source, share in semen_parts(placement):
            found[source.pk] += share * placement.queens * placement.booking.dose_tenths
    return found


def shares_from(season: Season, volumes: Mapping[int, float]) -> Shares:
    """By letter; sources that are withdrawn only where the plan still draws on them."""
    whole = sum(volumes.values())
    rows = [
        ShareRow(
            source,
            round(1000 * volumes.get(source.pk, 0) / whole) if whole else 0,
            source.share_cap_permille,
            source.share_target_permille,
        )
        for source in season.sources.order_by("letter")
        if source.withdrawn_at is None or volumes.get(source.pk)
    ]
    return Shares(rows, effective_number({str(pk): round(volume) for pk, volume in volumes.items()}))
