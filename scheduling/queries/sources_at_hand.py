"""All sources of a season as they are, worked out again only where a row behind them is another.

Many members ask for places at one moment, and each request weighs the same sources. The rows that these are made of
are read each time; while they are the same, so is all that follows from them. Nothing is kept for a time.
"""

import datetime as dt
from typing import Any

from django.db.models import QuerySet, Sum

from accounts.queries.often import asked_often
from scheduling.models import BenchSession, DroneCohort, DroneSource, LotPart, Season, SemenLot
from scheduling.planning.facts import Settings
from scheduling.queries.learned import SeasonLearned
from scheduling.queries.lot_rows import lot_mark
from scheduling.queries.season import settings_of
from scheduling.queries.sources import NOT_UNDONE, CohortView, SourceView, source_views

MOST_KEPT = 8  # seasons and days
Views = dict[int, SourceView]
_KEPT: dict[tuple[Any, ...], tuple[list[Any], Views]] = {}


def sources_at_hand(season: Season, *, today: dt.date, settings: Settings) -> Views:
    """Return every source of the season by its number. They are shared: they serve to be read."""
    of = (season.pk, season.cooperative_id, season.year, season.cooperative.time_zone, today, settings)
    rows = _rows(season)
    known, views = _KEPT.get(of, ([], {}))
    if known == rows:
        return views
    sources = season.sources.order_by("pk")
    views = {view.source.pk: view for view in source_views(sources, season=season, today=today, settings=settings)}
    for view in views.values():  # all that reads anything
        view.learned.of(view.source)
        view.cohorts  # noqa: B018
    if _rows(season) == rows:
        if len(_KEPT) >= MOST_KEPT:
            _KEPT.clear()
        _KEPT[of] = rows, views
    return views


def offered_at_hand(season: Season, *, today: dt.date, settings: Settings) -> list[SourceView]:
    return offered(sources_at_hand(season, today=today, settings=settings))


def offered(views: Views) -> list[SourceView]:
    """Those that are not withdrawn, by their letter."""
    return sorted(
        (view for view in views.values() if view.source.withdrawn_at is None), key=lambda view: view.source.letter
    )


def source_view(source: DroneSource, *, today: dt.date, settings: Settings | None = None) -> SourceView:
    settings = settings or settings_of(source.season)
    return SourceView(source, settings, today, season_learned(source.season, settings=settings, today=today))


def cohort_view(cohort: DroneCohort, *, today: dt.date, settings: Settings | None = None) -> CohortView:
    views = source_view(cohort.source, today=today, settings=settings).cohorts
    return next(view for view in views if view.cohort.pk == cohort.pk)


def season_learned(
    season: Season, *, settings: Settings, today: dt.date, but: BenchSession | None = None
) -> SeasonLearned:
    """What the season teaches of its sources; read when it is first asked for. `but`: a session that is left out."""
    return SeasonLearned(
        season,
        settings,
        lambda: list(sources_at_hand(season, today=today, settings=settings).values()),
        but=but,
    )


def sources_forget() -> None:
    """Forget what is kept: for tests, whose databases begin anew with the same numbers."""
    _KEPT.clear()


def _rows(season: Season) -> list[Any]:
    return [*(ask(season.pk) for ask in (_sources, _cohorts, _lots, _parts)), lot_mark()]


@asked_often
def _sources(season: int) -> QuerySet[DroneSource, Any]:
    """A row for each bench that a source comes to."""
    columns = [field.attname for field in DroneSource._meta.concrete_fields]
    more = ["apiary__time_zone", "apiary__name", "member__name", "drone_queen__label", "benches"]
    return DroneSource.objects.filter(season=season).order_by("pk", "benches__pk").values_list(*columns, *more)


@asked_often
def _cohorts(season: int) -> QuerySet[DroneCohort, Any]:
    """A row for each count."""
    columns = [field.attname for field in DroneCohort._meta.concrete_fields]
    counts = [f"counts__{name}" for name in ("pk", "kind", "counted_on", "number", "replaced_by")]
    return DroneCohort.objects.filter(source__season=season).order_by("pk", "counts__pk").values_list(*columns, *counts)


@asked_often
def _lots(season: int) -> QuerySet[SemenLot, Any]:
    tried = Sum("tallies__drones", filter=NOT_UNDONE)
    lots = SemenLot.objects.filter(source__season=season).order_by("pk").annotate(tried=tried)
    return lots.values_list("pk", "source", "session", "session__day", "tried")


@asked_often
def _parts(season: int) -> QuerySet[LotPart, Any]:
    parts = LotPart.objects.filter(source__season=season, undone_at__isnull=True).order_by("pk")
    return parts.values_list("pk", "lot__session", "lot__session__day", "source", "drones")
