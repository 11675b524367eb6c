"""What another figure of the season would move, worked out before it is saved. Nothing is written."""

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from django.db import transaction
from django.urls import reverse
from django.utils.translation import gettext as _

from accounts.models import Person
from scheduling.models import BenchPlace, DroneCohort, QueenBatch, Reminder, Season, SessionState
from scheduling.planning.facts import Settings, settings_from
from scheduling.planning.timing import Moved, Note, batch_calendar, drone_notes, steps_moved
from scheduling.queries.batches import BatchView, batch_views
from scheduling.queries.season import own_values, settings_of
from scheduling.queries.sources import CohortView, SourceView, called_days, source_views
from scheduling.queries.words import day_words, words_of
from scheduling.services.reminder_rows import LIVE
from scheduling.services.season import setting_change


@dataclass(frozen=True)
class StepMove:
    """One step of one batch or cohort, in words: what, until now, then."""

    what: str
    before: str
    after: str


@dataclass(frozen=True)
class ThingMoved:
    name: str
    link: str
    steps: list[StepMove]


@dataclass(frozen=True)
class NoLongerFits:
    """A bench place, or a call for drones, that fits now and would not any more. It stays where it is."""

    name: str
    link: str
    note: Note


@dataclass(frozen=True)
class RemindersMoved:
    moved: int
    new: int
    dropped: int

    @property
    def total(self) -> int:
        return self.moved + self.new + self.dropped


@dataclass(frozen=True)
class SettingPreview:
    key: str
    value: Decimal | None
    batches: list[ThingMoved]
    cohorts: list[ThingMoved]
    misfits: list[NoLongerFits]
    reminders: RemindersMoved

    @property
    def things(self) -> tuple[list[ThingMoved], list[ThingMoved]]:
        return self.batches, self.cohorts

    @property
    def is_empty(self) -> bool:
        return not (self.batches or self.cohorts or self.misfits or self.reminders.total)


def setting_preview(
    season: Season, *, key: str, value: Decimal | None, by: Person | None, now: dt.datetime, today: dt.date
) -> SettingPreview:
    """Return what the change would move; `value=None` is the default. Refused exactly as the change itself would be.

    Dates are worked out with both figures and compared. Reminders are those that the change really writes: it is
    made in a transaction that is rolled back.
    """
    reminders = _reminders_of_change(season, key=key, value=value, by=by, now=now)
    before = settings_of(season)
    own = own_values(season)
    own.pop(key, None)
    after = settings_from(own if value is None else {**own, key: value})
    batches = batch_views(QueenBatch.objects.filter(season=season, closed_on__isnull=True), season=season, today=today)
    sources = source_views(season.sources.filter(withdrawn_at__isnull=True), season=season, today=today)
    return SettingPreview(
        key=key,
        value=value,
        batches=[moved for view in batches if (moved := _batch_moved(view, after))],
        cohorts=[
            moved
            for source in sources
            for view in source.cohorts
            if view.cohort.ended_on is None and (moved := _cohort_moved(view, after))
        ],
        misfits=[
            *(misfit for view in batches for misfit in _places_that_stop_fitting(view, after)),
            *(misfit for source in sources for misfit in _calls_that_stop_fitting(source, before, after)),
        ],
        reminders=reminders,
    )


def _reminders_of_change(
    season: Season, *, key: str, value: Decimal | None, by: Person | None, now: dt.datetime
) -> RemindersMoved:
    with transaction.atomic():
        before = _live_reminders(season)
        setting_change(season, key=key, value=value, by=by, now=now)
        after = _live_reminders(season)
        transaction.set_rollback(True)
    both = before.keys() & after.keys()
    return RemindersMoved(
        moved=sum(before[name] != after[name] for name in both),
        new=len(after.keys() - both),
        dropped=len(before.keys() - both),
    )


_Name = tuple[str, int, str, str, int | None, int | None]


def _live_reminders(season: Season) -> dict[_Name, dt.datetime]:
    rows = Reminder.objects.filter(cooperative=season.cooperative_id, state__in=LIVE)
    return {
        (row.subject_type, row.subject_id, row.kind, row.stage, row.member_id, row.person_id): row.base_due_at
        for row in rows.iterator()
    }


