"""The service level: what is promised and what is kept, level by level, and choosing one."""

from dataclasses import dataclass

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.formats import number_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_GET, require_POST

from accounts.access import can_plan, require
from accounts.http import now_of, tried_with_message, viewer_of_request
from accounts.services.jobs import job_ask_stop
from breeding.templatetags.stock import plain_number
from scheduling.models import Season
from scheduling.planning.service_curve import Point
from scheduling.queries.season import settings_of
from scheduling.queries.service_levels import SETTING, Levels, levels_last, levels_newest_run, levels_open_run
from scheduling.queries.words import day_words
from scheduling.services.service_levels import service_levels_ask
from scheduling.views.common import no_season, season_of_request
from viz.curve import Axis, Line, Mark, Words, draw_curve
from viz.tables import Drawing

COORDINATOR_ONLY = gettext_lazy("The coordinator chooses the service level.")


@dataclass(frozen=True)
class LevelRow:
    """One level in the table, as people read it."""

    point: Point
    value: str
    percent: int
    served: int
    low: int
    high: int
    broken: int
    short: str
    short_low: str
    short_high: str
    is_now: bool


@require_GET
def service_levels(request: HttpRequest) -> HttpResponse:
    season = _season(request)
    if season is None:
        return no_season(request)
    last, run = levels_last(season), levels_newest_run(season)
    now = float(settings_of(season).service_level_share)
    context = {
        "season": season,
        "finding": _finding(last, now),
        "last": last,
        "worked_out_on": day_words(last.first_day) if last else "",
        "rows": [_row(point, now) for point in last.points] if last else [],
        "charts": _charts(last, now) if last else [],
        "level": round(100 * now),
        "level_is_known": bool(last and last.at(now)),
        "set_url": reverse("scheduling:setting", args=[season.pk, SETTING]),
        "job": run if run is not None and (run.is_open or run.problem) else None,
        "can_change": season.closed_at is None,
    }
    return render(request, "scheduling/service_levels.html", context)


@require_POST
def service_levels_work_out(request: HttpRequest) -> HttpResponse:
    season, person = _season(request), viewer_of_request(request).person
    if season is not None:
        tried_with_message(request, lambda: service_levels_ask(season, by=person, now=now_of(request)))
    return redirect("scheduling:service_levels")


@require_GET
def service_levels_run(request: HttpRequest) -> HttpResponse:
    """How far it is: a fragment for htmx that leads to the result; everybody else sees the page."""
    season = _season(request)
    job = levels_open_run(season) if season is not None else None
    if request.headers.get("HX-Request") and job is not None:
        return render(request, "scheduling/service_levels_run.html", {"job": job})
    if request.headers.get("HX-Request"):
        response = HttpResponse()
        response["HX-Redirect"] = request.build_absolute_uri(reverse("scheduling:service_levels"))
        return response
    return redirect("scheduling:service_levels")


@require_POST
def service_levels_stop(request: HttpRequest) -> HttpResponse:
    season, person = _season(request), viewer_of_request(request).person
    job = levels_open_run(season) if season is not None else None
    if job is not None:
        tried_with_message(request, lambda: job_ask_stop(job, by=person, now=now_of(request)))
    return redirect("scheduling:service_levels")


def _season(request: HttpRequest) -> Season | None:
    require(can_plan(viewer_of_request(request)), COORDINATOR_ONLY)
    return season_of_request(request)


def _finding(last: Levels | None, now: float) -> str:
    point = last.at(now) if last else None
    if point is None:
        return _("Which service level shall the season keep?")
    return _("At %(level)d %% it promises %(promised)d queens and serves %(served)d") % {
        "level": round(100 * now),
        "promised": point.promised,
        "served": round(point.served),
    }


def _row(point: Point, now: float) -> LevelRow:
    return LevelRow(
        point=point,
        value=f"{point.level:.3f}".rstrip("0"),
        percent=round(100 * point.level),
        served=round(point.served),
        low=round(point.served_low),
        high=round(point.served_high),
        broken=max(0, point.promised - round(point.served)),
        short=_percent(point.short),
        short_low=_percent(point.short_low),
        short_high=_percent(point.short_high),
        is_now=abs(point.level - now) < 1e-6,
    )


def _percent(share: float) -> str:
    return number_format(round(100 * share, 1), decimal_pos=1)


def _charts(last: Levels, now: float) -> list[Drawing]:
    level = Axis(_("Service level, %"), factor=100, places=0)
    points, here = last.points, last.at(now)
    queens = draw_curve(
        [
            Line(_("promised"), tuple((p.level, float(p.promised)) for p in points)),
            Line(_("really served"), tuple((p.level, p.served) for p in points)),
        ],
        level,
        Axis(_("Queens"), places=0),
        uid="levels-queens",
        words=Words(
            _("Queens promised and really served"),
            _("By service level"),
            (_("Service level, %"), _("Promised"), _("Really served")),
            plain_number,
        ),
        marks=[Mark(here.level, here.served, _("now"))] if here else [],
    )
    short = draw_curve(
        [
            Line(_("run short"), tuple((p.level, p.short) for p in points)),
            Line(_("may run short"), tuple((p.level, 1 - p.level) for p in points)),
        ],
        level,
        Axis(_("Source-sessions, %"), factor=100),
        uid="levels-short",
        words=Words(
            _("Source-sessions that run short"),
            _("By service level"),
            (_("Service level, %"), _("Run short, %"), _("May run short, %")),
            plain_number,
        ),
        zero=True,
    )
    return [queens, short]
