"""Season lines: will my queens and the drones I want be ready on the same day?"""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from accounts.http import today_of, viewer_of_request
from scheduling.queries.drones import cohort_forecast
from scheduling.queries.lines import meeting_words
from scheduling.queries.lines import season_lines as lines_of
from scheduling.views.common import no_season, season_of_request
from scheduling.views.pictures import lines_drawn


@require_GET
def season_lines(request: HttpRequest) -> HttpResponse:
    viewer, season = viewer_of_request(request), season_of_request(request)
    if season is None:
        return no_season(request)
    everyone = request.GET.get("who") == "all" or not viewer.is_member
    lines = lines_of(viewer, season, today=today_of(request), everyone=everyone)
    wide, near = lines_drawn(lines)
    labelled = [(view, None) for view in lines.batches], [(view, cohort_forecast(view)) for view in lines.cohorts]
    context = {
        "season": season,
        "lines": lines,
        "everyone": everyone,
        "can_choose": viewer.is_member,
        "answer": meeting_words(lines),
        "wide": wide,
        "near": near,
        "rows": [
            (*label, full, close)
            for label, full, close in zip([*labelled[0], *labelled[1]], wide.strips, near.strips, strict=True)
        ],
    }
    return render(request, "scheduling/lines.html", context)
