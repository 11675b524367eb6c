"""What every log of device entries does alike: each entry is kept, and carried out once, in the order of its device.

Whatever a device sends stays in its log. An entry whose predecessor has not come yet is held back; one that a rule
refuses needs a look: it keeps what the device said, what stood on record, and why the two do not go together.
"""

import datetime as dt
import uuid
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Generic, TypeVar

from django.db import DataError, IntegrityError, transaction
from django.db.models import Count, Max, Min, QuerySet
from django.utils.translation import gettext as _

from accounts.models import Person
from accounts.refusals import Refusal
from scheduling.models import EntryState
from scheduling.models.entry import KeptEntry
from scheduling.planning.timing import elapsed_after, elapsed_hours

MS_PER_HOUR = 3_600_000
E = TypeVar("E", bound=KeptEntry)


@dataclass(frozen=True)
class Sent:
    """An entry as it came: device time, and the offset (server minus device) that the device knew then, if any."""

    id: uuid.UUID
    number: int
    kind: str
    facts: Any
    device_at: dt.datetime
    offset_ms: int | None


@dataclass(frozen=True)
class EntryLog(Generic[E]):
    """One log. `of`: what its rows belong to, as field and value.

    `act` carries an entry out, or raises Refusal; it returns nothing, or in words that there was nothing left to do.
    `on_record` says what stands where an entry was refused; `taken` are fields that a taken entry gets.
    """

    model: type[E]
    of: dict[str, Any]
    act: Callable[[E], str | None]
    on_record: Callable[[E], str]
    taken: Callable[[], dict[str, Any]] = dict

    def rows(self) -> QuerySet[E]:
        return self.model._default_manager.filter(**self.of)


def log_take(
    log: EntryLog[E],
    *,
    device: uuid.UUID,
    sent: Sequence[Sent],
    sent_at: dt.datetime,
    by: Person,
    now: dt.datetime,
) -> list[E]:
    """Keep what a device sent and carry out what is next in its order. The caller holds the log's lock.

    Sent twice, kept once: entries that are known come back as they stand. Raises Refusal (rule `other_person`) when
    the device's entries are another person's: nobody's taps are taken in under a wrong name.
    """
    everything = log.model._default_manager
    if everything.filter(device=device).exclude(by=by).exists():
        raise Refusal(_("These entries are another person's."), rule="other_person")
    known = everything.in_bulk([one.id for one in sent])
    if log.rows().filter(pk__in=known, device=device).count() != len(known):
        raise Refusal(_("These entries are of another session or device."), rule="other_person")
    numbers = {number for number in log.rows().filter(device=device).values_list("number", flat=True) if number}
    batch_offset = offset_of(sent_at, now)
    for one in sorted(sent, key=lambda one: one.number):
        if one.id not in known:
            known[one.id] = _kept(log, one, device, batch_offset, numbers, by=by, now=now)
    everything.bulk_create([entry for entry in known.values() if entry._state.adding])
    log_carry_out(log, device)
    fresh = everything.in_bulk([one.id for one in sent])
    return [fresh[one.id] for one in sent]


def _kept(
    log: EntryLog[E],
    one: Sent,
    device: uuid.UUID,
    batch_offset: int,
    numbers: set[int],
    *,
    by: Person,
    now: dt.datetime,
) -> E:
    """The entry's row, to be written. A number that came with another id before has no order: it needs a look."""
    entry = entry_of(log, one, device, batch_offset, by=by, now=now)
    if one.number in numbers:
        entry.number, entry.state, entry.rule = None, EntryState.LOOK, "number_twice"
        entry.words = _("Another entry came under the same number of this device.")
    numbers.add(one.number)
    return entry


def offset_of(sent_at: dt.datetime, now: dt.datetime) -> int:
    """Server minus device, as the batch itself tells it. Milliseconds."""
    return round(elapsed_hours(sent_at, now) * MS_PER_HOUR)


def entry_of(log: EntryLog[E], one: Sent, device: uuid.UUID, batch_offset: int, *, by: Person, now: dt.datetime) -> E:
    """The row of what came, not written yet."""
    offset = batch_offset if one.offset_ms is None else one.offset_ms
    happened = elapsed_after(one.device_at, Decimal(offset) / MS_PER_HOUR)
    return log.model(
        **log.of,
        id=one.id,
        device=device,
        number=one.number,
        kind=one.kind[:12],
        facts=one.facts,
        device_at=one.device_at,
        offset_ms=offset,
        at=min(happened, now),  # nothing is taken in before it happened
        by=by,
        received_at=now,
        state=EntryState.HELD_BACK,
    )


def entry_try(log: EntryLog[E], entry: E) -> Refusal | None:
    """Carry an entry out that nobody has kept yet; what a rule says against it. The caller undoes what it wrote."""
    try:
        with transaction.atomic():
            log.act(entry)
    except Refusal as refusal:
        return refusal
    except (IntegrityError, DataError):
        return Refusal(_("It cannot stand beside what is on record."), rule="not_possible")
    return None


def log_carry_out(log: EntryLog[E], device: uuid.UUID) -> None:
    """Carry out the device's entries that are next in its order, up to the first gap."""
    of_device = log.rows().filter(device=device, number__isnull=False)
    first = of_device.filter(state=EntryState.HELD_BACK).aggregate(number=Min("number"))["number"]
    if first is None:
        return
    before = of_device.filter(number__lt=first).aggregate(done=Count("pk"), last=Max("at"))
    done, last = before["done"], before["last"]
    for entry in of_device.filter(number__gte=first).select_related("by").order_by("number"):
        if entry.number != done + 1:
            break
        done += 1
        if entry.state != EntryState.HELD_BACK:
            continue  # another device of the same person took it back before its turn came
        if last is not None and entry.at < last:
            entry.at = last  # a clock set back does not turn the order of taps round
        last = entry.at
        entry_carry_out(log, entry)


def entry_carry_out(log: EntryLog[E], entry: E) -> None:
    """Carry one entry out, or write down why it needs a look."""
    taken: dict[str, Any] = {}
    try:
        with transaction.atomic():
            nothing_left = log.act(entry)
            taken = log.taken()
            entry.state = EntryState.TAKEN
            entry.rule, entry.words = ("same_already", nothing_left) if nothing_left else ("", "")
    except Refusal as refusal:
        _to_look_at(log, entry, refusal.rule, str(refusal.text))
    except (IntegrityError, DataError):
        _to_look_at(log, entry, "not_possible", _("It cannot stand beside what is on record."))
    for name, value in taken.items():
        setattr(entry, name, value)
    entry.save(update_fields=["at", "state", "rule", "words", "on_record", *taken])


def _to_look_at(log: EntryLog[E], entry: E, rule: str, words: str) -> None:
    entry.state, entry.rule, entry.words = EntryState.LOOK, rule[:40], words
    entry.on_record = log.on_record(entry)
