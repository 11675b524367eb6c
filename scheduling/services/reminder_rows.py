"""Writing, moving and ending reminder rows, in the transaction of whatever sets the due moment."""

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass

from django.db import transaction
from django.db.models import Model
from django.utils.translation import gettext as _

from accounts.models import Cooperative, Member, Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from scheduling.models import Reminder, ReminderState
from scheduling.reminder_kinds import KINDS

LIVE = [ReminderState.WANTED, ReminderState.EXPIRED]


@dataclass(frozen=True)
class Wanted:
    """A reminder that should stand: what, for whom, when."""

    kind: str
    due_at: dt.datetime
    title: str
    why: str
    link: str = ""
    stage: str = "due"
    member: Member | None = None
    person: Person | None = None
    useful_until: dt.datetime | None = None

    @property
    def key(self) -> tuple[str, str, int | None, int | None]:
        return (
            self.kind,
            self.stage,
            self.member.pk if self.member else None,
            self.person.pk if self.person else None,
        )


def reminders_set(
    subject: Model,
    wanted: Iterable[Wanted],
    *,
    cooperative: Cooperative,
    kinds: Iterable[str],
    now: dt.datetime,
    done_kinds: Iterable[str] = (),
    by: Person | None = None,
) -> list[Reminder]:
    """Make the live reminders of `subject` (of these kinds) be exactly `wanted`.

    What already stands is left alone; what moved is superseded and written anew (the new message says that
    it replaces the old one when that was told); what has been done is ended as done. Must run inside the
    transaction of the change. Calling it twice changes nothing.
    """
    if not transaction.get_connection().in_atomic_block:
        raise RuntimeError("reminders_set belongs inside the transaction that sets the due moment.")
    label, done = subject._meta.label_lower, set(done_kinds)
    live = {
        (row.kind, row.stage, row.member_id, row.person_id): row
        for row in Reminder.objects.select_for_update(of=("self",)).filter(
            subject_type=label, subject_id=subject.pk, kind__in=list(kinds), state__in=LIVE
        )
    }
    ended_by_hand = set(
        Reminder.objects.filter(
            subject_type=label, subject_id=subject.pk, state__in=[ReminderState.DONE, ReminderState.LET_GO]
        ).values_list("kind", "stage", "member_id", "person_id", "base_due_at")
    )
    written = []
    for want in wanted:
        if want.kind in done or (*want.key, want.due_at) in ended_by_hand:
            continue
        old = live.pop(want.key, None)
        if old is not None and old.base_due_at == want.due_at:
            _refresh_words(old, want)
            continue
        if old is not None:
            _end(old, ReminderState.SUPERSEDED, now=now, by=by)
        if _useful_until(want) < now:
            continue  # recorded afterwards: nobody needs to be told of what is past
        new = _row(want, cooperative=cooperative, label=label, subject_id=subject.pk, now=now)
        new.save()
        if old is not None:
            old.replaced_by = new
            old.save(update_fields=["replaced_by"])
        written.append(new)
    for row in live.values():
        _end(row, ReminderState.DONE if row.kind in done else ReminderState.SUPERSEDED, now=now, by=by)
    return written


def reminder_done(reminder: Reminder, *, by: Person, now: dt.datetime) -> Reminder:
    """Somebody says it is done. Twice is once."""
    return _end_by_hand(reminder, ReminderState.DONE, by=by, now=now)


def reminder_let_go(reminder: Reminder, *, by: Person, now: dt.datetime) -> Reminder:
    """Somebody says it need not be done."""
    return _end_by_hand(reminder, ReminderState.LET_GO, by=by, now=now)


