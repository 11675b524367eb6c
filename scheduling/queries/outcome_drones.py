"""What drones gave at the closed sessions: share that gave semen and µl for each of them, by source or pool."""

import math
from collections import defaultdict
from dataclasses import dataclass

from accounts.access import Viewer
from scheduling.models import DroneSource, SemenLot, SessionState
from scheduling.planning.control import wilson
from scheduling.queries.lots import LotView, lot_views

LEAST_LOTS = 3  # an interval of a mean needs some; fewer say only the mean
T_QUANTILE = 0.975


@dataclass(frozen=True)
class SourceDrones:
    """Drones of one source, or of several put together, whose own cannot be told apart. `volume`: mean µl for each
    drone that gave semen, over the lots.
    """

    sources: list[DroneSource]
    lots: int
    tried: int
    usable: int
    volume: float | None
    volume_range: tuple[float, float] | None

    @property
    def name(self) -> str:
        return " + ".join(source.name for source in self.sources)

    @property
    def range(self) -> tuple[float, float] | None:
        return wilson(self.usable, self.tried) if self.tried else None


def drones_by_source(viewer: Viewer, *, season_id: int | None = None) -> list[SourceDrones]:
    """In the order of the sources' letters, after them the pools."""
    lots = SemenLot.objects.filter(
        session__season__cooperative=viewer.cooperative, session__state=SessionState.CLOSED, semen_batch__isnull=True
    )
    if season_id is not None:
        lots = lots.filter(session__season=season_id)
    found: dict[tuple[int, ...], list[LotView]] = defaultdict(list)
    for view in lot_views(lots):
        found[tuple(source.pk for source in _sources(view))].append(view)
    rows = [_row(_sources(views[0]), views) for whose, views in found.items() if whose]
    return sorted(rows, key=lambda row: (len(row.sources), [(one.season_id, one.letter) for one in row.sources]))


def _sources(view: LotView) -> list[DroneSource]:
    if view.lot.source is not None:
        return [view.lot.source]
    return sorted((part.source for part in view.lot.parts.all()), key=lambda source: source.letter)


def _row(sources: list[DroneSource], views: list[LotView]) -> SourceDrones:
    each = [view.balance.collected / 10 / view.usable for view in views if view.usable and view.balance.collected]
    mean = sum(each) / len(each) if each else None
    spread = None
    if mean is not None and len(each) >= LEAST_LOTS:
        error = math.sqrt(sum((one - mean) ** 2 for one in each) / (len(each) - 1) / len(each))
        from scipy import stats  # heavy: pages that ask for no interval do not load it

        half = float(stats.t.ppf(T_QUANTILE, len(each) - 1)) * error
        spread = (max(0.0, mean - half), mean + half)
    return SourceDrones(
        sources, len(views), sum(view.tried for view in views), sum(view.usable for view in views), mean, spread
    )
