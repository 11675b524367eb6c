"""Puts the viewer (person, cooperative, roles) on each request of a signed-in person; times are the cooperative's."""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone

from accounts.access import Viewer, viewer_of
from accounts.models import Person

COOPERATIVE_KEY = "cooperative_id"
ROLE_KEY = "shown_role"


class ViewerRequest(HttpRequest):
    """What views get: a request with its viewer."""

    user: Person
    viewer: Viewer


class ViewerMiddleware:
    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        try:
            return self.get_response(request)
        finally:
            timezone.deactivate()  # the thread serves somebody else next

    def process_view(
        self, request: HttpRequest, view: Callable[..., HttpResponse], args: object, kwargs: object
    ) -> HttpResponse | None:
        """After sign-in is checked; a person who belongs to no cooperative gets the page that says so."""
        request.viewer = None  # type: ignore[attr-defined]
        if not isinstance(request.user, Person):
            return None
        viewer = viewer_of(request.user, request.session.get(COOPERATIVE_KEY))
        request.viewer = viewer  # type: ignore[attr-defined]
        if viewer is not None:
            timezone.activate(viewer.cooperative.time_zone)
        free = getattr(view, "login_required", True) is False or getattr(view, "without_cooperative", False)
        if viewer is None and not free and not request.path.startswith("/admin/"):
            return redirect(reverse("accounts:no_cooperative"))
        return None
