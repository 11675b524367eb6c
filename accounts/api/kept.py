"""Serializers, made once in each thread: putting their fields together takes longer than using them."""

import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from rest_framework.serializers import BaseSerializer

Kind = type[BaseSerializer[Any]]


class _Kept(threading.local):
    def __init__(self) -> None:
        self.serializers: dict[tuple[Kind, bool], Any] = {}


_KEPT = _Kept()


def shown_by(kind: Kind, thing: Any, context: Mapping[str, Any]) -> Any:
    """The thing as it is given out."""
    with _within(kind, context) as serializer:
        return serializer.to_representation(thing)


def given_to(kind: Kind, data: Any, context: Mapping[str, Any], *, partial: bool = False) -> dict[str, Any]:
    """What was said, checked for its form."""
    with _within(kind, context, partial=partial) as serializer:
        serializer.initial_data = data
        try:
            serializer.is_valid(raise_exception=True)
            return dict(serializer.validated_data)
        finally:
            for name in ("initial_data", "_validated_data", "_errors"):
                serializer.__dict__.pop(name, None)


@contextmanager
def _within(kind: Kind, context: Mapping[str, Any], *, partial: bool = False) -> Iterator[Any]:
    """What it knows of a request is forgotten afterwards."""
    kept = _KEPT.serializers
    if (kind, partial) not in kept:
        kept[kind, partial] = kind(partial=partial)
    serializer = kept[kind, partial]
    before, serializer._context = serializer._context, context
    try:
        yield serializer
    finally:
        serializer._context = before
