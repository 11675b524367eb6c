"""From views of batches and cohorts to the drawings of `viz`. Every day comes from a calendar."""

import datetime as dt
from collections.abc import Sequence
from functools import lru_cache

from django.utils.safestring import SafeString
from django.utils.translation import get_language, pgettext
from django.utils.translation import gettext as _

from accounts.templatetags.broodtide import day_month, svg
from accounts.told import day_written
from scheduling.models import Season
from scheduling.planning.timing import BatchState
from scheduling.queries.batches import BatchView
from scheduling.queries.lines import SeasonLines
from scheduling.queries.rule import season_at_a_glance
from scheduling.queries.sources import CohortView
from scheduling.queries.words import day_words
from viz import gauge, season_lines
from viz import season_rule as rule

WEEKS_BEFORE, WEEKS_AFTER = 4, 5
DAY = dt.timedelta(days=1)  # drawings end at the start of the day after


def _month(day: dt.date) -> str:
    return day_written(day, "F")


def window_gauge_svg(view: BatchView) -> SafeString:
    """The window of a batch; nothing once its queens are inseminated."""
    if view.state in (BatchState.INSEMINATED, BatchState.LAYING, BatchState.CLOSED):
        return SafeString("")
    window = view.calendar.window
    if window.is_empty:
        return SafeString("")
    drawn = gauge.draw_gauge(
        gauge.Window(
            start=window.emerged_first_on,
            ready=window.opens_on,
            last=max(window.opens_on, window.last_on),
            today=view.today,
        ),
        uid=f"gauge-{view.batch.pk}",
        words=gauge.Words(
            title=_("Window of %(batch)s") % {"batch": view.batch},
            start=_("emerged") if window.is_observed else _("emerges"),
            ready=_("ready"),
            last=_("last day"),
            today=_("today"),
            head=(_("What"), _("Day")),
            day=day_month,
        ),
    )
    return svg(drawn.svg)


def cohort_gauge_svg(view: CohortView) -> SafeString:
    calendar = view.calendar
    if not calendar.is_usable:
        return SafeString("")
    drawn = gauge.draw_gauge(
        gauge.Window(
            start=calendar.emerging_from,
            ready=calendar.ripe_from,
            last=calendar.last_on,
            today=view.today,
            kind="drone",
        ),
        uid=f"ripe-{view.cohort.pk}",
        words=gauge.Words(
            title=_("Ripe days of %(cohort)s") % {"cohort": view.cohort},
            start=_("emerge"),
            ready=_("ripe"),
            last=_("last day"),
            today=_("today"),
            head=(_("What"), _("Day")),
            day=day_month,
        ),
    )
    return svg(drawn.svg)


def season_rule_svg(season: Season, *, today: dt.date) -> SafeString:
    glance = season_at_a_glance(season)
    first, last = min(season.starts_on, today), max(season.ends_on, today)
    return _rule_drawn(rule.Season(first, last, today, glance.bench_days, glance.ripe), get_language())


@lru_cache(maxsize=256)  # it stands under the header of every page, and changes with the day or a bench day
def _rule_drawn(season: rule.Season, language: str | None) -> SafeString:
    drawn = rule.draw_rule(
        season,
        words=rule.Words(
            title=_("The season"),
            bench_day=_("Bench day"),
            ripe=_("Drones ripe"),
            head=(_("What"), _("From"), _("To")),
            day=day_words,
            month=_month,
        ),
    )
    return svg(drawn.svg)


def lines_drawn(lines: SeasonLines) -> tuple[season_lines.Drawn, season_lines.Drawn]:
    """The whole width, and five weeks around today for phones."""
    rows = [*(_batch_line(view) for view in lines.batches), *(_cohort_line(view) for view in lines.cohorts)]
    window = _shown_days(rows, lines)
    words = season_lines.Words(
        today=_("today"),
        place=_("place at the bench"),
        caption=_("Season lines"),
        head=(pgettext("of the season", "Line"), _("Step"), _("From"), _("To"), _("Bench places")),
        day=day_words,
        tick=day_month,
    )
    return (
        season_lines.draw_lines(rows, window, uid="lines", words=words),
        season_lines.draw_near(rows, window, uid="near", words=words),
    )


def _shown_days(rows: Sequence[season_lines.Line], lines: SeasonLines) -> season_lines.Window:
    """What the lines cover, at most some weeks on either side of today, so that a day stays wide enough to read."""
    steps = [step for row in rows for step in row.steps]
    earliest = lines.today - dt.timedelta(weeks=WEEKS_BEFORE)
    latest = lines.today + dt.timedelta(weeks=WEEKS_AFTER)
    first = max(earliest, min((step.first for step in steps), default=earliest))
    last = min(latest, max((step.until for step in steps), default=latest))
    return season_lines.Window(min(first, lines.today), max(last, lines.today), lines.today, tuple(lines.bench_days))


def _batch_line(view: BatchView) -> season_lines.Line:
    calendar, window = view.calendar, view.calendar.window
    confine = calendar.step("confine_breeder")
    steps = [
        (_("egg"), confine.best if confine else calendar.grafted_on, calendar.grafted_on, "plain"),
        (_("graft"), calendar.grafted_on, calendar.sealed_on, "plain"),
        (_("cells"), calendar.sealed_on, window.emerged_first_on, "mid"),
        (_("ageing"), window.emerged_first_on, window.opens_on, "late"),
        (_("ready"), window.opens_on, window.last_on + DAY, "now"),
        (_("with reason"), window.last_on + DAY, window.blocked_from, "mid"),
    ]
    places = {place.session.day for place in view.places}
    return season_lines.Line(f"batch-{view.batch.pk}", view.batch.name, "queens", _steps(steps), tuple(sorted(places)))


def _cohort_line(view: CohortView) -> season_lines.Line:
    calendar = view.calendar
    steps = [
        (_("comb in"), calendar.comb_on or calendar.laid_from, calendar.laid_from, "plain"),
        (_("laid"), calendar.laid_from, calendar.capped_from, "plain"),
        (_("capped"), calendar.capped_from, calendar.emerging_from, "mid"),
        (_("ripening"), calendar.emerging_from, calendar.ripe_from, "ripening"),
        (_("ripe"), calendar.ripe_from, min(calendar.preferred_to + DAY, calendar.spent_from), "now"),
        (_("fading"), max(calendar.ripe_from, calendar.preferred_to + DAY), calendar.spent_from, "fading"),
    ]
    return season_lines.Line(f"cohort-{view.cohort.pk}", str(view.cohort), "drones", _steps(steps))


def _steps(rows: Sequence[tuple[str, dt.date, dt.date, str]]) -> tuple[season_lines.Step, ...]:
    return tuple(
        season_lines.Step(label, first, until, look)  # type: ignore[arg-type]  # looks of viz, spelt here
        for label, first, until, look in rows
        if until > first
    )
