"""What the views of this app share: who may come without a cooperative, from where somebody comes, known devices."""

import ipaddress
import secrets
from collections.abc import Callable
from typing import TypeVar, cast

from django.conf import settings
from django.contrib.auth import login
from django.core import signing
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils.http import url_has_allowed_host_and_scheme

from accounts.models import Cooperative, Person

View = TypeVar("View", bound=Callable[..., HttpResponse])

DEVICE_COOKIE = "__Host-device" if settings.HTTPS else "broodtide_device"
DEVICE_SALT = "accounts.device"
DEVICE_SECONDS = 400 * 24 * 3600  # the longest that browsers keep a cookie
STAFF_SECONDS = 12 * 3600
DEVICE_PEOPLE = 6  # a tablet by the bench is shared


def without_cooperative(view: View) -> View:
    """Also for somebody signed in who belongs to no cooperative."""
    view.without_cooperative = True  # type: ignore[attr-defined]
    return view


def signed_in_person(request: HttpRequest) -> Person:
    """Also where the person belongs to no cooperative and there is no viewer."""
    return cast(Person, request.user)


def viewed_cooperative(request: HttpRequest) -> Cooperative | None:
    viewer = getattr(request, "viewer", None)
    return viewer.cooperative if viewer is not None else None


def address_of(request: HttpRequest) -> str:
    """The network address to slow down: what the one trusted proxy saw, else the connection's; IPv6 by its /64."""
    text = request.META.get("REMOTE_ADDR", "")
    if settings.BEHIND_PROXY:
        text = request.headers.get("X-Forwarded-For", text).rpartition(",")[2].strip() or text
    try:
        address = ipaddress.ip_address(text)
    except ValueError:
        return "unknown"
    if isinstance(address, ipaddress.IPv6Address):
        return str(ipaddress.ip_network((address, 64), strict=False))
    return str(address)


def devices_of(request: HttpRequest) -> dict[int, str]:
    """The marks of those who signed in on this device before; empty when the cookie is missing or not ours."""
    try:
        marks = signing.loads(request.COOKIES.get(DEVICE_COOKIE, ""), salt=DEVICE_SALT, max_age=DEVICE_SECONDS)
    except signing.BadSignature:
        return {}
    return {int(person): str(mark) for person, mark in marks.items()}


def device_remember(request: HttpRequest, response: HttpResponse, person: Person) -> HttpResponse:
    """Mark this device as one on which the person signed in, so that nobody elsewhere can slow them down here."""
    marks = {pk: mark for pk, mark in devices_of(request).items() if pk != person.pk}
    kept = dict(list(marks.items())[-DEVICE_PEOPLE + 1 :])
    response.set_cookie(
        DEVICE_COOKIE,
        signing.dumps({**kept, person.pk: secrets.token_urlsafe(12)}, salt=DEVICE_SALT),
        max_age=DEVICE_SECONDS,
        secure=settings.HTTPS,
        httponly=True,
        samesite="Lax",
    )
    return response


def safe_next(request: HttpRequest) -> str:
    """Where to go afterwards: an address of this site, or nothing."""
    wanted = request.POST.get("next", request.GET.get("next", ""))
    good = url_has_allowed_host_and_scheme(wanted, {request.get_host()}, require_https=request.is_secure())
    return wanted if good else ""


def person_signed_in(request: HttpRequest, person: Person) -> HttpResponse:
    """A session of its own with a new id; the administration's ends the same day."""
    login(request, person, backend="django.contrib.auth.backends.ModelBackend")
    if person.is_staff:
        request.session.set_expiry(STAFF_SECONDS)
    return device_remember(request, redirect(safe_next(request) or "today"), person)
