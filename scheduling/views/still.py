"""Can I still? What may begin today for a bench day, and the last day to begin each step."""

from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from accounts.http import today_of, viewer_of_request
from scheduling.forms.season import StillForm
from scheduling.queries.still import still_page
from scheduling.views.common import no_season, season_of_request

ROWS_PER_PAGE = 24


@require_GET
def can_i_still(request: HttpRequest) -> HttpResponse:
    viewer, season = viewer_of_request(request), season_of_request(request)
    if season is None:
        return no_season(request)
    asked = StillForm(request.GET if "day" in request.GET else None)
    day = asked.cleaned_data["day"] if asked.is_bound and asked.is_valid() else None
    everyone = request.GET.get("who") == "all" or not viewer.is_member
    page = still_page(viewer, season, today=today_of(request), day=day, everyone=everyone)
    form = asked if asked.is_bound and not asked.is_valid() else StillForm(initial={"day": page.day})
    return render(
        request,
        "scheduling/still.html",
        {
            "season": season,
            "page": page,
            "drones": Paginator(page.drones, ROWS_PER_PAGE).get_page(request.GET.get("drones_page")),
            "queens": Paginator(page.queens, ROWS_PER_PAGE).get_page(request.GET.get("queens_page")),
            "form": form,
            "today": today_of(request),
            "everyone": everyone,
        },
    )
