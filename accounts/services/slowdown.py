"""Slowing down guesses, before any password is worked out.

Tries are counted when they begin, so tries side by side count too. A wait is at most a quarter of an hour, and each
bucket waits by itself: somebody who guesses from elsewhere slows down the bucket of strangers, not that of a device
on which the owner has signed in before (`accounts.views.devices`), nor the link by mail.
"""

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass

from django.db import transaction
from django.utils.crypto import salted_hmac

from accounts.models import Slowdown

LONGEST_WAIT = dt.timedelta(minutes=15)
FORGOTTEN_AFTER = dt.timedelta(days=1)


@dataclass(frozen=True)
class Bucket:
    """What is slowed down, and how many tries in a row are free."""

    kind: str
    whose: str
    free_tries: int

    @property
    def key(self) -> str:
        return f"{self.kind}:{salted_hmac('accounts.slowdown', self.whose.casefold(), algorithm='sha256').hexdigest()}"


def slowdown_take(buckets: Sequence[Bucket], *, now: dt.datetime) -> int:
    """Count one try in each bucket and return 0; or count nothing and return the seconds still to wait."""
    free_tries = {bucket.key: bucket.free_tries for bucket in buckets}
    with transaction.atomic():
        Slowdown.objects.filter(last_at__lt=now - FORGOTTEN_AFTER).delete()
        Slowdown.objects.bulk_create(
            [Slowdown(key=key, last_at=now, free_at=now) for key in sorted(free_tries)], ignore_conflicts=True
        )
        rows = list(Slowdown.objects.select_for_update().filter(key__in=free_tries).order_by("key"))
        free_at = max((row.free_at for row in rows), default=now)  # none: somebody forgot it this moment
        if free_at > now:
            return math.ceil((free_at - now).total_seconds())
        for row in rows:
            row.tries += 1
            row.last_at = now
            row.free_at = now + wait_after(row.tries, free_tries=free_tries[row.key])
            row.save(update_fields=["tries", "last_at", "free_at"])
    return 0


def wait_after(tries: int, *, free_tries: int) -> dt.timedelta:
    """Nothing for the free tries, then 2 s, 4 s, 8 s and so on."""
    beyond = tries - free_tries + 1
    if beyond <= 0:
        return dt.timedelta()
    return min(dt.timedelta(seconds=2 ** min(beyond, 20)), LONGEST_WAIT)


def slowdown_forget(bucket: Bucket) -> None:
    """It was the owner: the next try is free again."""
    Slowdown.objects.filter(key=bucket.key).delete()


def slowdown_give_back(bucket: Bucket, *, now: dt.datetime) -> None:
    """Uncount one try that turned out well, where others share the bucket."""
    with transaction.atomic():
        row = Slowdown.objects.select_for_update().filter(key=bucket.key).first()
        if row is not None and row.tries:
            row.tries -= 1
            row.free_at = now
            row.save(update_fields=["tries", "free_at"])
