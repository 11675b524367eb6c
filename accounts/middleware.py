"""Puts the viewer (person, cooperative, roles) on each request of a signed-in person.

Words are in the person's language, times are the cooperative's.
"""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone, translation
from django.utils.translation import gettext as _

from accounts.access import Viewer, viewer_of
from accounts.http import now_of
from accounts.models import Person
from accounts.queries.second_step import is_second_step_missing
from accounts.services.sessions import session_seen

COOPERATIVE_KEY = "cooperative_id"
ROLE_KEY = "shown_role"
SEEN_KEY, SEEN_SECONDS = "seen_at", 15 * 60
PERSON_HEADER = "X-Person"  # whose page it is: the service worker keeps a copy of pages that name somebody


class ViewerRequest(HttpRequest):
    """What views get: a request with its viewer."""

    user: Person
    viewer: Viewer


class LanguageMiddleware:
    """Who is signed in reads in the language they chose; everybody else in what their browser asks for."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if isinstance(request.user, Person) and request.user.language:
            translation.activate(request.user.language)
            request.LANGUAGE_CODE = translation.get_language()
        return self.get_response(request)


class ViewerMiddleware:
    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        try:
            response = self.get_response(request)
        finally:
            timezone.deactivate()  # the thread serves somebody else next
        viewer = getattr(request, "viewer", None)
        if viewer is not None and _may_be_kept(request, response):
            response[PERSON_HEADER] = str(viewer.person.pk)
        return response

    def process_view(
        self, request: HttpRequest, view: Callable[..., HttpResponse], args: object, kwargs: object
    ) -> HttpResponse | None:
        """After sign-in is checked; a person who belongs to no cooperative gets the page that says so."""
        request.viewer = None  # type: ignore[attr-defined]
        if not isinstance(request.user, Person):
            return None
        _note_seen(request)
        viewer = viewer_of(request.user, request.session.get(COOPERATIVE_KEY))
        request.viewer = viewer  # type: ignore[attr-defined]
        if viewer is not None:
            timezone.activate(viewer.cooperative.time_zone)
        free = getattr(view, "login_required", True) is False or getattr(view, "without_cooperative", False)
        if viewer is None and not free and not request.path.startswith("/admin/"):
            return redirect(reverse("accounts:no_cooperative"))
        return None


class SecondStepMiddleware:
    """Who needs a second step at sign-in and let their days pass sets one up before anything else."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_view(
        self, request: HttpRequest, view: Callable[..., HttpResponse], args: object, kwargs: object
    ) -> HttpResponse | None:
        person, api = request.user, request.path.startswith("/api/")  # whose views see to signing in by themselves
        free = getattr(view, "login_required", True) is False or getattr(view, "without_second_step", False)
        if (free and not api) or not isinstance(person, Person) or person.second_step_asked_at is None:
            return None
        if not is_second_step_missing(person, now=now_of(request)):
            return None
        if api:
            text = _("Set up a second step for signing in first: on the site, under You.")
            problem = {"type": "about:blank", "title": "Forbidden", "status": 403, "detail": text}
            return JsonResponse(problem, status=403, content_type="application/problem+json")
        return redirect(reverse("accounts:second_step"))


class OnlySentMiddleware:
    """Somebody who opens the address of an act (a bookmark, the way back after signing in) sees a page, not nothing."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        if response.status_code != 405 or request.method != "GET" or not request.accepts("text/html"):
            return response
        page = render(request, "405.html", status=405)
        page["Allow"] = response.headers.get("Allow", "POST")
        return page


def _note_seen(request: HttpRequest) -> None:
    """Now and then; writing the session also moves the end of it, which counts from the last use."""
    seen, now = request.session.get(SEEN_KEY), now_of(request)
    if seen is not None and now.timestamp() - seen >= SEEN_SECONDS:
        request.session[SEEN_KEY] = int(now.timestamp())
        session_seen(str(request.session.session_key), now=now)


def _may_be_kept(request: HttpRequest, response: HttpResponse) -> bool:
    """Whole pages that a device may show again without a network; none with a secret, none of the administration."""
    return (
        request.method == "GET"
        and response.status_code == 200
        and response.get("Content-Type", "").startswith("text/html")
        and "no-store" not in response.get("Cache-Control", "")
        and "HX-Request" not in request.headers
        and not request.path.startswith("/admin/")
    )
