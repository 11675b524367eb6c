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
from accounts.told import Moment, Said, kept_text
from scheduling.models import Delivery, DeliveryState, Reminder, ReminderState
from scheduling.planning.timing import local_to_utc
from scheduling.queries.tellings import reminders_to_tell
from scheduling.reminder_kinds import KINDS
from scheduling.services.tell_at import tell_at_set

LIVE = [ReminderState.WANTED, ReminderState.EXPIRED]
NOT_YET_OUT = [DeliveryState.PENDING, DeliveryState.RETRY, DeliveryState.CLAIMED, DeliveryState.HELD]


DUE = "due"  # the stage of what is told once
Step = tuple[str, str]  # kind, stage
Key = tuple[str, str, int | None, int | None, dt.datetime]  # kind, stage, member, person, moment worked out


@dataclass(frozen=True)
class Wall:
    """A due moment that hangs on the clock at the wall: a local day, time and IANA zone."""

    date: dt.date
    time: dt.time
    zone: str

    @property
    def moment(self) -> dt.datetime:
        return local_to_utc(self.date, self.time, self.zone)


@dataclass(frozen=True)
class Wanted:
    """A reminder that should stand: what, for whom, when.

    wall : where it hangs on the local clock; else `due_at` is a moment after so many elapsed hours.
    """

    kind: str
    due_at: dt.datetime
    title: Said
    why: Said
    link: str = ""
    stage: str = DUE
    member: Member | None = None
    person: Person | None = None
    useful_until: dt.datetime | None = None
    wall: Wall | None = None

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
    recorded: Iterable[Step] = (),
    done_kinds: Iterable[str] = (),
    by: Person | None = None,
) -> list[Reminder]:
    """Make the live reminders of `subject` (of these kinds) be exactly `wanted`.

    What already stands is left alone; what moved is superseded and written anew (the new message says that
    it replaces the old one when that was told); what is `recorded` ends as done, and stands again once it is
    wanted anew, because the record was taken back. Of `done_kinds` all is done for good. What a person ended stays
    so. Must run inside the transaction of the change. Calling it twice changes nothing. Returns the new rows.
    """
    if not transaction.get_connection().in_atomic_block:
        raise RuntimeError("reminders_set belongs inside the transaction that sets the due moment.")
    label, on_record, done = subject._meta.label_lower, set(recorded), set(done_kinds)
    live = {
        (row.kind, row.stage, row.member_id, row.person_id): row
        for row in Reminder.objects.select_for_update(of=("self",)).filter(
            subject_type=label, subject_id=subject.pk, kind__in=list(kinds), state__in=LIVE
        )
    }
    by_hand, by_record = _ended(label, subject.pk)
    written: list[tuple[Reminder | None, Reminder]] = []
    for want in wanted:
        moment = (*want.key, want.due_at)
        if want.kind in done or (want.kind, want.stage) in on_record or moment in by_hand:
            continue
        old = live.pop(want.key, None)
        if old is not None and old.base_due_at == want.due_at:
            _refresh_words(old, want)
            continue
        if old is not None:
            _end(old, ReminderState.SUPERSEDED, now=now, by=by)
        if moment in by_record:
            _bring_back(by_record[moment], want, old, now=now, by=by)
            continue
        if _useful_until(want) < now:
            continue  # recorded afterwards: nobody needs to be told of what is past
        written.append((old, _row(want, cooperative=cooperative, label=label, subject_id=subject.pk, now=now)))
    for row in live.values():
        row.is_recorded = (row.kind, row.stage) in on_record
        is_done = row.is_recorded or row.kind in done
        _end(row, ReminderState.DONE if is_done else ReminderState.SUPERSEDED, now=now, by=by)
    return _write(written)


def _ended(label: str, subject_id: int) -> tuple[set[Key], dict[Key, int]]:
    """What a person said is done or need not be done; and the rows, by matter and moment, that a record ended."""
    by_hand: set[Key] = set()
    by_record: dict[Key, int] = {}
    rows = Reminder.objects.filter(
        subject_type=label, subject_id=subject_id, state__in=[ReminderState.DONE, ReminderState.LET_GO]
    ).order_by("pk")
    for *key, is_recorded, pk in rows.values_list(
        "kind", "stage", "member_id", "person_id", "base_due_at", "is_recorded", "pk"
    ):
        moment: Key = (*key,)  # type: ignore[assignment]  # as named above
        if is_recorded:
            by_record[moment] = pk
        else:
            by_hand.add(moment)
    return by_hand, by_record


def _bring_back(pk: int, want: Wanted, old: Reminder | None, *, now: dt.datetime, by: Person | None) -> None:
    """It stands as it did before the record: told at its coming moments, or late like any other that is overdue.

    One that had been missed before the record came is missed again, without a second report.
    """
    row = reminders_to_tell(Reminder.objects.select_for_update(of=("self",))).get(pk=pk)
    was_missed = row.told_at is None and row.ended_at is not None and row.ended_at > row.useful_until
    row.state = ReminderState.EXPIRED if was_missed else ReminderState.WANTED
    row.ended_at, row.ended_by, row.is_recorded = (row.useful_until if was_missed else None), None, False
    tell_at_set([row])
    row.save(update_fields=["state", "ended_at", "ended_by", "is_recorded", "tell_at"])
    _refresh_words(row, want)
    if old is not None:
        old.replaced_by = row
        old.save(update_fields=["replaced_by"])
    _audit_take_back(row, ReminderState.DONE, by=by, now=now)


