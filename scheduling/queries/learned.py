"""What a season's bench and counts teach about each drone source: usable share, volume, daily losses.

Shares and volumes belong to the drone-producing queen, so those of earlier seasons count as well: they depend on line
and age, not on the season (row R21 of the trade facts). Nothing is asked of the database before a figure is wanted.

A pool teaches nothing of the single sources it was put together of: which of them gave, nobody saw, and a poor one
hides behind a good one. It counts as a source of its own, known by whose drones it is: so it enters what holds for all
sources, from which the little-known ones are told. An average of several sources lies nearer to the common mean than
one source does, so the pool says rather less of that mean than it could, never more than a source would. Drones lost
in the hand are the hands' share, of a pool as of a source.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

from scheduling.models import BenchSession, CountKind, DroneSource, Season
from scheduling.planning.ages import BANDS, AgeBand, band_of
from scheduling.planning.facts import Settings
from scheduling.planning.learning import LearnedShare
from scheduling.planning.pooling import (
    LearnedMean,
    LearnedVolume,
    Recounts,
    learned_survival,
    survival_of_loss,
)
from scheduling.planning.supply import Count, Yield, with_those_taken
from scheduling.planning.taught import LotRow, Start, Taught, taught
from scheduling.queries.lot_rows import lot_rows, parts_of_pools

if TYPE_CHECKING:
    from scheduling.queries.sources import CohortView, SourceView

MOST_SHARE = 0.995  # the largest share that learning can start from
ALL = ""  # in the place of a source: what holds for one without rows of its own
ALIVE = {CountKind.EMERGED, CountKind.SEEN}


@dataclass(frozen=True)
class SourceLearned:
    """What is known of one source, and from how much.

    lost: share of drones soiled or broken, of all sources. loss: daily loss on the log scale, None while the season
    names no daily survival. sessions: bench sessions its drones were tried in.
    """

    share: LearnedShare
    lost: float
    volume: LearnedVolume
    loss: LearnedMean | None
    sessions: int

    @property
    def gives(self) -> Yield:
        return Yield(
            usable_fraction=self.share.mean * (1 - self.lost),
            kappa=self.share.kappa,
            ul_per_drone=self.volume.ul.mean,
            cv_volume=self.volume.cv,
        )

    @property
    def survival(self) -> float | None:
        return None if self.loss is None else survival_of_loss(self.loss.mean)


@dataclass(frozen=True)
class AgeLearned:
    """What is known of a source's drones of one band of age."""

    band: AgeBand
    share: LearnedShare
    ul: LearnedMean


