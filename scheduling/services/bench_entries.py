"""Entries of devices, taken in: each kept, each carried out once, in the order of its device.

Whatever a device sends stays in the log. An entry whose predecessor has not come yet is held back; one that a rule
refuses needs a look: it keeps what the device said, what stood on record, and why the two do not go together.
"""

import datetime as dt
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.db import DataError, IntegrityError, transaction
from django.db.models import Max
from django.utils.translation import gettext as _

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from scheduling.models import BenchEntry, BenchSession, EntryState, SessionState
from scheduling.planning.timing import elapsed_after, elapsed_hours
from scheduling.queries.bench_log import on_record_words
from scheduling.services.bench_apply import entry_apply
from scheduling.services.bench_correct import session_correct

MS_PER_HOUR = 3_600_000


@dataclass(frozen=True)
class Sent:
    """An entry as it came: device time, and the offset (server minus device) that the device knew then, if any."""

    id: uuid.UUID
    number: int
    kind: str
    facts: Any
    device_at: dt.datetime
    offset_ms: int | None


def entries_take(
    session: BenchSession,
    *,
    device: uuid.UUID,
    sent: Sequence[Sent],
    sent_at: dt.datetime,
    by: Person,
    now: dt.datetime,
) -> list[BenchEntry]:
    """Keep what a device sent and carry out what is next in its order; one transaction.

    Sent twice, kept once: entries that are known come back as they stand. Raises Refusal (rule `other_person`) when
    the device's entries are another person's: nobody's taps are taken in under a wrong name.
    """
    with transaction.atomic():
        session = (
            BenchSession.objects.select_for_update(of=("self",))
            .select_related("season__cooperative", "bench")
            .get(pk=session.pk)
        )
        if BenchEntry.objects.filter(device=device).exclude(by=by).exists():
            raise Refusal(_("These entries are another person's."), rule="other_person")
        known = BenchEntry.objects.in_bulk([one.id for one in sent])
        if any(entry.session_id != session.pk or entry.device != device for entry in known.values()):
            raise Refusal(_("These entries are of another session or device."), rule="other_person")
        rows = BenchEntry.objects.filter(session=session, device=device).values_list("number", flat=True)
        numbers = {number for number in rows if number is not None}
        batch_offset = round(elapsed_hours(sent_at, now) * MS_PER_HOUR)
        for one in sorted(sent, key=lambda one: one.number):
            if one.id not in known:
                known[one.id] = _keep(one, session, device, batch_offset, numbers, by=by, now=now)
        _carry_out(session, device, by=by)
        fresh = BenchEntry.objects.in_bulk([one.id for one in sent])
    return [fresh[one.id] for one in sent]


def entry_again(entry: BenchEntry, *, reason: str, by: Person, now: dt.datetime) -> BenchEntry:
    """Try an entry that needs a look, or waits for one that never came, once more; a reason sets a rule aside.

    After the session's end it is a correction, and needs the reason.
    """
    if entry.session.state == SessionState.CLOSED and not reason.strip():
        raise Refusal(_("The session is closed: say why this is added."), field="reason", rule="says_why")
    with transaction.atomic():
        entry = _locked(entry)
        if entry.state not in {EntryState.LOOK, EntryState.HELD_BACK}:
            return entry
        if reason.strip() and entry.kind == "dose" and isinstance(entry.facts, dict):
            entry.facts = {**entry.facts, "override_reason": reason.strip()[:160]}
        entry.state = EntryState.HELD_BACK
        if entry.session.state == SessionState.CLOSED:
            session_correct(
                entry.session, reason=reason, act=lambda session: _carry_out_one(session, entry, by=by), by=by, now=now
            )
        else:
            _carry_out_one(entry.session, entry, by=by)
        if entry.state == EntryState.LOOK:
            raise Refusal(entry.words, rule=entry.rule)
        entry.settled_at, entry.settled_by, entry.settled_why = now, by, reason.strip()[:200] or _("Taken in later")
        entry.save(update_fields=["facts", "settled_at", "settled_by", "settled_why"])
        _audit(entry, "entry.again", by=by, now=now)
    return entry


