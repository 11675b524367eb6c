"""Telling people what is due. Rows are the truth; this may run in any number of copies, and die anywhere.

Steps of a tick, each in its own short transaction (offers of places whose time is up go on before):
1. due reminders get the deliveries of their newest telling (`tellings`; the in-app one counts as sent by being there);
2. deliveries that can be tried are claimed: a lease and a mark of the worker that holds it;
3. each is checked again (still wanted? still ours?) and marked `sending`, handed over outside any transaction, then
   marked `sent`, or `retry` with a growing pause, or given up and shown as such. What came of one and the start
   of the next share a transaction.
Whoever dies between hand-over and mark leaves `sending` with a lease that runs out: a critical message is then sent
again under the same id, a routine one is left `in_doubt`.
"""

import datetime as dt
import itertools
import logging
import time
import uuid
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from django.db import connection, transaction
from django.db.models import F, Q, QuerySet
from django.utils import timezone

from scheduling.models import Delivery, DeliveryState, ReminderState
from scheduling.queries.health import HEARTBEAT
from scheduling.services import outward_ping
from scheduling.services.channels import PROVIDERS, InDoubt, OneByOne, Provider, Refused
from scheduling.services.heartbeat import beat
from scheduling.services.offers import offers_lapse
from scheduling.services.tellings import tell_due

log = logging.getLogger(__name__)

LEASE = dt.timedelta(seconds=60)
PAUSES = [dt.timedelta(seconds=s) for s in (30, 120, 600, 1800, 3600, 7200, 14400)]
MAX_ATTEMPTS = len(PAUSES) + 1
TICK_ROWS = 200

Send = Callable[[Delivery], None]


