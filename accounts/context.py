"""What the shell of every page needs: who looks at it, the navigation of the shown role, badges."""

from typing import Any

from django.http import HttpRequest
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _

from accounts.navigation import navigation_for, shown_role
from accounts.queries.second_step import has_second_step, needs_second_step, second_step_due
from accounts.templatetags.broodtide import short_day


def second_step_banner(request: HttpRequest) -> list[dict[str, Any]]:
    """Said on every page to whoever still has to set up a second step at sign-in, until they have."""
    viewer = getattr(request, "viewer", None)
    if viewer is None:
        return []
    due = second_step_due(viewer.person)
    if due is None or not needs_second_step(viewer.person) or has_second_step(viewer.person):
        return []
    day = short_day(timezone.localtime(due).date())
    return [
        {
            "tone": "wait",
            "icon": "lock",
            "first": _("You need a second step for signing in: set it up until %(day)s.") % {"day": day},
            "text": _("A coordinator can see and change what belongs to everybody."),
            "link": reverse("accounts:second_step"),
            "link_text": _("Set it up"),
        }
    ]


def shell(request: HttpRequest) -> dict[str, Any]:
    viewer = getattr(request, "viewer", None)
    if viewer is None:
        return {"viewer": None, "nav": [], "nav_bottom": []}
    role = shown_role(request, viewer)
    return {"viewer": viewer, "shown_role": role, **navigation_for(request, viewer, role)}
