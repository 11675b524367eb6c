"""Outcomes: how well does our bench work turn out, and where does it slip?"""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET

from accounts.http import today_of, viewer_of_request
from scheduling.queries.outcomes import SMALL, outcomes_of
from scheduling.queries.season import season_in_force


@require_GET
def outcomes(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    season = season_in_force(viewer.cooperative, today=today_of(request))
    rows = outcomes_of(season) if season else []
    queens = sum(row.queens for row in rows)
    looked_at = sum(row.looked_at for row in rows)
    laying = sum(row.eggs + row.worker_brood for row in rows)
    finding = _("Nothing to say yet")
    if looked_at:
        finding = _("%(laying)d of %(looked)d queens looked at lay") % {"laying": laying, "looked": looked_at}
    elif queens:
        finding = _("%(queens)d queens inseminated, none looked at yet") % {"queens": queens}
    return render(
        request,
        "scheduling/outcomes.html",
        {"rows": rows, "finding": finding, "is_small": 0 < looked_at < SMALL},
    )