def entry_let_be(entry: BenchEntry, *, reason: str, by: Person, now: dt.datetime) -> BenchEntry:
    """What is on record stands. The entry stays in the log, with the name and the reason."""
    if not reason.strip():
        raise Refusal(_("Say why, in a few words."), field="reason", rule="says_why")
    with transaction.atomic():
        entry = _locked(entry)
        if entry.state != EntryState.LOOK:
            return entry
        entry.state = EntryState.SETTLED
        entry.settled_at, entry.settled_by, entry.settled_why = now, by, reason.strip()[:200]
        entry.save(update_fields=["state", "settled_at", "settled_by", "settled_why"])
        _audit(entry, "entry.let_be", by=by, now=now)
    return entry


def _locked(entry: BenchEntry) -> BenchEntry:
    BenchSession.objects.select_for_update(of=("self",)).get(pk=entry.session_id)
    return BenchEntry.objects.select_related("session__season__cooperative", "session__bench", "by").get(pk=entry.pk)


def _audit(entry: BenchEntry, action: str, *, by: Person, now: dt.datetime) -> None:
    audit_record(
        entry.session,
        action=action,
        by=by,
        now=now,
        cooperative=entry.session.season.cooperative,
        after={"entry": entry.pk, "kind": entry.kind, "facts": entry.facts},
        note=entry.settled_why,
    )


def _keep(
    one: Sent,
    session: BenchSession,
    device: uuid.UUID,
    batch_offset: int,
    numbers: set[int],
    *,
    by: Person,
    now: dt.datetime,
) -> BenchEntry:
    """Write the entry into the log. A number that came with another id before has no order: it needs a look."""
    offset = batch_offset if one.offset_ms is None else one.offset_ms
    happened = elapsed_after(one.device_at, Decimal(offset) / MS_PER_HOUR)
    twice = one.number in numbers
    entry = BenchEntry.objects.create(
        id=one.id,
        session=session,
        device=device,
        number=None if twice else one.number,
        kind=one.kind[:12],
        facts=one.facts,
        device_at=one.device_at,
        offset_ms=offset,
        at=min(happened, now),  # nothing is taken in before it happened
        by=by,
        received_at=now,
        state=EntryState.LOOK if twice else EntryState.HELD_BACK,
        rule="number_twice" if twice else "",
        words=_("Another entry came under the same number of this device.") if twice else "",
    )
    numbers.add(one.number)
    return entry


def _carry_out(session: BenchSession, device: uuid.UUID, *, by: Person) -> None:
    """Carry out the device's entries that are next in its order, up to the first gap."""
    of_device = BenchEntry.objects.filter(session=session, device=device, number__isnull=False)
    waiting = list(of_device.filter(state=EntryState.HELD_BACK).order_by("number"))
    if not waiting:
        return
    before = waiting[0].number or 0
    done = of_device.filter(number__lt=before).count()
    last = of_device.filter(number__lt=before).aggregate(at=Max("at"))["at"]
    for entry in waiting:
        if entry.number != done + 1:
            break
        if last is not None and entry.at < last:
            entry.at = last  # a clock set back does not turn the order of taps round
        last, done = entry.at, done + 1
        _carry_out_one(session, entry, by=by)


def _carry_out_one(session: BenchSession, entry: BenchEntry, *, by: Person) -> None:
    try:
        with transaction.atomic():
            entry_apply(session, entry, by=entry.by or by, now=entry.at)
            last = BenchEntry.objects.filter(session=session).aggregate(order=Max("order"))["order"]
            entry.order = (last or 0) + 1
            entry.state, entry.rule, entry.words = EntryState.TAKEN, "", ""
    except Refusal as refusal:
        _to_look_at(entry, refusal.rule, str(refusal.text))
    except (IntegrityError, DataError):
        _to_look_at(entry, "not_possible", _("It cannot stand beside what is on record."))
    entry.save(update_fields=["at", "order", "state", "rule", "words", "on_record"])


def _to_look_at(entry: BenchEntry, rule: str, words: str) -> None:
    entry.order = None
    entry.state, entry.rule, entry.words = EntryState.LOOK, rule[:40], words
    entry.on_record = on_record_words(entry)
