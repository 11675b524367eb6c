"""Settings of the season: every figure of the trade, where it comes from, who changed it."""

from decimal import Decimal

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop
from django.views.decorators.http import require_GET, require_http_methods, require_safe

from accounts.access import can_plan, require
from accounts.http import now_of, today_of, tried, viewer_of_request
from accounts.tables import table_response
from scheduling.forms.season import SeasonForm, SettingForm
from scheduling.models import Season
from scheduling.planning.facts import CONFLICTS, Topic
from scheduling.queries.season import (
    SettingRow,
    season_in_force,
    seasons_seen_by,
    setting_history,
    setting_rows,
)
from scheduling.queries.season_tables import TABLES, season_table
from scheduling.queries.words import words_of
from scheduling.services.season import season_open, setting_change
from scheduling.services.setting_preview import SettingPreview, setting_preview
from scheduling.views.common import is_everyones, no_season, season_of_request

ONLY_COORDINATOR = gettext_noop("The coordinator changes the figures of the season.")


@require_GET
def settings_page(request: HttpRequest) -> HttpResponse:
    season = season_of_request(request)
    if season is None:
        return no_season(request)
    rows = setting_rows(season)
    return render(
        request,
        "scheduling/settings.html",
        {
            "season": season,
            "topics": _by_topic(rows),
            "missing": [row for row in rows if row.is_missing],
            "conflicts": CONFLICTS,
            "history": setting_history(season, most=20),
            "can_change": can_plan(viewer_of_request(request)) and season.closed_at is None,
        },
    )


def _by_topic(rows: list[SettingRow]) -> list[tuple[str, list[SettingRow], bool]]:
    """Folded by topic; open where a figure is still to be set, or was changed this season."""
    found = []
    for topic in Topic:
        mine = [row for row in rows if row.fact.topic == topic]
        found.append((words_of(topic.said), mine, any(row.is_missing or row.row for row in mine)))
    return found


@require_http_methods(["GET", "POST"])
def setting(request: HttpRequest, pk: int, key: str) -> HttpResponse:
    """The first post shows what the figure moves, the second (`save`) uses it; one that moves nothing is used at once.

    `default` asks for the default instead of a value.
    """
    viewer = viewer_of_request(request)
    season = get_object_or_404(seasons_seen_by(viewer), pk=pk)
    require(can_plan(viewer), _(ONLY_COORDINATOR))
    row = next((row for row in setting_rows(season) if row.fact.key == key), None)
    if row is None:
        raise Http404
    to_default = "default" in request.POST
    data = {"value": row.value, "reason": request.POST.get("reason", "")} if to_default else request.POST or None
    form = SettingForm(data, initial={"value": row.value})
    if to_default:
        form.fields["value"].required = False
    preview: SettingPreview | None = None
    if request.method == "POST" and form.is_valid():
        preview = tried(
            form, lambda: _preview(request, season, key, None if to_default else form.cleaned_data["value"])
        )
        if (
            preview
            and ("save" in request.POST or preview.is_empty)
            and tried(form, lambda: _use(request, season, preview, form))
        ):
            _say_used(request, row, preview)
            return redirect("scheduling:settings")
    context = {"season": season, "row": row, "form": form, "preview": preview, "to_default": to_default}
    return render(request, "scheduling/setting.html", context)


def _preview(request: HttpRequest, season: Season, key: str, value: Decimal | None) -> SettingPreview:
    by, now, today = viewer_of_request(request).person, now_of(request), today_of(request)
    return setting_preview(season, key=key, value=value, by=by, now=now, today=today)


def _use(request: HttpRequest, season: Season, preview: SettingPreview, form: SettingForm) -> bool:
    setting_change(
        season,
        key=preview.key,
        value=preview.value,
        reason=form.cleaned_data["reason"],
        by=viewer_of_request(request).person,
        now=now_of(request),
    )
    return True


def _say_used(request: HttpRequest, row: SettingRow, preview: SettingPreview) -> None:
    if preview.value is None:
        text = _("“%(label)s” is back at its default.") % {"label": words_of(row.fact.label)}
    else:
        text = _("“%(label)s” is %(value)s %(unit)s now.") % {
            "label": words_of(row.fact.label),
            "value": f"{preview.value.normalize():f}",
            "unit": words_of(row.fact.unit),
        }
    follow = _("Nothing on record moves.") if preview.is_empty else _("All dates follow.")
    messages.success(request, f"{text} {follow}")


@require_http_methods(["GET", "POST"])
def season_add(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    require(can_plan(viewer), _("The coordinator opens a season."))
    form = SeasonForm(request.POST or None, initial=_next_season(request))
    if request.method == "POST" and form.is_valid():
        season = tried(
            form,
            lambda: season_open(viewer.cooperative, **form.cleaned_data, by=viewer.person, now=now_of(request)),
        )
        if season:
            messages.success(request, _("%(season)s is open. Look through its figures now.") % {"season": season})
            return redirect("scheduling:settings")
    return render(request, "scheduling/season_form.html", {"form": form})


def _next_season(request: HttpRequest) -> dict[str, object]:
    """This year, or the year after the season in force; April to August as elsewhere in the app."""
    today = today_of(request)
    last = season_in_force(viewer_of_request(request).cooperative, today=today)
    year = max(today.year, last.year + 1) if last else today.year
    return {"year": year, "starts_on": f"{year}-04-01", "ends_on": f"{year}-08-31"}


@require_safe
def season_csv(request: HttpRequest, table: str) -> HttpResponse:
    """A list of the season, all pages of it, as a table file."""
    season = season_of_request(request)
    if table not in TABLES:
        raise Http404
    if season is None:
        return no_season(request)
    viewer = viewer_of_request(request)
    return table_response(request, season_table(table, viewer, season, everyone=is_everyones(request)))