class SeasonLearned:
    """Of all sources of a season at once. `but`: a session whose own tallies and readings are left out."""

    def __init__(
        self,
        season: Season,
        settings: Settings,
        views: Callable[[], Sequence["SourceView"]],
        *,
        but: BenchSession | None = None,
    ) -> None:
        self.season, self.settings, self.but = season, settings, but
        self._views = views

    def of(self, source: DroneSource, *, age: int | None = None) -> SourceLearned:
        """Of all its drones, or of those of an age [days]; without an age on record anywhere that is the same."""
        key, taught = str(source.drone_queen_id), self._taught
        share, volume = taught.shares[key], taught.volumes[key]
        if age is not None:
            at = key, band_of(age)
            share = taught.shares_by_age.get(at, share)
            volume = replace(volume, ul=taught.volumes_by_age.get(at, volume.ul))
        return SourceLearned(
            share,
            taught.lost,
            volume,
            self._losses[key] if self.knows_survival_of(None) else None,
            taught.sessions.get(key, 0),
        )

    def by_age(self, source: DroneSource) -> list[AgeLearned]:
        """Its drones by bands of age, the youngest first; empty while no age is on record."""
        key, taught = str(source.drone_queen_id), self._taught
        return [
            AgeLearned(band, taught.shares_by_age[key, i], taught.volumes_by_age.get((key, i), taught.volumes[key].ul))
            for i, band in enumerate(BANDS)
            if (key, i) in taught.shares_by_age
        ]

    def knows_survival_of(self, source: DroneSource | None) -> bool:
        """Whether anybody said how many drones live to the next day, for it or for the season. Reads nothing."""
        own = source is not None and source.daily_survival is not None
        return own or self.settings.drone_daily_survival is not None

    def survival(self, source: DroneSource) -> float | None:
        """Daily survival of its drones; None while the season names none."""
        if source.daily_survival is not None:
            return float(source.daily_survival)
        if self.settings.drone_daily_survival is None:
            return None
        return survival_of_loss(self._losses[str(source.drone_queen_id)].mean)

    @property
    def common_survival(self) -> float | None:
        """Daily survival of drones of a source nobody knows yet."""
        return None if self.settings.drone_daily_survival is None else survival_of_loss(self._losses[ALL].mean)

    @cached_property
    def pooled(self) -> dict[int, list[tuple[BenchSession, int]]]:
        """Drones put into pools this season, by source: at which session, how many."""
        found: dict[int, list[tuple[BenchSession, int]]] = {}
        for part in parts_of_pools(self.season).select_related("lot__session"):
            found.setdefault(part.source_id, []).append((part.lot.session, part.drones))
        return found

    @cached_property
    def _sources(self) -> list[DroneSource]:
        if "_all" in self.__dict__ or self.knows_survival_of(None):  # they are read in any case
            return [view.source for view in self._all]
        return list(self.season.sources.order_by("pk"))

    @cached_property
    def _all(self) -> Sequence["SourceView"]:
        return self._views()

    @cached_property
    def _keys(self) -> list[str]:
        return [str(source.drone_queen_id) for source in self._sources]

    @cached_property
    def _taught(self) -> Taught:
        settings = self.settings
        return taught(
            self._lots,
            tuple(dict.fromkeys(self._keys)),
            Start(
                share=min(float(settings.usable_share), MOST_SHARE),
                kappa=float(settings.yield_concentration),
                lost=float(settings.drone_soiled_share or 0),
                ul=float(settings.ul_per_drone),
                cv=float(settings.volume_cv),
                own_shares=tuple(
                    (str(source.drone_queen_id), min(float(source.usable_share), MOST_SHARE))
                    for source in self._sources
                    if source.usable_share is not None
                ),
                own_uls=tuple(
                    (str(source.drone_queen_id), float(source.ul_per_drone))
                    for source in self._sources
                    if source.ul_per_drone is not None
                ),
            ),
        )

    @cached_property
    def _lots(self) -> tuple[LotRow, ...]:
        return lot_rows(self.season, but=self.but)

    @cached_property
    def _losses(self) -> dict[str, LearnedMean]:
        prior = self.settings.needed("drone_daily_survival")
        recounts = [
            Recounts(str(view.source.drone_queen_id), _living(cohort, float(prior)))
            for view in self._all
            for cohort in view.cohorts
        ]
        return learned_survival(
            recounts, [ALL, *self._keys], prior=float(prior), count_cv=float(self.settings.count_cv)
        )


def _living(cohort: "CohortView", survival: float) -> tuple[tuple[int, float], ...]:
    """Counts of living drones by day of the calendar, as they would be had none been tried at a bench."""
    calendar = cohort.calendar
    emerged_on = calendar.emerging_from + (calendar.emerging_to - calendar.emerging_from) // 2
    taken = {day.toordinal(): float(drones) for day, drones in cohort.taken.items()}
    found = []
    for count in cohort.counts:
        if count.kind in ALIVE:
            day = emerged_on if count.kind == CountKind.EMERGED else count.counted_on
            alone = Count("emerged" if count.kind == CountKind.EMERGED else "seen", day.toordinal(), count.number, 1.0)
            whole = with_those_taken(alone, taken, survival_per_day=survival)
            found.append((day.toordinal(), float(whole.drones)))
    return tuple(found)
