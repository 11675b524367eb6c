"""Season lines: whose queens and drones meet, and when."""

import datetime as dt
from dataclasses import dataclass

from django.core.paginator import Page, Paginator
from django.db.models import QuerySet
from django.utils.translation import gettext as _

from accounts.access import Viewer
from scheduling.models import Booking, BookingSource, DroneSource, QueenBatch, Season
from scheduling.models.booking import ENDED_BOOKINGS
from scheduling.planning.facts import Settings
from scheduling.planning.timing import Fit, graft_day
from scheduling.queries.batches import BatchView, batch_views, batches_seen_by
from scheduling.queries.events import recorded_of_batch
from scheduling.queries.season import settings_of
from scheduling.queries.sessions import bench_days
from scheduling.queries.sources import CohortView
from scheduling.queries.sources_at_hand import offered_at_hand
from scheduling.queries.words import day_words

ROWS_PER_PAGE = 24  # what one member has going at a time is usually on one sheet
ENDED_STATES = {"laying", "closed"}


@dataclass(frozen=True)
class SeasonLines:
    """What one page draws: batches first, then cohorts; bench days under both.

    `cohorts`: those of the page; `meeting`: all whose drones the batches may meet. `page`: of the rows, by number.
    """

    season: Season
    batches: list[BatchView]
    cohorts: list[CohortView]
    meeting: list[CohortView]
    bench_days: list[dt.date]
    today: dt.date
    page: "Page[QueenBatch | CohortView]"

    @property
    def is_empty(self) -> bool:
        return not self.page.paginator.count


def season_lines(
    viewer: Viewer, season: Season, *, today: dt.date, everyone: bool, page: str | None = None
) -> SeasonLines:
    """Mine: my batches, my sources, and the sources my batches accept. Everyone's: all of the season."""
    batches = batches_seen_by(viewer).filter(season=season, closed_on__isnull=True)
    if not everyone:
        batches = batches.filter(member__in=viewer.member_ids)
    settings = settings_of(season)
    sources = offered_at_hand(season, today=today, settings=settings)
    if not everyone:
        own = _sources_of(viewer, season, batches)
        sources = [view for view in sources if view.source.pk in own]
    meeting = [cohort for source in sources for cohort in source.cohorts if cohort.state != "spent"]
    rows: list[QueenBatch | CohortView] = [*_by_graft(batches, season, settings), *meeting]
    shown = Paginator(rows, ROWS_PER_PAGE).get_page(page)
    drawn = [row.pk for row in shown if isinstance(row, QueenBatch)]
    views = {
        view.batch.pk: view
        for view in batch_views(batches.filter(pk__in=drawn), season=season, today=today, settings=settings)
    }
    return SeasonLines(
        season=season,
        batches=[views[pk] for pk in drawn],
        cohorts=[row for row in shown if isinstance(row, CohortView)],
        meeting=meeting,
        bench_days=bench_days(season),
        today=today,
        page=shown,
    )


def _by_graft(batches: QuerySet[QueenBatch], season: Season, settings: Settings) -> list[QueenBatch]:
    """In the order of their grafts, as far as the batches' own rows say: more is read of those that are shown."""
    rows = list(batches.select_related("apiary"))
    for batch in rows:
        batch.season = season
    return sorted(rows, key=lambda batch: (graft_day(recorded_of_batch(batch), settings), batch.pk))


def _sources_of(viewer: Viewer, season: Season, batches: QuerySet[QueenBatch]) -> set[int]:
    open_ = Booking.objects.filter(batch__in=batches).exclude(state__in=ENDED_BOOKINGS)
    accepted = set(BookingSource.objects.filter(booking__in=open_).values_list("source", flat=True))
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
        for day in lines.bench_days:
            if day >= lines.today and view.calendar.window.fit(day) == Fit.NORMAL:
                ripe = _ripe(lines, view, day)
                if ripe:
                    return _meets(view, day, ripe)
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
        cohort for cohort in lines.meeting if cohort.is_ripe_on(day) and (not accepted or cohort.source.pk in accepted)
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
