"""What the shell of every page needs: who looks at it, the navigation of the shown role, badges."""

from typing import Any

from django.http import HttpRequest

from accounts.navigation import navigation_for, shown_role


def shell(request: HttpRequest) -> dict[str, Any]:
    viewer = getattr(request, "viewer", None)
    if viewer is None:
        return {"viewer": None, "nav": [], "nav_bottom": []}
    role = shown_role(request, viewer)
    return {"viewer": viewer, "shown_role": role, **navigation_for(request, viewer, role)}
