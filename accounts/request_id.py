"""Which request, or which long work, a line of the log is about: one name from the page to the last line of its job."""

import logging
import re
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar

from django.conf import settings
from django.http import HttpRequest, HttpResponse

HEADER = "X-Request-ID"
GIVEN = re.compile(r"[A-Za-z0-9_-]{8,64}")
_current: ContextVar[str] = ContextVar("request_id", default="")


def request_id() -> str:
    """Of what is being done now; empty outside of a request and of long work."""
    return _current.get()


@contextmanager
def on_behalf_of(name: str) -> Iterator[None]:
    before = _current.set(name)
    try:
        yield
    finally:
        _current.reset(before)


class RequestIdMiddleware:
    """First of all: gives each request its name and tells it with the answer. A proxy's own is taken over."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        given = request.headers.get(HEADER, "") if settings.BEHIND_PROXY else ""
        name = given if GIVEN.fullmatch(given) else uuid.uuid4().hex
        with on_behalf_of(name):
            response = self.get_response(request)
        response[HEADER] = name
        return response


class RequestIdFilter(logging.Filter):
    """Puts it on every record."""

    def filter(self, record: logging.LogRecord) -> bool:
        record.request_id = request_id() or "-"
        return True
