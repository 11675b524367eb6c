"""What the season's pages share."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from accounts.access import can_plan
from accounts.http import today_of, viewer_of_request
from scheduling.models import Season
from scheduling.queries.season import season_in_force


def season_of_request(request: HttpRequest) -> Season | None:
    """The season in force, read once a request."""
    if not hasattr(request, "season_in_force"):
        viewer = viewer_of_request(request)
        season = season_in_force(viewer.cooperative, today=today_of(request))
        request.season_in_force = season  # type: ignore[attr-defined]
    return request.season_in_force  # type: ignore[attr-defined, no-any-return]


def no_season(request: HttpRequest) -> HttpResponse:
    return render(request, "scheduling/no_season.html", {"can_open": can_plan(viewer_of_request(request))})


def is_everyones(request: HttpRequest) -> bool:
    """Whether the list is asked for with the batches of all members; who has none of their own sees them all."""
    return request.GET.get("who") == "all" or not viewer_of_request(request).is_member
