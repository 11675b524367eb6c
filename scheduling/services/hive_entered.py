"""What members' entries have in common as they are carried out: what one is about, whose it is, when it was."""

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any, TypeVar, cast

from django.utils.translation import gettext as _

from accounts.access import Viewer, can_act_for
from accounts.models import Member
from accounts.refusals import Refusal
from breeding.models import Colony
from breeding.queries.stock import colonies_seen_by
from scheduling.models import HiveEntry, QueenBatch, Reminder
from scheduling.planning.timing import elapsed_after, local_day, local_to_utc
from scheduling.queries.batches import batches_seen_by, zone_of_batch
from scheduling.queries.reminders import reminders_settled_by
from scheduling.services.entry_facts import Facts

MS_PER_HOUR = 3_600_000
T = TypeVar("T")


@dataclass(frozen=True)
class Entered:
    """An entry about to be carried out. `anyway`: a person has seen what stands on record and wants this instead.

    loaded : colonies and traits that earlier entries of the same batch were about; no entry changes them.
    """

    entry: HiveEntry
    facts: Facts
    viewer: Viewer
    now: dt.datetime
    anyway: bool
    loaded: dict[tuple[str, int, Any], Any] = field(default_factory=dict)

    def once(self, kind: str, key: Any, load: Callable[[], T]) -> T:
        place = (kind, self.viewer.person.pk, key)
        if place not in self.loaded:
            self.loaded[place] = load()
        return cast(T, self.loaded[place])


def same_already() -> str:
    return _("It was on record already.")


def own(viewer: Viewer, member: Member) -> None:
    if not can_act_for(viewer, member):
        raise Refusal(_("This belongs to %(member)s.") % {"member": member}, rule="not_yours")


def unknown() -> Refusal:
    return Refusal(_("What this is about is not on record any more."), rule="unknown")


def changed_since() -> Refusal:
    return Refusal(_("It was changed since. Look at what stands now."), rule="changed_since")


def differs(what: str) -> Refusal:
    return Refusal(
        _("On record it stands otherwise: %(what)s. Which of the two is right?") % {"what": what}, rule="differs"
    )


def colony_of(one: Entered) -> Colony:
    colonies = colonies_seen_by(one.viewer).select_related("apiary__member__cooperative")
    asked = one.facts.number("colony")
    colony = one.once("colony", asked, lambda: colonies.filter(pk=asked).first())
    if colony is None:
        raise unknown()
    own(one.viewer, colony.apiary.member)
    return colony


def batch_of(one: Entered) -> QueenBatch:
    batches = batches_seen_by(one.viewer).select_related("season__cooperative", "member", "apiary", "mother")
    batch = batches.filter(pk=one.facts.number("batch")).first()
    if batch is None:
        raise unknown()
    own(one.viewer, batch.member)
    return batch


def reminder_of(one: Entered) -> Reminder:
    """The reminder as it now stands: one that moved meanwhile is the same matter."""
    reminders = reminders_settled_by(one.viewer)
    reminder = reminders.filter(pk=one.facts.number("reminder")).first()
    if reminder is None:
        raise unknown()
    while reminder.replaced_by_id is not None:
        reminder = Reminder.objects.get(pk=reminder.replaced_by_id)
    return reminder


def co2_times(one: Entered, batch: QueenBatch) -> tuple[dt.datetime | None, dt.datetime]:
    """From gas on to gas off: as the device's clock had it, put right; else as typed, by the clock of the apiary."""
    facts = one.facts
    started, ended = facts.maybe_moment("started_at"), facts.maybe_moment("ended_at")
    if ended is not None:
        hours = Decimal(one.entry.offset_ms) / MS_PER_HOUR
        ended = min(elapsed_after(ended, hours), one.now)
        return (min(elapsed_after(started, hours), ended) if started else None), ended
    zone = str(zone_of_batch(batch))
    day = facts.maybe_day("day") or local_day(one.entry.at, zone)
    on, off = facts.maybe_time("started"), facts.maybe_time("time")
    if off is None:
        raise Refusal(_("Enter when the treatment ended."), field="time", rule="co2_when")
    return (local_to_utc(day, on, zone) if on else None), local_to_utc(day, off, zone)
