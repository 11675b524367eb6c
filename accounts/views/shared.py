"""What the views of this app share: who may come without a cooperative, from where somebody comes, known devices."""

import ipaddress
import secrets
from collections.abc import Callable
from functools import wraps
from typing import Any, TypeVar, cast
from urllib.parse import urlencode

from django.conf import settings
from django.contrib.auth import login
from django.core import signing
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.crypto import constant_time_compare
from django.utils.http import url_has_allowed_host_and_scheme

from accounts.http import now_of
from accounts.languages import language_asked_for
from accounts.middleware import SEEN_KEY
from accounts.models import Cooperative, Person
from accounts.queries.second_step import has_second_step
from accounts.services.people import person_language_first
from accounts.services.second_step import second_step_ask
from accounts.services.sessions import session_note, sessions_delete

View = TypeVar("View", bound=Callable[..., HttpResponse])

DEVICE_COOKIE = "__Host-device" if settings.HTTPS else "broodtide_device"
DEVICE_SALT = "accounts.device"
DEVICE_SECONDS = 400 * 24 * 3600  # the longest that browsers keep a cookie
STAFF_SECONDS = 12 * 3600
HALF_KEY, HALF_SECONDS = "half_signed_in", 600
CONFIRMED_KEY, CONFIRMED_SECONDS = "confirmed_at", 600
DEVICE_PEOPLE = 6  # a tablet by the bench is shared


def without_cooperative(view: View) -> View:
    """Also for somebody signed in who belongs to no cooperative."""
    view.without_cooperative = True  # type: ignore[attr-defined]
    return view


def without_second_step(view: View) -> View:
    """Also for somebody who still has to set up a second step: there is no other way to it."""
    view.without_second_step = True  # type: ignore[attr-defined]
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


def person_signed_in(request: HttpRequest, person: Person, *, proven: bool = False, wanted: str = "") -> HttpResponse:
    """Who knows their password, or (`proven`) showed their second step too, gets a session of their own with a new id.

    Without the second step, where there is one, nobody is signed in yet: the session remembers for a few minutes
    whose password it was. The administration's session ends the same day.
    """
    wanted, now = wanted or safe_next(request), now_of(request)
    if not proven and has_second_step(person):
        return _second_step_wanted(request, person, wanted)
    request.session.pop(HALF_KEY, None)
    login(request, person, backend="django.contrib.auth.backends.ModelBackend")
    person = person_language_first(person, language=language_asked_for(request), now=now_of(request))
    if person.is_staff:
        request.session.set_expiry(STAFF_SECONDS)
    confirmed_now(request)
    request.session[SEEN_KEY] = int(now.timestamp())
    session_note(person, key=str(request.session.session_key), agent=request.headers.get("User-Agent", ""), now=now)
    second_step_ask(person, now=now)
    return device_remember(request, redirect(wanted or "today"), person)


def session_kept(request: HttpRequest, person: Person) -> None:
    """After a change of password: this session goes on under a new key, all others of the person are over."""
    sessions_delete(person, but=request.session.session_key)
    agent = request.headers.get("User-Agent", "")
    session_note(person, key=str(request.session.session_key), agent=agent, now=now_of(request))


def half_signed_in(request: HttpRequest) -> tuple[Person, str] | None:
    """Whose password was right a few minutes ago in this session, and where they wanted to go; None when that is over.

    A password that was changed meanwhile ends it as it ends every session.
    """
    half = request.session.get(HALF_KEY)
    if not half or half["until"] < now_of(request).timestamp():
        return None
    person = Person.objects.filter(pk=half["person"], is_active=True).first()
    if person is None or not constant_time_compare(half["hash"], person.get_session_auth_hash()):
        return None
    return person, half["wanted"]


def confirmed_now(request: HttpRequest) -> None:
    request.session[CONFIRMED_KEY] = int(now_of(request).timestamp())


def confirmed(view: View) -> View:
    """Only shortly after the password was typed; otherwise it is asked for, and one comes back here."""

    @wraps(view)
    def asked(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        if request.session.get(CONFIRMED_KEY, 0) < now_of(request).timestamp() - CONFIRMED_SECONDS:
            return redirect(f"{reverse('accounts:confirm')}?{urlencode({'next': request.get_full_path()})}")
        return view(request, *args, **kwargs)

    return cast(View, asked)


def _second_step_wanted(request: HttpRequest, person: Person, wanted: str) -> HttpResponse:
    request.session.cycle_key()
    request.session[HALF_KEY] = {
        "person": person.pk,
        "hash": person.get_session_auth_hash(),
        "until": int(now_of(request).timestamp()) + HALF_SECONDS,
        "wanted": wanted,
    }
    return redirect("accounts:sign_in_second")