def _batch_moved(view: BatchView, after: Settings) -> ThingMoved | None:
    moved = steps_moved(view.calendar.steps, batch_calendar(view.events, after).steps)
    return _thing_moved(view.batch, reverse("scheduling:batch", args=[view.batch.pk]), moved, view.today)


def _cohort_moved(view: CohortView, after: Settings) -> ThingMoved | None:
    moved = steps_moved(view.calendar.steps, replace(view, settings=after).calendar.steps)
    return _thing_moved(view.cohort, reverse("scheduling:cohort", args=[view.cohort.pk]), moved, view.today)


def _thing_moved(
    thing: QueenBatch | DroneCohort, link: str, moved: Iterable[Moved], today: dt.date
) -> ThingMoved | None:
    """Steps that are still to come on one side at least; what is done or long over moves nobody."""
    steps = [_step_move(move) for move in moved if _matters(move, today)]
    return ThingMoved(str(thing), link, steps) if steps else None


def _matters(move: Moved, today: dt.date) -> bool:
    sides = [step for step in (move.before, move.after) if step is not None]
    return not all(step.is_done for step in sides) and any(
        max(step.latest, step.hard_limit or step.latest) >= today for step in sides
    )


def _step_move(move: Moved) -> StepMove:
    step = move.after or move.before
    assert step is not None
    what = words_of(step.what)
    if move.before is None:
        return StepMove(what, _("not asked for"), day_words(step.best))
    if move.after is None:
        return StepMove(what, day_words(step.best), _("no longer asked for"))
    old, new = move.before, move.after
    if old.best != new.best:
        return StepMove(what, day_words(old.best), day_words(new.best))
    for name, words in (("latest", _("last day %(day)s")), ("earliest", _("from %(day)s on"))):
        if getattr(old, name) != getattr(new, name):
            was, will = getattr(old, name), getattr(new, name)
            return StepMove(what, words % {"day": day_words(was)}, words % {"day": day_words(will)})
    if old.hard_limit != new.hard_limit:
        words = _("limit %(day)s")
        return StepMove(what, words % {"day": _or_none(old.hard_limit)}, words % {"day": _or_none(new.hard_limit)})
    return StepMove(what, _("hour"), _("another hour"))


def _or_none(day: dt.date | None) -> str:
    return day_words(day) if day else _("none")


def _places_that_stop_fitting(view: BatchView, after: Settings) -> Iterator[NoLongerFits]:
    for session_places in _held_by_session(view).values():
        session = session_places[0].session
        events = replace(view.events, bench_on=session.day, bench_at=session.starts_at)
        now, then = batch_calendar(events, view.settings), batch_calendar(events, after)
        link = reverse("scheduling:booking", args=[session_places[0].booking_id])
        yield from _new_notes(str(view.batch), link, now.notes, then.notes)


def _held_by_session(view: BatchView) -> Mapping[int, list[BenchPlace]]:
    held: dict[int, list[BenchPlace]] = {}
    for place in view.places:
        if place.state == "held" and place.session.day >= view.today and place.session.state == SessionState.OPEN:
            held.setdefault(place.session_id, []).append(place)
    return held


def _calls_that_stop_fitting(source: SourceView, before: Settings, after: Settings) -> Iterator[NoLongerFits]:
    days = called_days(source.source, today=source.today)
    if not days:
        return
    cohorts = [view for view in source.cohorts if view.cohort.ended_on is None]
    now = drone_notes({str(view.cohort): view.calendar for view in cohorts}, days, before)
    then = drone_notes({str(view.cohort): replace(view, settings=after).calendar for view in cohorts}, days, after)
    link = reverse("scheduling:source", args=[source.source.pk])
    yield from _new_notes(str(source.source), link, now, then)


def _new_notes(name: str, link: str, now: Sequence[Note], then: Sequence[Note]) -> Iterator[NoLongerFits]:
    known = {(note.key, note.rows) for note in now}
    for note in then:
        if (note.key, note.rows) not in known:
            yield NoLongerFits(name, link, note)
