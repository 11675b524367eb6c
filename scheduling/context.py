"""The season rule under the header of every page, and what concerns everybody above it."""

from typing import Any

from django.http import HttpRequest
from django.urls import reverse
from django.utils.functional import SimpleLazyObject
from django.utils.translation import gettext as _

from accounts.context import second_step_banner
from accounts.http import now_of, today_of
from scheduling.forms.reminders import CHOICES
from scheduling.middleware import WATCH
from scheduling.views.common import season_of_request
from scheduling.views.pictures import season_rule_svg


def season_rule(request: HttpRequest) -> dict[str, Any]:
    """`season_rule_svg`, drawn only when a page asks for it; the season itself is read once a request."""
    if getattr(request, "viewer", None) is None:
        return {"season_rule_svg": ""}
    return {"season_rule_svg": SimpleLazyObject(lambda: _rule(request))}


def keeper(request: HttpRequest) -> dict[str, Any]:
    """When a page was drawn, and for how long a reminder can be put off on a device without a signal."""
    return {"put_off_choices": CHOICES, "drawn_at": now_of(request)}


def banners(request: HttpRequest) -> dict[str, Any]:
    """Said on every page while it lasts."""
    second_step = second_step_banner(request)
    if getattr(request, "viewer", None) is None or not WATCH.is_delayed:
        return {"banners": second_step}
    delayed = {
        "tone": "stop",
        "icon": "triangle-alert",
        "first": _("Reminders are delayed."),
        "text": _("Do not wait for them: look here for what is due. Whoever looks after the installation should know."),
        "link": reverse("scheduling:reminders"),
        "link_text": _("What is due"),
    }
    return {"banners": [delayed, *second_step]}


def _rule(request: HttpRequest) -> str:
    season = season_of_request(request)
    return season_rule_svg(season, today=today_of(request)) if season else ""