def reminder_take_back(reminder: Reminder, *, by: Person, now: dt.datetime) -> Reminder:
    """Undo of done or let go: it stands again as it was."""
    with transaction.atomic():
        row = Reminder.objects.select_for_update(of=("self",)).get(pk=reminder.pk)
        if row.state not in [ReminderState.DONE, ReminderState.LET_GO]:
            return row
        before = row.state
        row.state, row.ended_at, row.ended_by = ReminderState.WANTED, None, None
        row.save(update_fields=["state", "ended_at", "ended_by"])
        audit_record(
            row,
            action="reminder.take_back",
            by=by,
            now=now,
            cooperative=row.cooperative,
            before={"state": before},
            after={"state": row.state},
        )
    return row


def reminder_put_off(reminder: Reminder, *, until: dt.datetime, by: Person, now: dt.datetime) -> Reminder:
    """Tell again later, but never later than it is of use."""
    if until <= now:
        raise Refusal(_("Choose a time that is still to come."), field="until", rule="put_off_past")
    if until > reminder.useful_until:
        raise Refusal(
            _("After %(moment)s it would be too late for this. Choose an earlier time, or let it go.")
            % {"moment": f"{reminder.useful_until:%d %B %H:%M} UTC"},
            field="until",
            rule="put_off_too_late",
        )
    with transaction.atomic():
        old = Reminder.objects.select_for_update(of=("self",)).get(pk=reminder.pk)
        if old.state != ReminderState.WANTED:
            raise Refusal(_("This has already been dealt with."), rule="reminder_ended")
        if old.due_at == until:
            return old
        _end(old, ReminderState.SUPERSEDED, now=now, by=by)
        new = Reminder.objects.get(pk=old.pk)
        new.pk = None
        new._state.adding = True
        new.state, new.ended_at, new.ended_by, new.told_at = ReminderState.WANTED, None, None, None
        new.due_at, new.created_at, new.replaced_by = until, now, None
        new.save()
        Reminder.objects.filter(pk=old.pk).update(state=ReminderState.PUT_OFF, replaced_by=new)
        audit_record(
            new,
            action="reminder.put_off",
            by=by,
            now=now,
            cooperative=new.cooperative,
            before={"due_at": old.due_at},
            after={"due_at": until},
        )
    return new


def _end_by_hand(reminder: Reminder, state: str, *, by: Person, now: dt.datetime) -> Reminder:
    with transaction.atomic():
        row = Reminder.objects.select_for_update(of=("self",)).get(pk=reminder.pk)
        if row.state == state:
            return row
        if row.state not in LIVE:
            raise Refusal(_("This has already been dealt with."), rule="reminder_ended")
        before = row.state
        _end(row, state, now=now, by=by)
        audit_record(
            row,
            action=f"reminder.{state}",
            by=by,
            now=now,
            cooperative=row.cooperative,
            before={"state": before},
            after={"state": state},
        )
    return row


def _end(row: Reminder, state: str, *, now: dt.datetime, by: Person | None) -> None:
    row.state, row.ended_at, row.ended_by = state, now, by
    row.save(update_fields=["state", "ended_at", "ended_by"])


def _refresh_words(row: Reminder, want: Wanted) -> None:
    if row.told_at is None and (row.title, row.why, row.link) != (want.title, want.why, want.link):
        row.title, row.why, row.link = want.title, want.why, want.link
        row.save(update_fields=["title", "why", "link"])


def _useful_until(want: Wanted) -> dt.datetime:
    return max(want.useful_until or want.due_at + KINDS[want.kind].useful_for, want.due_at)


def _row(want: Wanted, *, cooperative: Cooperative, label: str, subject_id: int, now: dt.datetime) -> Reminder:
    kind = KINDS[want.kind]
    return Reminder(
        cooperative=cooperative,
        kind=want.kind,
        subject_type=label,
        subject_id=subject_id,
        stage=want.stage,
        member=want.member,
        person=want.person,
        due_at=want.due_at,
        base_due_at=want.due_at,
        useful_until=_useful_until(want),
        critical=kind.critical,
        title=want.title[:160],
        why=want.why[:300],
        link=want.link,
        created_at=now,
    )
