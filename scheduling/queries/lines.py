"""Season lines: whose queens and drones meet, and when."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from django.utils.translation import gettext as _

from accounts.access import Viewer
from scheduling.models import BenchSession, DroneSource, Season
from scheduling.planning.timing import Fit
from scheduling.queries.batches import BatchView, batch_views, batches_seen_by
from scheduling.queries.sessions import sessions_with_room
from scheduling.queries.sources import CohortView, SourceView, source_views, sources_seen_by
from scheduling.queries.words import day_words

ENDED_STATES = {"laying", "closed"}


@dataclass(frozen=True)
class SeasonLines:
    """All that the page draws: batches first, then cohorts; bench days under both."""

    season: Season
    batches: list[BatchView]
    sources: list[SourceView]
    cohorts: list[CohortView]
    sessions: list[BenchSession]
    today: dt.date

    @property
    def is_empty(self) -> bool:
        return not self.batches and not self.cohorts


def season_lines(viewer: Viewer, season: Season, *, today: dt.date, everyone: bool) -> SeasonLines:
    """Mine: my batches, my sources, and the sources my batches accept. Everyone's: all of the season."""
    batches = batches_seen_by(viewer).filter(season=season, closed_on__isnull=True)
    if not everyone:
        batches = batches.filter(member__in=viewer.member_ids)
    views = batch_views(batches, season=season, today=today)
    sources = sources_seen_by(viewer).filter(season=season, withdrawn_at__isnull=True).order_by("letter")
    if not everyone:
        sources = sources.filter(pk__in=_sources_of(viewer, season, views))
    shown = source_views(sources, season=season, today=today)
    return SeasonLines(
        season=season,
        batches=sorted(views, key=lambda view: (view.calendar.grafted_on, view.batch.pk)),
        sources=shown,
        cohorts=[cohort for source in shown for cohort in source.cohorts if cohort.state != "spent"],
        sessions=list(sessions_with_room(season)),
        today=today,
    )


def _sources_of(viewer: Viewer, season: Season, views: Sequence[BatchView]) -> set[int]:
    accepted = {row.source_id for view in views for booking in view.open_bookings for row in booking.accepted.all()}
    own = DroneSource.objects.filter(season=season, member__in=viewer.member_ids).values_list("pk", flat=True)
    return accepted | set(own)


def meeting_words(lines: SeasonLines) -> str:
    """The answer to the page's question, for the first batch that still goes to the bench."""
    open_ = [view for view in lines.batches if view.state not in ENDED_STATES and not view.events.doses_at]
    for view in open_:
        day = booked_day(view)
        if day is not None:
            return _meets(view, day, _ripe(lines, view, day))
    for view in open_:
        for session in lines.sessions:
            if session.day >= lines.today and session.places and view.calendar.window.fit(session.day) == Fit.NORMAL:
                ripe = _ripe(lines, view, session.day)
                if ripe:
                    return _meets(view, session.day, ripe)
    if open_:
        return _("No ripe drones meet %(batch)s on a bench day yet.") % {"batch": open_[0].batch}
    return ""


def booked_day(view: BatchView) -> dt.date | None:
    """The day of its first place, else the day it asks for."""
    if view.events.bench_on is not None:
        return view.events.bench_on
    return min(
        (booking.wished_session.day for booking in view.open_bookings if booking.wished_session is not None),
        default=None,
    )


def _ripe(lines: SeasonLines, view: BatchView, day: dt.date) -> list[CohortView]:
    accepted = {row.source_id for booking in view.open_bookings for row in booking.accepted.all()}
    return [
        cohort for cohort in lines.cohorts if cohort.is_ripe_on(day) and (not accepted or cohort.source.pk in accepted)
    ]


def _meets(view: BatchView, day: dt.date, ripe: list[CohortView]) -> str:
    fit = view.calendar.window.fit(day)
    if fit in (Fit.TOO_YOUNG, Fit.PAST_IT):
        young, old = _("%(batch)s is too young on %(day)s."), _("%(batch)s is past it on %(day)s.")
        return (young if fit == Fit.TOO_YOUNG else old) % {"batch": view.batch, "day": day_words(day)}
    if not ripe:
        return _("%(batch)s goes to the bench on %(day)s, but no drones are ripe then.") % {
            "batch": view.batch,
            "day": day_words(day),
        }
    return _("%(batch)s and %(cohort)s meet on %(day)s.") % {
        "batch": view.batch,
        "cohort": ripe[0].cohort,
        "day": day_words(day),
    }
