"""Requests that carry an Idempotency-Key: begun once, answered once, the answer kept for a repeat.

A program that dies in the middle leaves its request in progress; after `TAKEN_OVER` the same request may begin again.
The services behind it stand that: they carry keys of their own or refuse what was done before.
"""

import datetime as dt
from typing import Any

from accounts.models import ApiAnswer, Person
from accounts.services.often import row_add_unless_there, row_keep

KEPT = dt.timedelta(hours=48)
TAKEN_OVER = dt.timedelta(minutes=5)


class OtherRequest(Exception):  # noqa: N818 - an answer, not an error
    """The key was used for something else."""


class InProgress(Exception):  # noqa: N818 - an answer, not an error
    """The first request with this key is still being answered."""


def answer_begin(person: Person, *, key: str, fingerprint: str, now: dt.datetime) -> ApiAnswer:
    """Take the key. A row with a status is the answer given before; without one the request is to be answered now."""
    answer = ApiAnswer(person=person, key=key, fingerprint=fingerprint, begun_at=now)
    if row_add_unless_there(answer):
        return answer
    known = ApiAnswer.objects.filter(person=person, key=key).first()
    if known is not None and known.begun_at < now - KEPT:
        answers_forget(now=now)
        return answer_begin(person, key=key, fingerprint=fingerprint, now=now)
    if known is None:  # let go this very moment
        raise InProgress
    if known.fingerprint != fingerprint:
        raise OtherRequest
    if known.status is not None:
        return known
    stale = ApiAnswer.objects.filter(pk=known.pk, status=None, begun_at__lt=now - TAKEN_OVER)
    if not stale.update(begun_at=now):
        raise InProgress
    known.begun_at = now
    return known


def answers_forget(*, now: dt.datetime) -> None:
    """Keys of long ago are free again."""
    ApiAnswer.objects.filter(begun_at__lt=now - KEPT).delete()


def answer_keep(answer: ApiAnswer, *, status: int, body: Any, headers: dict[str, str]) -> None:
    answer.status, answer.body, answer.headers = status, body, headers
    row_keep(answer, "status", "body", "headers")


def answer_let_go(answer: ApiAnswer) -> None:
    """Nothing was done: the key is free for another try."""
    ApiAnswer.objects.filter(pk=answer.pk, status=None).delete()