def _write(rows: list[tuple[Reminder | None, Reminder]]) -> list[Reminder]:
    """Save new rows, each with the one that it replaces."""
    new_rows = [new for _old, new in rows]
    tell_at_set(new_rows)
    for old, new in rows:
        new.save()
        if old is not None:
            old.replaced_by = new
            old.save(update_fields=["replaced_by"])
    return new_rows


def reminder_done(reminder: Reminder, *, by: Person, now: dt.datetime) -> Reminder:
    """Somebody says it is done. Twice is once."""
    return _end_by_hand(reminder, ReminderState.DONE, by=by, now=now)


def reminder_let_go(reminder: Reminder, *, by: Person, now: dt.datetime) -> Reminder:
    """Somebody says it need not be done."""
    return _end_by_hand(reminder, ReminderState.LET_GO, by=by, now=now)


def reminder_acknowledge(reminder: Reminder, *, by: Person, now: dt.datetime) -> Reminder:
    """Somebody has seen it and is on it: no later stage is told, to nobody. It still stands until it is done."""
    with transaction.atomic():
        row = Reminder.objects.select_for_update(of=("self",)).get(pk=reminder.pk)
        if row.acknowledged_at is not None:
            return row
        if row.state not in LIVE:
            raise Refusal(_("This has already been dealt with."), rule="reminder_ended")
        row.acknowledged_at, row.acknowledged_by, row.tell_at = now, by, None
        row.save(update_fields=["acknowledged_at", "acknowledged_by", "tell_at"])
        Delivery.objects.filter(reminder=row, state__in=NOT_YET_OUT).update(
            state=DeliveryState.SUPERSEDED, claim=None, lease_until=None
        )
        audit_record(
            row,
            action="reminder.acknowledge",
            by=by,
            now=now,
            cooperative=row.cooperative,
            before={"acknowledged_at": None},
            after={"acknowledged_at": now},
        )
    return row


def reminder_take_back(reminder: Reminder, *, by: Person, now: dt.datetime) -> Reminder:
    """Undo of done, let go or acknowledged: it stands again, and is told at its coming moments."""
    with transaction.atomic():
        row = reminders_to_tell(Reminder.objects.select_for_update(of=("self",))).get(pk=reminder.pk)
        is_ended = row.state in [ReminderState.DONE, ReminderState.LET_GO]
        if not is_ended and row.acknowledged_at is None:
            return row
        before = row.state if is_ended else "acknowledged"
        if is_ended and _stands_again(row):
            raise Refusal(_("The same stands again already. Look at what is due."), rule="reminder_stands_again")
        if is_ended:
            row.state, row.ended_at, row.ended_by, row.is_recorded = ReminderState.WANTED, None, None, False
        row.acknowledged_at = row.acknowledged_by = None
        tell_at_set([row])
        row.save(
            update_fields=[
                "state", "ended_at", "ended_by", "is_recorded", "acknowledged_at", "acknowledged_by", "tell_at",
            ]
        )  # fmt: skip
        _audit_take_back(row, before, by=by, now=now)
    return row


def reminder_put_off(reminder: Reminder, *, until: dt.datetime, by: Person, now: dt.datetime) -> Reminder:
    """Tell again later, but never later than it is of use."""
    if until <= now:
        raise Refusal(_("Choose a time that is still to come."), field="until", rule="put_off_past")
    if until > reminder.useful_until:
        raise Refusal(
            _("After %(moment)s it would be too late for this. Choose an earlier time, or let it go.")
            % {"moment": Moment(reminder.useful_until, reminder.cooperative.time_zone)},
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
        new = reminders_to_tell(Reminder.objects.all()).get(pk=old.pk)
        new.pk = None
        new._state.adding = True
        new.state, new.ended_at, new.ended_by, new.told_at = ReminderState.WANTED, None, None, None
        new.due_at, new.created_at, new.replaced_by = until, now, None
        new.acknowledged_at = new.acknowledged_by = None
        new.wall_date, new.wall_time, new.wall_zone = None, None, ""
        tell_at_set([new])
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


def _stands_again(row: Reminder) -> bool:
    """Another row of the same matter and moment has taken its place."""
    twins = Reminder.objects.filter(
        subject_type=row.subject_type, subject_id=row.subject_id, kind=row.kind, stage=row.stage, due_at=row.due_at
    )
    return twins.filter(state__in=LIVE).exists()


def _end(row: Reminder, state: str, *, now: dt.datetime, by: Person | None) -> None:
    row.state, row.ended_at, row.ended_by, row.tell_at = state, now, by, None
    row.save(update_fields=["state", "ended_at", "ended_by", "tell_at", "is_recorded"])


def _refresh_words(row: Reminder, want: Wanted) -> None:
    kept = (kept_text(row.title), kept_text(row.why), row.link)
    if row.told_at is None and kept != (kept_text(want.title), kept_text(want.why), want.link):
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
        wall_date=want.wall.date if want.wall else None,
        wall_time=want.wall.time if want.wall else None,
        wall_zone=want.wall.zone if want.wall else "",
        useful_until=_useful_until(want),
        critical=kind.critical,
        title=want.title,
        why=want.why,
        link=want.link,
        created_at=now,
    )


def _audit_take_back(row: Reminder, before: str, *, by: Person | None, now: dt.datetime) -> None:
    audit_record(
        row,
        action="reminder.take_back",
        by=by,
        now=now,
        cooperative=row.cooperative,
        before={"state": before},
        after={"state": row.state},
    )
