"""Taking back what an earlier entry of the same person did."""

from collections.abc import Callable

from django.utils.translation import gettext as _

from accounts.refusals import Refusal
from breeding.models import Score
from breeding.services.scores import score_withdraw
from scheduling.models import EntryState, HiveEntry, ReminderState
from scheduling.planning.timing import local_day
from scheduling.queries.batches import zone_of_batch
from scheduling.services.batch_co2 import batch_second_co2_undo
from scheduling.services.batch_rules import OBSERVED
from scheduling.services.batches import batch_first_co2, batch_withdraw_step
from scheduling.services.entry_facts import Facts
from scheduling.services.hive_entered import Entered, batch_of, changed_since, co2_times, own, reminder_of, unknown
from scheduling.services.reminder_rows import reminder_done, reminder_let_go, reminder_take_back


def taken_back_with_it(entry: HiveEntry) -> bool:
    """What has no way back is not carried out at all when its being taken back came with it."""
    if entry.kind in BACK:
        return False
    undone = HiveEntry.objects.filter(by=entry.by_id, kind="undo", state=EntryState.HELD_BACK)
    return undone.filter(facts__of=str(entry.pk)).exists()


def undo(one: Entered) -> str | None:
    """Take back what an earlier entry of the same person did. One that was never taken in is let go."""
    of = HiveEntry.objects.filter(
        pk=one.facts.id("of"), cooperative=one.viewer.cooperative, by=one.viewer.person
    ).first()
    if of is None:
        raise Refusal(_("What this takes back is not on record."), rule="undo_unknown")
    if of.state in {EntryState.LOOK, EntryState.HELD_BACK}:
        of.state, of.settled_at, of.settled_by = EntryState.SETTLED, one.now, one.viewer.person
        of.settled_why = _("Taken back on the device")
        of.save(update_fields=["state", "settled_at", "settled_by", "settled_why"])
        return None
    if of.rule == "same_already":
        return _("There was nothing to take back: it had been on record before.")
    undone = HiveEntry.objects.filter(by=one.viewer.person, kind="undo", state=EntryState.TAKEN, facts__of=str(of.pk))
    if undone.exists():
        return _("It had been taken back already.")
    back = BACK.get(of.kind)
    if of.state != EntryState.TAKEN or back is None:
        raise Refusal(_("This cannot be taken back. Correct it instead."), rule="undo_not_possible")
    return back(one, Entered(of, Facts(of.facts), one.viewer, one.now, anyway=False))


def _score_back(one: Entered, of: Entered) -> str | None:
    score = Score.objects.filter(entry=of.entry.pk, colony__apiary__member__cooperative=of.viewer.cooperative).first()
    if score is None:
        raise unknown()
    own(of.viewer, score.colony.apiary.member)
    score_withdraw(score, by=of.viewer.person, now=one.now)
    return None


def _step_back(one: Entered, of: Entered) -> str | None:
    batch, step = batch_of(of), of.facts.text("step", most=20)
    day = of.facts.maybe_day("on") or local_day(of.entry.at, str(zone_of_batch(batch)))
    if getattr(batch, OBSERVED[step].date) != day:
        raise changed_since()
    batch_withdraw_step(batch, step=step, by=of.viewer.person, now=one.now)
    return None


def _co2_back(one: Entered, of: Entered) -> str | None:
    batch = batch_of(of)
    started, ended = co2_times(of, batch)
    if of.facts.text("which", most=10) != "second":
        if batch.first_co2_at != ended:
            raise changed_since()
        batch_first_co2(batch, ended_at=None, by=of.viewer.person, now=one.now)
    elif started is not None:
        batch_second_co2_undo(batch, started_at=started, ended_at=ended, by=of.viewer.person, now=one.now)
    return None


def _reminder_back(one: Entered, of: Entered) -> str | None:
    if of.facts.text("act", most=12) == "put_off":
        raise Refusal(_("It is told again at its time. Say that it is done, or let it go."), rule="undo_not_possible")
    reminder, act = reminder_of(of), of.facts.text("act", most=12)
    if act in {"acknowledge", "take_back"} and reminder.ended_at is not None:
        raise changed_since()
    if act == "take_back":
        again = reminder_let_go if of.facts.text("was", most=12) == ReminderState.LET_GO else reminder_done
        again(reminder, by=of.viewer.person, now=one.entry.at)
        return None
    reminder_take_back(reminder, by=of.viewer.person, now=one.now)
    return None


BACK: dict[str, Callable[[Entered, Entered], str | None]] = {
    "score": _score_back,
    "step": _step_back,
    "co2": _co2_back,
    "reminder": _reminder_back,
}
