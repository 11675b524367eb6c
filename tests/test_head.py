"""HEAD: as the server gets it from the application, where nothing strips the body yet."""

import io
from typing import Any
from wsgiref.util import setup_testing_defaults

import pytest
from django.conf import settings
from django.core.handlers.wsgi import WSGIHandler
from django.http import FileResponse, HttpRequest, StreamingHttpResponse
from django.http.response import HttpResponseBase
from django.test import RequestFactory
from django.urls import reverse

from accounts.head_answers import HeadMiddleware

pytestmark = pytest.mark.django_db


def answered(method: str, path: str) -> tuple[str, dict[str, str], bytes]:
    environ: dict[str, Any] = {"REQUEST_METHOD": method, "PATH_INFO": path, "HTTP_HOST": "testserver"}
    setup_testing_defaults(environ)
    said: list[Any] = []

    def start(status: str, headers: Any, _error: Any = None, /) -> Any:
        said.extend([status, dict(headers)])

    body = WSGIHandler()(environ, start)
    try:
        return said[0], said[1], b"".join(body)
    finally:
        body.close()


@pytest.mark.parametrize("name", ["accounts:sign_in", "accounts:health_live", "today"])
def test_a_page_says_the_same_of_itself_without_its_body(name: str) -> None:
    status, headers, body = answered("HEAD", reverse(name))
    got_status, got, content = answered("GET", reverse(name))
    assert (status, body) == (got_status, b"")
    assert len(content) == int(got["Content-Length"])
    assert set(headers) == set(got)
    assert headers["Content-Type"] == got["Content-Type"]
    assert int(headers["Content-Length"]) > 0 or content == b""


def test_nothing_stands_outside_it() -> None:
    assert settings.MIDDLEWARE[0] == "accounts.head_answers.HeadMiddleware"


def test_a_file_is_neither_read_nor_left_open() -> None:
    file = io.BytesIO(b"much")
    answers: list[HttpResponseBase] = [FileResponse(file), StreamingHttpResponse(iter([b"much"]))]
    for response in answers:
        given = response

        def view(_request: HttpRequest, given: HttpResponseBase = given) -> HttpResponseBase:
            return given

        made = HeadMiddleware(view)(RequestFactory().head("/"))
        assert isinstance(made, StreamingHttpResponse)
        assert b"".join(made) == b""
        assert getattr(made, "file_to_stream", None) is None
        made.close()
    assert file.closed
