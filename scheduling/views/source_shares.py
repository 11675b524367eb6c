"""Caps and targets of the season's sources, beside what the plan takes from each."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.formats import number_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_http_methods

from accounts.access import can_plan, require
from accounts.http import now_of, tried, viewer_of_request
from scheduling.forms.source_shares import SourceSharesForm
from scheduling.models import Plan, Season
from scheduling.queries.kinship import season_kinship
from scheduling.queries.plans import plan_in_force, plan_latest_sketch
from scheduling.queries.season import settings_of
from scheduling.queries.shares import shares_of
from scheduling.services.source_shares import source_shares_set
from scheduling.views.common import no_season, season_of_request

COORDINATOR_ONLY = gettext_lazy("The coordinator sets how much each source may give.")


@require_http_methods(["GET", "POST"])
def source_shares(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    require(can_plan(viewer), COORDINATOR_ONLY)
    season = season_of_request(request)
    if season is None:
        return no_season(request)
    plan = _named(request, season) or plan_latest_sketch(season) or plan_in_force(season)
    shares = shares_of(season, plan)
    sources = [row.source for row in shares.rows if row.source.withdrawn_at is None]
    form = SourceSharesForm(sources, request.POST or None)
    if request.method == "POST" and form.is_valid():
        changed = tried(form, lambda: source_shares_set(season, form.wanted(), by=viewer.person, now=now_of(request)))
        if changed is not None:
            text = ngettext("%(n)d source changed.", "%(n)d sources changed.", len(changed)) % {"n": len(changed)}
            messages.success(request, text + " " + _("Plans worked out from now on keep to the caps."))
            return redirect("scheduling:source_shares")
    context = {
        "plan": plan,
        "shares": shares,
        "rows": [
            (row, form.bound("cap", row.source), form.bound("target", row.source))
            for row in shares.rows
            if row.source in sources
        ],
        "form": form,
        "for_all": 100 * settings_of(season).max_source_share,
        "kinship": season_kinship(season, [plan])[0] if plan is not None else None,
        "finding": _finding(shares.in_use, shares.effective),
    }
    return render(request, "scheduling/source_shares.html", context, status=422 if form.errors else 200)


def _named(request: HttpRequest, season: Season) -> Plan | None:
    """The plan of the address; nonsense in it names none."""
    named = request.GET.get("plan", "")
    return season.plans.filter(pk=int(named)).first() if named.isdecimal() and len(named) < 10 else None


def _finding(in_use: int, effective: float) -> str:
    if not in_use:
        return _("No plan takes semen yet")
    return ngettext(
        "%(n)d source in use counts as %(effective)s",
        "%(n)d sources in use count as %(effective)s in equal parts",
        in_use,
    ) % {"n": in_use, "effective": number_format(round(effective, 1), decimal_pos=1)}
