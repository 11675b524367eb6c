"""The season rule under the header of every page."""

from typing import Any

from django.http import HttpRequest
from django.utils.functional import SimpleLazyObject

from accounts.http import today_of
from scheduling.views.common import season_of_request
from scheduling.views.pictures import season_rule_svg


def season_rule(request: HttpRequest) -> dict[str, Any]:
    """`season_rule_svg`, drawn only when a page asks for it; the season itself is read once a request."""
    if getattr(request, "viewer", None) is None:
        return {"season_rule_svg": ""}
    return {"season_rule_svg": SimpleLazyObject(lambda: _rule(request))}


def _rule(request: HttpRequest) -> str:
    season = season_of_request(request)
    return season_rule_svg(season, today=today_of(request)) if season else ""
