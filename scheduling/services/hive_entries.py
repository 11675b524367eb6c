"""What members keep on their phones, taken in: one log for each cooperative (see `entry_log`)."""

import datetime as dt
import uuid
from collections.abc import Sequence
from functools import partial
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.access import Viewer, viewer_of
from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from scheduling.models import EntryState, HiveEntry
from scheduling.queries.hive_log import on_record_words
from scheduling.services.entry_log import (
    EntryLog,
    Sent,
    entry_carry_out,
    entry_of,
    entry_try,
    log_take,
    offset_of,
)
from scheduling.services.hive_apply import hive_apply


def hive_entries_take(
    viewer: Viewer, *, device: uuid.UUID, sent: Sequence[Sent], sent_at: dt.datetime, now: dt.datetime
) -> list[HiveEntry]:
    """Keep what a member's device sent and carry out what is next in its order; one transaction. See `log_take`."""
    with transaction.atomic():
        person = _locked(viewer.person)
        return log_take(_log(viewer, now=now), device=device, sent=sent, sent_at=sent_at, by=person, now=now)


def hive_entries_try(
    viewer: Viewer, *, device: uuid.UUID, sent: Sequence[Sent], sent_at: dt.datetime, now: dt.datetime
) -> list[Refusal | None]:
    """What the rules say of entries before they are kept, so that a refusal stands beside its field. Writes nothing."""
    log, offset = _log(viewer, now=now), offset_of(sent_at, now)
    with transaction.atomic():
        person = _locked(viewer.person)
        entries = [entry_of(log, one, device, offset, by=person, now=now) for one in sent]
        found = [entry_try(log, entry) for entry in entries]
        transaction.set_rollback(True)
    return found


def hive_entry_again(entry: HiveEntry, *, reason: str = "", viewer: Viewer, now: dt.datetime) -> HiveEntry:
    """Take it in, in place of what stands on record; what stood there stays in the history."""
    with transaction.atomic():
        _locked(viewer.person)
        entry = HiveEntry.objects.select_related("by", "cooperative").get(pk=entry.pk)
        if entry.state not in {EntryState.LOOK, EntryState.HELD_BACK}:
            return entry
        entry.settled_why = reason.strip()[:200] or _("Taken in after a look at both")
        entry_carry_out(_log(viewer, now=now, anyway=True), entry)
        if entry.state == EntryState.LOOK:
            raise Refusal(entry.words, rule=entry.rule)
        entry.settled_at, entry.settled_by = now, viewer.person
        entry.save(update_fields=["settled_at", "settled_by", "settled_why"])
        _audit(entry, "entry.again", viewer=viewer, now=now)
    return entry


def hive_entry_let_go(entry: HiveEntry, *, reason: str = "", viewer: Viewer, now: dt.datetime) -> HiveEntry:
    """What is on record stands. The entry stays in the log."""
    with transaction.atomic():
        _locked(viewer.person)
        entry = HiveEntry.objects.select_related("by", "cooperative").get(pk=entry.pk)
        if entry.state != EntryState.LOOK:
            return entry
        entry.state = EntryState.SETTLED
        entry.settled_at, entry.settled_by = now, viewer.person
        entry.settled_why = reason.strip()[:200] or _("Let go")
        entry.save(update_fields=["state", "settled_at", "settled_by", "settled_why"])
        _audit(entry, "entry.let_be", viewer=viewer, now=now)
    return entry


def _locked(person: Person) -> Person:
    """One person's entries come in one after the other, from whichever device."""
    return Person.objects.select_for_update(of=("self",), no_key=True).get(pk=person.pk)


def _log(viewer: Viewer, *, now: dt.datetime, anyway: bool = False) -> EntryLog[HiveEntry]:
    """Carried out as whoever wrote it down, with the rights that person has now."""

    loaded: dict[tuple[str, int, Any], Any] = {}

    def act(entry: HiveEntry) -> str | None:
        author = viewer if entry.by_id == viewer.person.pk else _author(entry)
        return hive_apply(entry, viewer=author, now=now, anyway=anyway, loaded=loaded)

    return EntryLog(
        HiveEntry,
        {"cooperative": viewer.cooperative},
        act=act,
        on_record=partial(on_record_words, zone_name=viewer.cooperative.time_zone),
    )


def _author(entry: HiveEntry) -> Viewer:
    author = viewer_of(entry.by, entry.cooperative_id) if entry.by else None
    if author is None or author.cooperative.pk != entry.cooperative_id:
        raise Refusal(_("Whoever wrote this down is not in the cooperative any more."), rule="author_left")
    return author


def _audit(entry: HiveEntry, action: str, *, viewer: Viewer, now: dt.datetime) -> None:
    audit_record(
        entry.cooperative,
        action=action,
        by=viewer.person,
        now=now,
        cooperative=entry.cooperative,
        after={"entry": entry.pk, "kind": entry.kind, "facts": entry.facts},
        note=entry.settled_why,
    )
