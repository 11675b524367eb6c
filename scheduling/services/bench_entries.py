"""Entries of tablets at the bench: the log of one session (see `entry_log`), carried out by the bench's services."""

import datetime as dt
import uuid
from collections.abc import Sequence

from django.db import transaction
from django.db.models import Max
from django.utils.translation import gettext as _

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from scheduling.models import BenchEntry, BenchSession, EntryState, SessionState
from scheduling.queries.bench_log import entry_words, on_record_words
from scheduling.services.bench_apply import entry_apply
from scheduling.services.bench_correct import Change, session_correct
from scheduling.services.entry_log import EntryLog, Sent, entry_carry_out, log_take


def entries_take(
    session: BenchSession,
    *,
    device: uuid.UUID,
    sent: Sequence[Sent],
    sent_at: dt.datetime,
    by: Person,
    now: dt.datetime,
) -> list[BenchEntry]:
    """Keep what a device sent and carry out what is next in its order; one transaction. See `log_take`."""
    with transaction.atomic():
        session = (
            BenchSession.objects.select_for_update(of=("self",))
            .select_related("season__cooperative", "bench")
            .get(pk=session.pk)
        )
        return log_take(_log(session, by=by), device=device, sent=sent, sent_at=sent_at, by=by, now=now)


def _log(session: BenchSession, *, by: Person) -> EntryLog[BenchEntry]:
    def order() -> dict[str, int]:
        last = BenchEntry.objects.filter(session=session).aggregate(order=Max("order"))["order"]
        return {"order": (last or 0) + 1}

    return EntryLog(
        BenchEntry,
        {"session": session},
        act=lambda entry: entry_apply(session, entry, by=entry.by or by, now=entry.at),
        on_record=on_record_words,
        taken=order,
    )


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
                entry.session, reason=reason, act=lambda session: _late(session, entry, by=by), by=by, now=now
            )
        else:
            entry_carry_out(_log(entry.session, by=by), entry)
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


def _late(session: BenchSession, entry: BenchEntry, *, by: Person) -> Change:
    before = entry.on_record
    entry_carry_out(_log(session, by=by), entry)
    return Change(entry_words(entry), before or _("nothing"), _("Taken in later"))
