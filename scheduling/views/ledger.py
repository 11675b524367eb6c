"""The season's ledger: who asked, got and gave what, and by which rules places are given."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_GET, require_http_methods, require_safe

from accounts.access import can_plan, require
from accounts.http import now_of, tried, viewer_of_request
from accounts.tables import table_response
from scheduling.forms.ledger import PrioritiesForm
from scheduling.queries.ledger import LedgerRow, ledger_of, ledger_table, priorities_words
from scheduling.queries.season import seasons_seen_by
from scheduling.services.priorities import FIELDS, priorities_change
from scheduling.views.common import no_season, season_of_request


@require_GET
def ledger(request: HttpRequest) -> HttpResponse:
    viewer, season = viewer_of_request(request), season_of_request(request)
    if season is None:
        return no_season(request)
    rows = ledger_of(season)
    context = {
        "season": season,
        "rows": rows,
        "finding": _finding(rows),
        "own": viewer.member_ids,
        "priorities": priorities_words(season),
        "can_change": can_plan(viewer) and season.closed_at is None,
    }
    return render(request, "scheduling/ledger.html", context)


@require_safe
def ledger_csv(request: HttpRequest) -> HttpResponse:
    """The ledger as a table file."""
    season = season_of_request(request)
    return no_season(request) if season is None else table_response(request, ledger_table(season))


def _finding(rows: list[LedgerRow]) -> str:
    asking = [row for row in rows if row.share is not None]
    if not asking:
        return _("Nobody has asked for a place yet")
    asked, got = sum(row.asked for row in asking), sum(row.got for row in asking)
    return ngettext("%(got)d of %(n)d queen has a place", "%(got)d of %(n)d queens have a place", asked) % {
        "got": got,
        "n": asked,
    }


@require_http_methods(["GET", "POST"])
def priorities(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    season = get_object_or_404(seasons_seen_by(viewer).select_related("cooperative"), pk=pk)
    require(can_plan(viewer), _("The coordinator sets the order of priorities."))
    now_set = {name: getattr(season, name) for name in FIELDS}
    initial = {name: str(int(value)) if isinstance(value, bool) else value for name, value in now_set.items()}
    form = PrioritiesForm(request.POST or None, initial=initial)
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        if tried(form, lambda: priorities_change(season, **data, by=viewer.person, now=now_of(request))):
            messages.success(request, _("Plans and offers follow this order from now on."))
            return redirect("scheduling:ledger")
    return render(request, "scheduling/priorities.html", {"season": season, "form": form})
