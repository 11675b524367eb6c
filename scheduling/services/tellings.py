"""Turning what is due into deliveries: one row for each person and channel, the in-app one sent by being there."""

import datetime as dt
import logging
from collections import defaultdict

from django.db import OperationalError, transaction

from accounts.models import Channel, Person
from scheduling.models import Delivery, DeliveryState, Reminder, ReminderState
from scheduling.planning.timing import newest_rung, next_rung, out_of_quiet_hours
from scheduling.queries.tellings import (
    Circles,
    circles_of,
    is_paused,
    ladder_of,
    outside_channels,
    reminders_to_tell,
    zone_of_person,
)
from scheduling.reminder_kinds import KINDS, SUMMARY
from scheduling.services.channels import reachable_by
from scheduling.services.missed import missed_report

log = logging.getLogger(__name__)

SET_ASIDE = dt.timedelta(minutes=10)
LATE_AFTER = dt.timedelta(minutes=5)
ORDER = ("tell_at", "pk")


def tell_due(*, now: dt.datetime, limit: int) -> int:
    """Write the deliveries of at most `limit` reminders whose next telling is due. Returns how many were taken up.

    After a standstill only the newest telling of each is written, and what is of no use any more ends as missed. A
    row that cannot be told is set aside for a while and named in the log: it keeps none of the others waiting.
    """
    with transaction.atomic():
        rows = list(
            reminders_to_tell(Reminder.objects.select_for_update(skip_locked=True, of=("self",)))
            .filter(state=ReminderState.WANTED, tell_at__lte=now, held_at__isnull=True)
            .order_by(*ORDER)[:limit]
        )
        if not rows:
            return 0
        try:
            with transaction.atomic():
                _tell(rows, now=now)
        except OperationalError:
            raise  # the database, not a row
        except Exception:
            log.exception("telling %s reminders together failed; each by itself", len(rows))
            for row in rows:
                _tell_alone(row.pk, now=now)
    return len(rows)


def _tell_alone(pk: int, *, now: dt.datetime) -> None:
    row = reminders_to_tell(Reminder.objects.all()).get(pk=pk)
    try:
        with transaction.atomic():
            _tell([row], now=now)
    except OperationalError:
        raise
    except Exception:
        log.exception("reminder %s cannot be told; tried again in %s", pk, SET_ASIDE)
        Reminder.objects.filter(pk=pk).update(tell_at=now + SET_ASIDE)


def _tell(rows: list[Reminder], *, now: dt.datetime) -> None:
    """Write what came of rows that are due: their deliveries, their next telling, or that they were missed."""
    useful = [row for row in rows if row.useful_until >= now]
    circles = circles_of(useful)
    reachable = {pk: reachable_by(people, pk) for pk, people in _everybody_by_cooperative(useful, circles).items()}
    deliveries = [
        delivery
        for row in useful
        for delivery in _deliveries_of(row, circles, reachable=reachable[row.cooperative_id], now=now)
    ]
    Delivery.objects.bulk_create(deliveries, ignore_conflicts=True)
    missed = [row for row in rows if row.useful_until < now]
    untold = [row for row in missed if row.told_at is None]
    _update(untold, state=ReminderState.EXPIRED, ended_at=now)
    _update([row for row in useful if row.told_at is None], told_at=now)
    _update([*missed, *(row for row in useful if row.tell_at is None)], tell_at=None)
    Reminder.objects.bulk_update([row for row in useful if row.tell_at is not None], ["tell_at"], batch_size=200)
    missed_report(untold, now=now)


def _update(rows: list[Reminder], **fields: object) -> None:
    if rows:
        Reminder.objects.filter(pk__in=[row.pk for row in rows]).update(**fields)


def _deliveries_of(
    reminder: Reminder, circles: Circles, *, reachable: dict[str, set[int]], now: dt.datetime
) -> list[Delivery]:
    """The rows of the newest telling whose time has come; moves the reminder on to the next one."""
    rungs = ladder_of(reminder, circles)
    rung, coming = newest_rung(rungs, now), next_rung(rungs, now)
    reminder.tell_at = coming.at if coming else None
    if rung is None:  # somebody's lead time was withdrawn meanwhile
        return []
    due_at = max(rung.at, reminder.created_at)
    said = {"rung": rung.key, "is_late": now - due_at > LATE_AFTER}
    rows = []
    for person in circles.told(reminder, rung, now=now):
        rows.append(
            Delivery(
                reminder=reminder,
                person=person,
                channel=Channel.INBOX,
                due_at=due_at,
                state=DeliveryState.SENT,
                sent_at=now,
                attempts=1,
                **said,
            )
        )
        if is_paused(person, now) or _waits_for_summary(reminder, person):
            continue  # the app shows it
        next_try_at = _not_before(reminder, person, now)
        rows += [
            Delivery(
                reminder=reminder,
                person=person,
                channel=channel,
                due_at=due_at if next_try_at == now else next_try_at,
                next_try_at=next_try_at,
                **said,
            )
            for channel in outside_channels(reminder, person, circles, reachable)
        ]
    return rows


def _waits_for_summary(reminder: Reminder, person: Person) -> bool:
    """Routine ones of whoever asked for one mail a day are named in it."""
    return person.summary_at is not None and not KINDS[reminder.kind].critical and reminder.kind != SUMMARY


def _not_before(reminder: Reminder, person: Person, now: dt.datetime) -> dt.datetime:
    """Quiet hours move routine messages only, and never past their use."""
    if KINDS[reminder.kind].critical or reminder.kind == SUMMARY:
        return now
    later = out_of_quiet_hours(
        now,
        quiet_from=person.quiet_from,
        quiet_until=person.quiet_until,
        zone=zone_of_person(person, reminder.cooperative),
    )
    return later if later < reminder.useful_until else now


def _everybody_by_cooperative(rows: list[Reminder], circles: Circles) -> dict[int, set[Person]]:
    people: dict[int, set[Person]] = defaultdict(set)
    for row in rows:
        people[row.cooperative_id].update(_everybody(row, circles))
    return people


def _everybody(reminder: Reminder, circles: Circles) -> list[Person]:
    deputy = reminder.member.deputy if reminder.member else None
    return [
        *circles.own(reminder),
        *([deputy] if deputy else []),
        *circles.coordinators.get(reminder.cooperative_id, []),
    ]
