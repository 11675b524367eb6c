"""Every answer that is not the wanted one: application/problem+json (RFC 9457)."""

import logging
from collections.abc import Iterator
from http import HTTPStatus
from typing import Any

from django.core.exceptions import PermissionDenied, SuspiciousOperation
from django.http import Http404
from django.utils.translation import gettext as _
from rest_framework import exceptions, status
from rest_framework.response import Response

from accounts.refusals import Refusal
from accounts.troubles import is_trouble_of_the_database

log = logging.getLogger(__name__)

MEDIA_TYPE = "application/problem+json"
BUSY_SECONDS = 2
# Refusals about what is scarce or in the meantime otherwise, though they name a field.
CONFLICTS = {"queens_left", "session_open", "withdrawn", "plan_version", "plan_base", "batch_version"}


class PreconditionRequired(exceptions.APIException):
    status_code = status.HTTP_428_PRECONDITION_REQUIRED


class PreconditionFailed(exceptions.APIException):
    """Somebody changed it since it was read; the answer carries how it is now."""

    status_code = status.HTTP_412_PRECONDITION_FAILED

    def __init__(self, detail: str, *, current: Any, etag: str) -> None:
        super().__init__(detail)
        self.current, self.etag = current, etag


class Conflict(exceptions.APIException):
    status_code = status.HTTP_409_CONFLICT


class KeyReused(exceptions.APIException):
    status_code = status.HTTP_422_UNPROCESSABLE_ENTITY


def problem(code: int, detail: str, *, headers: dict[str, str] | None = None, **more: Any) -> Response:
    """`type` stays about:blank: what the status says is all there is to the kind; `rule` names a rule of the trade."""
    body = {"type": "about:blank", "title": HTTPStatus(code).phrase, "status": code, "detail": detail, **more}
    return Response(body, status=code, content_type=MEDIA_TYPE, headers=headers)


def answer_to(error: Exception, context: dict[str, Any]) -> Response | None:
    """Django REST framework's exception handler. None: nobody foresaw it, and it is a fault of ours."""
    if isinstance(error, Refusal):
        return _refused(error)
    if is_trouble_of_the_database(error):  # lock timeout, deadlock, "database is locked", read-only, away
        log.warning("the database was busy: %s", error)
        text = _("The database cannot take anything just now. Nothing was changed; try again in a moment.")
        return problem(503, text, headers={"Retry-After": str(BUSY_SECONDS)})
    if isinstance(error, Http404):
        return problem(404, _("There is no such thing, or it is not for you to see."))
    if isinstance(error, PermissionDenied):
        return problem(403, str(error) or _("This is not yours to do."))
    if isinstance(error, SuspiciousOperation):
        return problem(400, _("This request cannot be read."))
    if isinstance(error, exceptions.ValidationError):
        errors = [{"field": field, "detail": text} for field, text in _flat(error.detail)]
        return problem(400, " ".join(one["detail"] for one in errors), errors=errors)
    if isinstance(error, PreconditionFailed):
        return problem(412, str(error.detail), headers={"ETag": error.etag}, current=error.current)
    if isinstance(error, exceptions.APIException):
        return problem(error.status_code, _words_of(error), headers=_headers_of(error))
    return None


def _refused(refusal: Refusal) -> Response:
    """409 when the state of things is against it, 422 when a value of the request is."""
    code = 409 if refusal.field is None or refusal.rule in CONFLICTS else 422
    text = str(refusal)
    more: dict[str, Any] = {"errors": [{"field": refusal.field or "", "detail": text}]}
    if refusal.rule:
        more["rule"] = refusal.rule
    if refusal.lifted_by:
        more["lifted_by"] = refusal.lifted_by
    return problem(code, text, **more)


def _words_of(error: exceptions.APIException) -> str:
    return " ".join(text for _field, text in _flat(error.detail))


def _headers_of(error: exceptions.APIException) -> dict[str, str]:
    headers = {}
    if header := getattr(error, "auth_header", None):
        headers["WWW-Authenticate"] = header
    if wait := getattr(error, "wait", None):
        headers["Retry-After"] = str(int(wait) + 1)
    return headers


def _flat(detail: Any, field: str = "") -> Iterator[tuple[str, str]]:
    """Nested errors as a list: the field in dots, its words."""
    if isinstance(detail, dict):
        for name, inner in detail.items():
            named = "" if name == "non_field_errors" else str(name)
            yield from _flat(inner, ".".join(part for part in (field, named) if part))
    elif isinstance(detail, list | tuple):
        for inner in detail:
            yield from _flat(inner, field)
    else:
        yield field, str(detail)
