"""Answers to HEAD go out without their body, with the headers that a GET gets.

Django leaves this to the server; gunicorn does it too, and writes a warning into the log for each, as of a fault.
"""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase, StreamingHttpResponse


class HeadMiddleware:
    """The outermost, so that the lengths are those that everybody else has settled."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        response = self.get_response(request)
        if request.method == "HEAD":
            if isinstance(response, StreamingHttpResponse):
                response.streaming_content = []
                response.file_to_stream = None  # type: ignore[attr-defined]  # the server would send the file itself
            elif isinstance(response, HttpResponse):
                response.content = b""  # the length stays as it was said
        return response
