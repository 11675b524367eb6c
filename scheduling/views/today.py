"""Today: what needs me, and what comes next?"""

import datetime as dt
import json
from typing import Any
from zoneinfo import ZoneInfo

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import NoReverseMatch, reverse
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import pgettext
from django.views.decorators.http import require_GET

from accounts.access import Viewer
from accounts.http import now_of, today_of, viewer_of_request
from accounts.models import Role
from accounts.navigation import shown_role
from accounts.states import state_of
from scheduling.models import Season
from scheduling.queries.reminders import ShownReminder
from scheduling.queries.today import (
    due_now,
    first_steps,
    headline,
    last_evaluation,
    next_session,
    open_conflicts,
    queens_to_bench,
)
from scheduling.queries.words import day_words, moment_words
from scheduling.views.common import season_of_request
from scheduling.views.pictures import window_gauge_svg

OFFERED = "place_offered"


@require_GET
def today(request: HttpRequest) -> HttpResponse:
    viewer, now = viewer_of_request(request), now_of(request)
    season = season_of_request(request)
    pressing, coming = due_now(viewer, now=now)
    context: dict[str, Any] = {
        "season": season,
        "headline": headline(pressing, coming, now=now, zone=ZoneInfo(viewer.cooperative.time_zone)),
        "due": [_due_row(row, viewer, now) for row in pressing],
        "coming": [_due_row(row, viewer, now) for row in coming],
        "steps": [(step, *FIRST_STEPS[step.key]()) for step in first_steps(viewer, season)],
        "cooperative": viewer.cooperative,
        "zone": viewer.cooperative.time_zone,
        "now": now,
    }
    if season is not None:
        context |= _of_season(request, viewer, season, now)
    return render(request, "scheduling/today.html", context)


def _of_season(request: HttpRequest, viewer: Viewer, season: Season, now: dt.datetime) -> dict[str, Any]:
    """The parts that only a running season has, by the role looked through."""
    day, role = today_of(request), shown_role(request, viewer)
    queens = queens_to_bench(viewer, season, today=day) if viewer.is_member else []
    bench = next_session(viewer, season, today=day, now=now)
    return {
        "queens": [(view, window_gauge_svg(view)) for view in queens],
        "bench": bench,
        "bench_words": moment_words(bench.session.starts_at, ZoneInfo(viewer.cooperative.time_zone)) if bench else "",
        "conflicts": open_conflicts(season) if role == Role.COORDINATOR else None,
        "run": last_evaluation(viewer.cooperative) if role == Role.BREEDER else None,
        "shows_run": role == Role.BREEDER,
        "today": day,
    }


def _due_row(row: ShownReminder, viewer: Viewer, now: dt.datetime) -> dict[str, Any]:
    """Arguments of the due row: the day large, the hour below it, at most two buttons."""
    zone = ZoneInfo(viewer.cooperative.time_zone)
    due, moment = row.reminder.due_at.astimezone(zone), now.astimezone(zone)
    days = (due.date() - moment.date()).days
    done = {
        "label": _("Seen") if row.is_news else _("Done"),
        "icon": "check",
        "post": _address("scheduling:reminder_done", row.reminder.pk),
        "second": row.state not in ("late", "due"),
        "facts": json.dumps({"reminder": row.reminder.pk, "act": "done"}),
        "said": _("Done: %(title)s") % {"title": row.reminder.title},
    }
    acts: list[dict[str, Any]] = [done]
    if row.kind.key == OFFERED:
        offer = row.reminder.subject_id
        acts = [
            {"label": _("Take it"), "icon": "check", "post": _address("scheduling:offer_accept", offer)},
            {"label": _("Let it pass"), "post": _address("scheduling:offer_decline", offer), "second": True},
        ]
    elif not row.is_news:
        acts.append(
            {
                "label": pgettext("act", "Put off"),
                "link": _address("scheduling:reminder_put_off", row.reminder.pk),
                "second": True,
                "put_off": row.reminder.pk,
                "said": _("Put off: %(title)s") % {"title": row.reminder.title},
            }
        )
    return {
        "day": _big_day(days, due.date()),
        "when": _when(days, due),
        "state": state_of("reminder", row.state),
        "what": row.reminder.title,
        "why": row.reminder.why,
        "link": row.reminder.link,
        "acts": [act for act in acts if act.get("post") or act.get("link")],
    }


def _big_day(days: int, day: dt.date) -> str:
    if days == 0:
        return _("Today")
    if days < 0:
        return _("−%(n)d d") % {"n": -days}
    return _("Tomorrow") if days == 1 else date_format(day, "D")


def _when(days: int, due: dt.datetime) -> str:
    """The hour today; else the date, without the weekday where it stands above as the big day."""
    if days == 0:
        return _("by %(hour)s") % {"hour": f"{due:%H:%M}"}
    words = day_words(due.date())
    return words.partition(" ")[2] if days > 1 else words


def _address(name: str, *args: object) -> str:
    """Empty where a page is not there."""
    try:
        return reverse(name, args=args)
    except NoReverseMatch:
        return ""


FIRST_STEPS = {
    "apiary": lambda: (_("Add your apiary"), _("Where your colonies stand."), _address("accounts:apiary_add")),
    "colony": lambda: (
        _("Add a colony and its queen"),
        _("Its scores feed the ranking."),
        _address("breeding:colony_add"),
    ),
    "season": lambda: (
        _("Plan a batch, or promise drones"),
        _("Every date is worked out from there."),
        _address("scheduling:batch_add"),
    ),
}
