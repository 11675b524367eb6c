"""There is one form of answer: JSON, whatever is accepted."""

from typing import Any

from rest_framework.negotiation import DefaultContentNegotiation
from rest_framework.request import Request


class AlwaysJson(DefaultContentNegotiation):
    def select_renderer(self, request: Request, renderers: Any, format_suffix: str | None = None) -> Any:
        return renderers[0], renderers[0].media_type
