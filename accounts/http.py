"""What views of all apps share: taking a refusal back into a form, the current moment, the viewer."""

import datetime as dt
from collections.abc import Callable
from typing import Any, cast
from zoneinfo import ZoneInfo

from django import forms
from django.contrib import messages
from django.http import HttpRequest
from django.urls import Resolver404, resolve
from django.utils import timezone

from accounts.access import Viewer
from accounts.refusals import Refusal


def viewer_of_request(request: HttpRequest) -> Viewer:
    """The viewer that the middleware put on the request of every signed-in person."""
    return cast(Viewer, request.viewer)  # type: ignore[attr-defined]


def now_of(request: HttpRequest) -> dt.datetime:
    """The moment of this request: taken once, passed down."""
    if not hasattr(request, "moment"):
        request.moment = timezone.now()  # type: ignore[attr-defined]
    return cast(dt.datetime, request.moment)  # type: ignore[attr-defined]


def today_of(request: HttpRequest) -> dt.date:
    """The calendar day in the cooperative's zone."""
    return now_of(request).astimezone(ZoneInfo(viewer_of_request(request).cooperative.time_zone)).date()


def tried(form: forms.Form, service: Callable[[], Any]) -> Any | None:
    """Call a service; put its refusal beside the field it names. None when it refused."""
    try:
        return service()
    except Refusal as refusal:
        field = refusal.field if refusal.field in form.fields else None
        form.add_error(field, refusal.text)
        return None


def agreed(form: forms.Form, service: Callable[[], None]) -> bool:
    """The same of a service that gives nothing back: whether it did not refuse."""
    return tried(form, lambda: [service()]) is not None  # type: ignore[func-returns-value]


def tried_with_message(request: HttpRequest, service: Callable[[], Any]) -> Any | None:
    """The same where there is no form to show: the refusal becomes a message on the next page."""
    try:
        return service()
    except Refusal as refusal:
        messages.error(request, refusal.text)
        return None


def folder_above(path: str) -> str:
    """The nearest address above `path` that names no single thing: a list, or Today."""
    parts = path.rstrip("/").split("/")
    for depth in range(len(parts) - 1, 1, -1):
        above = "/".join(parts[:depth]) + "/"
        try:
            if "<" not in resolve(above).route:
                return above
        except Resolver404:
            continue
    return "/"
