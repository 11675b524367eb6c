"""One entry of a member, carried out by the service whose rules it falls under.

What an entry says is read here and nowhere else; whether it may be so, the services decide. What stands on record the
same way already is nothing left to do; what stands there otherwise is changed only where a person has looked at both.
"""

import datetime as dt
from collections.abc import Callable
from decimal import Decimal
from typing import Any

from django.utils.translation import gettext as _

from accounts.access import Viewer
from accounts.refusals import Refusal
from breeding.models import Score
from breeding.queries.stock import traits_of
from breeding.services.scores import score_correct, score_record, scored_value
from scheduling.models import BatchQueen, DroneCount, EntryState, HiveEntry, ReminderState
from scheduling.planning.timing import elapsed_after, local_day
from scheduling.queries.batches import zone_of_batch
from scheduling.queries.sources import cohorts_seen_by
from scheduling.queries.words import day_words, moment_words
from scheduling.services.batch_co2 import batch_second_co2
from scheduling.services.batch_rules import OBSERVED
from scheduling.services.batches import batch_first_co2, batch_observe
from scheduling.services.checks import check_record
from scheduling.services.cohorts import count_record
from scheduling.services.entry_facts import Facts, unreadable
from scheduling.services.hive_entered import (
    Entered,
    batch_of,
    changed_since,
    co2_times,
    colony_of,
    differs,
    own,
    reminder_of,
    same_already,
    unknown,
)
from scheduling.services.hive_undo import taken_back_with_it, undo
from scheduling.services.reminder_rows import (
    reminder_acknowledge,
    reminder_done,
    reminder_let_go,
    reminder_put_off,
    reminder_take_back,
)

COUNTS = {"cells_grafted", "cells_started", "virgins_emerged", "grafted_hour", "emerged_hour"}
SAME_MINUTES = dt.timedelta(minutes=2)  # two phones beside one cage never agree on the second


def hive_apply(
    entry: HiveEntry,
    *,
    viewer: Viewer,
    now: dt.datetime,
    anyway: bool = False,
    loaded: dict[tuple[str, int, Any], Any] | None = None,
) -> str | None:
    """Carry the entry out. Returns None, or in words that it was on record already. Raises Refusal."""
    step = STEPS.get(entry.kind)
    if step is None:
        raise unreadable(entry.kind[:40])
    if taken_back_with_it(entry):
        return _("It was taken back before it was sent.")
    return step(Entered(entry, Facts(entry.facts), viewer, now, anyway, {} if loaded is None else loaded))


def _score(one: Entered) -> str | None:
    facts, colony = one.facts, colony_of(one)
    key, traits = facts.text("trait", most=40), traits_of(one.viewer.cooperative)
    trait = one.once("trait", key, lambda: traits.filter(key=key).first())
    if trait is None:
        raise Refusal(_("This trait is not one of your cooperative's."), rule="unknown_trait")
    day = facts.maybe_day("on") or local_day(one.entry.at, one.viewer.cooperative.time_zone)
    said: dict[str, Any] = {
        "value": facts.maybe_decimal("value"),
        "part": facts.maybe_number("part"),
        "whole": facts.maybe_number("whole"),
        "method": facts.text("method", most=40),
        "hours": facts.maybe_decimal("hours"),
    }
    there = Score.objects.filter(
        colony=colony, trait=trait, scored_on=day, method=said["method"], replaced_by=None, withdrawn_at=None
    ).first()
    if there is not None and there.entry != one.entry.pk:
        if there.value == scored_value(trait.key, **said):
            return same_already()
        if not one.anyway:
            raise differs(f"{trait} {there.value.normalize():f} {trait.shown_unit}")
        score_correct(there, **said, note=_settled_why(one), entry=one.entry.pk, by=one.viewer.person, now=one.now)
        return None
    score_record(
        colony,
        trait=trait,
        scored_on=day,
        note=facts.text("note", most=200),
        entry=one.entry.pk,
        by=one.viewer.person,
        now=one.now,
        **said,
    )
    return None


def _settled_why(one: Entered) -> str:
    return one.entry.settled_why or _("Taken in after a look at both")


def _step(one: Entered) -> str | None:
    facts, batch = one.facts, batch_of(one)
    step = facts.text("step", most=20)
    observed = OBSERVED.get(step)
    if observed is None:
        raise unreadable("step")
    day = facts.maybe_day("on") or local_day(one.entry.at, str(zone_of_batch(batch)))
    values: dict[str, Any] = {observed.date: day}
    for name in observed.with_it:
        given: Decimal | int | None = facts.maybe_number(name) if name in COUNTS else facts.maybe_decimal(name)
        if given is not None:
            values[name] = given
    there = getattr(batch, observed.date)
    if there is not None:
        if all(getattr(batch, name) == value for name, value in values.items()):
            return same_already()
        if step == "eggs" and there <= day:
            return same_already()  # the first eggs are those that were seen first
        if step != "eggs" and not one.anyway:
            raise differs(f"{observed.said}, {day_words(there)}")
    batch_observe(batch, step=step, values=values, by=one.viewer.person, now=one.now)
    return None


