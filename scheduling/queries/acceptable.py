"""Sources that a request does not name yet, but whose cross its breeder could accept."""

import datetime as dt
from collections.abc import Iterable

from breeding.queries.crosses import CrossPrediction, cross_grid
from breeding.queries.ranking import latest_run
from scheduling.models import Booking, Season
from scheduling.planning.facts import Settings
from scheduling.queries.season import settings_of
from scheduling.queries.sources import SourceView, source_views


def acceptable_sources(season: Season, bookings: Iterable[Booking], *, today: dt.date) -> dict[str, list[str]]:
    """By booking, the sources within every limit of the season whose merit is no less than of those it accepts.

    Best merit first. It works crosses out: for a worker, not for a page.
    """
    rows = list(bookings)
    views = source_views(season.sources.filter(withdrawn_at=None), season=season, today=today)
    sources = [view for view in views if view.source.hold_since is None and not view.is_certificate_over]
    mothers = list({booking.batch.mother_id: booking.batch.mother for booking in rows}.values())
    if not mothers or not sources:
        return {}
    run = latest_run(season.cooperative)
    grid = cross_grid(mothers, [view.source.drone_queen for view in sources], run)
    cells = {mother.pk: row for mother, row in zip(mothers, grid.cells, strict=True)}
    settings = settings_of(season)
    return {
        str(booking.pk): _for_one(booking, list(zip(sources, cells[booking.batch.mother_id], strict=True)), settings)
        for booking in rows
    }


def _for_one(booking: Booking, crosses: list[tuple[SourceView, CrossPrediction]], settings: Settings) -> list[str]:
    accepted = {row.source_id for row in booking.accepted.all()}
    merits = [row.merit for row in booking.accepted.all() if row.merit is not None]
    least = min(merits, default=None)
    found = [
        (-(cross.merit or 0.0), view.source.pk)
        for view, cross in crosses
        if view.source.pk not in accepted
        and cross.worker_inbreeding <= float(settings.inbreeding_limit_share) + 1e-9
        and cross.viability >= float(settings.viability_stop_share)
        and (least is None or cross.merit is None or cross.merit >= least)
    ]
    return [str(pk) for _, pk in sorted(found)]
