"""Season lines: will my queens and the drones I want be ready on the same day?"""

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_GET

from accounts.http import today_of, viewer_of_request
from scheduling.queries.batches import BatchView
from scheduling.queries.drones import cohort_forecast
from scheduling.queries.lines import meeting_words
from scheduling.queries.lines import season_lines as lines_of
from scheduling.queries.sources import CohortView
from scheduling.views.common import no_season, season_of_request
from scheduling.views.pictures import lines_drawn


@require_GET
def season_lines(request: HttpRequest) -> HttpResponse:
    viewer, season = viewer_of_request(request), season_of_request(request)
    if season is None:
        return no_season(request)
    everyone = request.GET.get("who") == "all" or not viewer.is_member
    lines = lines_of(viewer, season, today=today_of(request), everyone=everyone, page=request.GET.get("page"))
    wide, near = lines_drawn(lines)
    labels = [*(_batch_label(view, everyone) for view in lines.batches), *map(_cohort_label, lines.cohorts)]
    context = {
        "season": season,
        "lines": lines,
        "page": lines.page,
        "everyone": everyone,
        "can_choose": viewer.is_member,
        "answer": meeting_words(lines),
        "wide": wide,
        "near": near,
        "rows": [
            {**label, "wide": full.svg, "near": close.svg}
            for label, full, close in zip(labels, wide.strips, near.strips, strict=True)
        ],
    }
    return render(request, "scheduling/lines.html", context)


def _batch_label(view: BatchView, everyone: bool) -> dict[str, Any]:
    parts = [_("mother %(mother)s") % {"mother": view.batch.mother}]
    if view.queens is not None:
        parts.insert(0, ngettext("%(n)d queen", "%(n)d queens", view.queens) % {"n": view.queens})
    if everyone:
        parts.append(view.batch.member.name)
    return {
        "name": view.batch.name,
        "link": reverse("scheduling:batch", args=[view.batch.pk]),
        "sub": " · ".join(parts),
        "chip_thing": "batch",
        "chip_key": view.state,
    }


def _cohort_label(view: CohortView) -> dict[str, Any]:
    forecast = cohort_forecast(view)
    expected = (
        ngettext("%(n)d drone expected", "%(n)d drones expected", forecast.drones) % {"n": forecast.drones}
        if forecast
        else _("not counted yet")
    )
    return {
        "name": str(view.cohort),
        "link": reverse("scheduling:cohort", args=[view.cohort.pk]),
        "sub": expected,
        "chip_thing": "cohort",
        "chip_key": view.state,
        "source": view.source,
    }