def _co2(one: Entered) -> str | None:
    batch = batch_of(one)
    started, ended = co2_times(one, batch)
    by, now = one.viewer.person, one.now
    if one.facts.text("which", most=10) == "second":
        if started is None:
            raise Refusal(_("Enter when the gas went on."), field="started", rule="co2_when")
        batch_second_co2(batch, started_at=started, ended_at=ended, by=by, now=now)
        return None
    there = batch.first_co2_at
    if there is not None:
        if abs(there - ended) <= SAME_MINUTES:
            return same_already()
        if not one.anyway:
            raise differs(_("first CO2, ended %(when)s") % {"when": moment_words(there, zone_of_batch(batch))})
    batch_first_co2(batch, started_at=started, ended_at=ended, by=by, now=now)
    return None


def _check(one: Entered) -> str | None:
    facts = one.facts
    queens = BatchQueen.objects.filter(batch__season__cooperative=one.viewer.cooperative)
    queen = queens.select_related("batch__member", "batch__season__cooperative", "batch__apiary", "queen").filter(
        pk=facts.number("queen")
    )
    her = queen.first()
    if her is None:
        raise unknown()
    own(one.viewer, her.batch.member)
    day = facts.maybe_day("checked_on") or local_day(one.entry.at, one.viewer.cooperative.time_zone)
    finding = facts.text("finding", most=20)
    there = her.checks.filter(checked_on=day, replaced_by__isnull=True).first()
    if there is not None and there.entry != one.entry.pk and there.finding != finding and not one.anyway:
        raise differs(f"{day_words(day)}, {there.get_finding_display()}")
    kept = check_record(
        her,
        checked_on=day,
        finding=finding,
        pattern=facts.text("pattern", most=20),
        note=facts.text("note", most=200),
        brood_cells=facts.maybe_number("brood_cells"),
        brood_alive=facts.maybe_number("brood_alive"),
        entry=one.entry.pk,
        by=one.viewer.person,
        now=one.now,
    )
    return None if kept.entry == one.entry.pk else same_already()


def _count(one: Entered) -> str | None:
    """Counting again the same day corrects one's own count; somebody else's is looked at first."""
    facts, by = one.facts, one.viewer.person
    cohorts = cohorts_seen_by(one.viewer).select_related(
        "source__member", "source__season__cooperative", "source__apiary"
    )
    cohort = cohorts.filter(pk=facts.number("cohort")).first()
    if cohort is None:
        raise unknown()
    own(one.viewer, cohort.source.member)
    kind, number = facts.text("kind", most=10), facts.maybe_number("number")
    if number is None:
        raise Refusal(_("Enter how many you counted."), field="number")
    day = facts.maybe_day("counted_on") or local_day(one.entry.at, one.viewer.cooperative.time_zone)
    there = cohort.counts.filter(kind=kind, counted_on=day, replaced_by__isnull=True).first()
    if there is not None:
        if there.number == number:
            return same_already()
        if not one.anyway and not _said_before(one, there):
            raise differs(f"{there.number} {there.get_kind_display()}, {day_words(day)}")
    count_record(cohort, kind=kind, counted_on=day, number=number, by=by, now=one.now)
    return None


def _said_before(one: Entered, there: DroneCount) -> bool:
    """What stands is the same person's, from before this entry: written on a page, or the last of this log."""
    if there.counted_by_id != one.viewer.person.pk:
        return False
    if there.recorded_at <= one.entry.at:
        return True
    facts = {f"facts__{name}": one.facts.values.get(name) for name in ("cohort", "kind", "counted_on")}
    told = HiveEntry.objects.filter(by=one.viewer.person, kind="count", state=EntryState.TAKEN, **facts)
    last = told.filter(received_at__lte=there.recorded_at, at__lte=one.entry.at).order_by("at", "number").last()
    return last is not None and Facts(last.facts).maybe_number("number") == there.number


def _reminder(one: Entered) -> str | None:
    """What was said of a reminder happened when it was said, not when it arrived."""
    reminder, act = reminder_of(one), one.facts.text("act", most=12)
    by, at = one.viewer.person, one.entry.at
    if act == "done":
        if reminder.state == ReminderState.DONE:
            return same_already()
        if reminder.state == ReminderState.LET_GO and one.anyway:
            reminder = reminder_take_back(reminder, by=by, now=one.now)
        reminder_done(reminder, by=by, now=at)
    elif act == "acknowledge":
        if reminder.acknowledged_at is not None or reminder.state in {ReminderState.DONE, ReminderState.LET_GO}:
            return same_already()
        reminder_acknowledge(reminder, by=by, now=at)
    elif act == "let_go":
        if reminder.state in {ReminderState.DONE, ReminderState.LET_GO}:
            return same_already()
        reminder_let_go(reminder, by=by, now=at)
    elif act == "put_off":
        hours = one.facts.maybe_number("hours", most=24 * 14)
        if not hours:
            raise unreadable("hours")
        until = elapsed_after(at, hours)
        if until <= one.now and reminder.state == ReminderState.WANTED:
            return _("The time it was put off to has passed: it stands as it is.")
        reminder_put_off(reminder, until=until, by=by, now=at)
    elif act == "take_back":
        if reminder.ended_at is None:
            return same_already()
        if reminder.ended_at > at and not one.anyway:
            raise changed_since()
        reminder_take_back(reminder, by=by, now=one.now)
    else:
        raise unreadable("act")
    return None


STEPS: dict[str, Callable[[Entered], str | None]] = {
    "score": _score,
    "step": _step,
    "co2": _co2,
    "check": _check,
    "count": _count,
    "reminder": _reminder,
    "undo": undo,
}