def database_now() -> dt.datetime:
    """The one clock that due times are compared with, whatever the clocks of the workers say."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT clock_timestamp()")
            moment: dt.datetime = cursor.fetchone()[0]
            return moment
    return timezone.now()  # SQLite has no clock but the machine's


@dataclass(frozen=True)
class Tick:
    """What one tick did, in rows."""

    told: int
    claimed: int
    handed_over: int
    is_full: bool


def deliver_due(*, now: dt.datetime, limit: int = TICK_ROWS, send: Send | None = None) -> int:
    """One tick: tell what is due. Returns how many deliveries were handed over."""
    return tick(now=now, limit=limit, send=send).handed_over


def deliver_all_due(*, limit: int = TICK_ROWS, go_on: Callable[[], bool] = lambda: True) -> None:
    """Tick until a batch does not come back full: what fails leaves the batch as surely as what is sent."""
    while True:
        now = database_now()
        clock_is_off_by = (timezone.now() - now).total_seconds()
        is_full = tick(now=now, limit=limit, clock_is_off_by=clock_is_off_by).is_full
        outward_ping.PING.after_tick(now=now)
        if not (is_full and go_on()):
            return


def tick(
    *,
    now: dt.datetime,
    limit: int = TICK_ROWS,
    send: Send | None = None,
    name: str = HEARTBEAT,
    clock_is_off_by: float = 0.0,
) -> Tick:
    """One tick, with its counts.

    send : stands in for every channel.
    name : whose heartbeat it is.
    clock_is_off_by : how far this machine's clock is ahead of the database's. [s]
    """
    began = time.monotonic()

    def moment() -> dt.datetime:
        """A slow mail server may hold a tick for minutes: each row is judged by the time it is."""
        return now + dt.timedelta(seconds=time.monotonic() - began)

    offers_lapse(now=now)
    told = tell_due(now=now, limit=limit)
    claim = _claim(now=now, limit=limit)
    handed_over = 0
    for channel, rows in itertools.groupby(claim.rows, key=lambda row: row[1]):
        provider = OneByOne(send) if send else PROVIDERS[channel]()
        try:
            handed_over += _hand_over([pk for pk, _channel in rows], claim.token, provider, moment)
        finally:
            provider.close()
    beat(now=moment(), name=name, clock_is_off_by=clock_is_off_by)
    log.debug("tick: %s reminders told, %s deliveries handed over", told, handed_over)
    return Tick(told, claim.taken, handed_over, is_full=limit in (told, claim.taken))


@dataclass(frozen=True)
class _Claim:
    """`rows` : (number, channel), those of one channel beside each other. `taken` : with those given up at once."""

    token: uuid.UUID
    rows: list[tuple[int, str]]
    taken: int


def _claim(*, now: dt.datetime, limit: int) -> _Claim:
    """Take a lease on what can be tried now. Rows left behind by a dead worker are taken up too."""
    token = uuid.uuid4()
    open_now = Q(state__in=[DeliveryState.PENDING, DeliveryState.RETRY], next_try_at__lte=now)
    left_behind = Q(state__in=[DeliveryState.CLAIMED, DeliveryState.SENDING], lease_until__lt=now)
    with transaction.atomic():
        rows = list(
            Delivery.objects.select_for_update(skip_locked=True, of=("self",))
            .filter(open_now | left_behind)
            .order_by("next_try_at", "pk")
            .values_list("pk", "channel", "state", "attempts", "reminder__critical")[:limit]
        )
        doubtful = [row[0] for row in rows if row[2] == DeliveryState.SENDING and not row[4]]
        _settle(doubtful, DeliveryState.IN_DOUBT)
        # Whoever dies on a row each time must not do so for ever.
        hopeless = [row[0] for row in rows if row[3] >= MAX_ATTEMPTS and row[0] not in doubtful]
        _settle(hopeless, DeliveryState.DEAD)
        for pk in hopeless:
            log.error("delivery %s given up after %s tries: each ended in the middle", pk, MAX_ATTEMPTS)
        ended = {*doubtful, *hopeless}
        taken = [(pk, channel) for pk, channel, *_rest in rows if pk not in ended]
        Delivery.objects.filter(pk__in=[pk for pk, _channel in taken]).update(
            state=DeliveryState.CLAIMED, claim=token, lease_until=now + LEASE, attempts=F("attempts") + 1
        )
    return _Claim(token, sorted(taken, key=lambda row: row[1]), len(rows))


def _settle(pks: Sequence[int], state: str) -> None:
    if pks:
        Delivery.objects.filter(pk__in=pks).update(state=state, claim=None, lease_until=None)


def _hand_over(pks: list[int], token: uuid.UUID, provider: Provider, moment: Callable[[], dt.datetime]) -> int:
    """Send claimed rows; a failing one gets its own pause and never delays the rest. Returns how many were taken."""
    handed_over = 0
    settled: list[tuple[Delivery, Exception | None]] = []
    for chunk in [*_chunks(pks, provider.batch), []]:
        with transaction.atomic():
            handed_over += _write_answers(settled, token, moment())
            started = list(_start(chunk, token, moment())) if chunk else []
        settled = list(zip(started, _answers(provider, started), strict=True)) if started else []
    return handed_over


def _chunks(pks: list[int], size: int) -> Iterator[list[int]]:
    return (pks[start : start + size] for start in range(0, len(pks), size))


def _answers(provider: Provider, rows: list[Delivery]) -> list[Exception | None]:
    try:
        return provider.send(rows)
    except Exception as error:  # a fault of the provider's own code must stop nothing but this call
        log.exception("a provider broke on deliveries %s", [row.pk for row in rows])
        return [error] * len(rows)


def _start(pks: list[int], token: uuid.UUID, now: dt.datetime) -> Iterable[Delivery]:
    """Mark as `sending` what is still ours and still wanted; the rest is ended."""
    rows = (
        Delivery.objects.select_for_update(of=("self",))
        .select_related("reminder__cooperative", "reminder__member", "reminder__replaces", "person")
        .filter(pk__in=pks, state=DeliveryState.CLAIMED, claim=token)
        .order_by("pk")
    )
    wanted: list[Delivery] = []
    unwanted: dict[str, list[int]] = {DeliveryState.SUPERSEDED: [], DeliveryState.EXPIRED: [], DeliveryState.HELD: []}
    for row in rows:
        if (end := _why_not(row, now)) is not None:
            unwanted[end].append(row.pk)
        else:
            wanted.append(row)
    for state, ended in unwanted.items():
        _settle(ended, state)
    Delivery.objects.filter(pk__in=[row.pk for row in wanted]).update(
        state=DeliveryState.SENDING, lease_until=now + LEASE
    )
    return wanted


def _why_not(row: Delivery, now: dt.datetime) -> str | None:
    """The state of a row that need not go out any more."""
    reminder = row.reminder
    if reminder.state != ReminderState.WANTED or reminder.acknowledged_at is not None or not row.person.is_active:
        return DeliveryState.SUPERSEDED
    if reminder.held_at is not None:
        return DeliveryState.HELD
    return DeliveryState.EXPIRED if reminder.useful_until < now else None


def _write_answers(settled: list[tuple[Delivery, Exception | None]], token: uuid.UUID, now: dt.datetime) -> int:
    """Write what came of a call, where the rows are still ours: somebody may have taken up what we held too long."""
    taken = [row.pk for row, error in settled if error is None]
    if taken:
        _ours(taken, token).update(state=DeliveryState.SENT, sent_at=now, problem="", claim=None, lease_until=None)
    for row, error in settled:
        if error is not None:
            _write_failure(row, error, token, now)
    return len(taken)


def _write_failure(row: Delivery, error: Exception, token: uuid.UUID, now: dt.datetime) -> None:
    problem = str(error) if isinstance(error, (OSError, InDoubt, Refused)) else f"{type(error).__name__}: {error}"
    fields = {"problem": problem[:300], "claim": None, "lease_until": None}
    if isinstance(error, InDoubt) and not row.reminder.critical:
        _ours([row.pk], token).update(state=DeliveryState.IN_DOUBT, **fields)
    elif isinstance(error, Refused) or row.attempts >= MAX_ATTEMPTS:
        log.error("delivery %s given up after %s tries: %s", row.pk, row.attempts, problem)
        _ours([row.pk], token).update(state=DeliveryState.DEAD, **fields)
    else:
        log.warning("delivery %s failed at try %s: %s", row.pk, row.attempts, problem)
        pause = PAUSES[row.attempts - 1]
        _ours([row.pk], token).update(state=DeliveryState.RETRY, next_try_at=now + pause, **fields)


def _ours(pks: Sequence[int], token: uuid.UUID) -> QuerySet[Delivery]:
    return Delivery.objects.filter(pk__in=pks, claim=token, state=DeliveryState.SENDING)
