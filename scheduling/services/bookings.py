"""Asking for bench places, and taking the request back."""

import datetime as dt
import uuid
from collections.abc import Sequence

from django.db import transaction
from django.db.models import QuerySet

from accounts.models import Person
from accounts.queries.often import asked_often
from accounts.refusals import Refusal
from accounts.services.audit import audit_record, fields_of
from accounts.services.often import row_add, rows_add
from accounts.told import Said, Told, one_after_the_other
from accounts.told import told as _
from accounts.told import told_of as ngettext
from scheduling.models import (
    BenchPlace,
    BenchSession,
    Booking,
    BookingMode,
    BookingSource,
    BookingState,
    DroneSource,
    PlaceState,
    QueenBatch,
    Season,
)
from scheduling.planning.timing import Fit
from scheduling.planning.units import tenths_from_ul
from scheduling.queries.batches import BatchView, batch_dates, queens_left, zone_of_batch
from scheduling.queries.choices import MIN_POOL_SOURCES, SessionOption, SourceChoice, session_option, source_choices
from scheduling.queries.drones import DroneRoom
from scheduling.queries.sessions import COMING, room_counted
from scheduling.queries.words import and_words, day_words
from scheduling.services.offers import offers_end_for, standby_ask
from scheduling.services.plan_reminders import reminders_end_for
from scheduling.services.reminders import reminders_refresh_batch

CAN_WITHDRAW = [
    BookingState.NOT_SENT,
    BookingState.ASKED,
    BookingState.QUEUED,
    BookingState.OFFERED,
    BookingState.PLACED,
    BookingState.MOVED,
]


def booking_ask(
    batch: QueenBatch,
    *,
    queens: int,
    sources: Sequence[DroneSource],
    session: BenchSession | None = None,
    dose_tenths: int | None = None,
    mode: str = BookingMode.EACH,
    note: str = "",
    key: uuid.UUID | None = None,
    by: Person | None,
    now: dt.datetime,
) -> Booking:
    """Ask for places. What does not fully fit joins the queue and says why; the same key asks only once.

    `session` None: any bench day that fits. `dose_tenths` None: the season's dose for this mode. A request gives no
    place yet, so it moves no date of the batch and none of its reminders: publishing a plan does.
    """
    key = key or uuid.uuid4()
    try:
        view = view_of_batch(batch, now=now)
        dose = dose_tenths if dose_tenths is not None else _usual_dose_tenths(view, mode)
        _refuse_nonsense(view, queens=queens, sources=sources, dose_tenths=dose, mode=mode)
        choices = checked_choices(view, sources)
    except Refusal:
        # What was fine when it was sent first may be otherwise by now: the first answer stands.
        sent_before = _sent_before(key, batch)
        if sent_before is not None:
            return sent_before
        raise
    # What the drones give is worked out before anything is locked; what others asked for is counted under the locks.
    room = DroneRoom(view.batch.season, [choice.view for choice in choices], at=session) if session else None
    with transaction.atomic():
        [locked] = _batch_locked(batch.pk)
        sent_before = _sent_before(key, batch)
        if sent_before is not None:
            return sent_before
        _refuse_closed(locked)
        _refuse_more_than_left(locked, queens)
        state, why = _answer(view, room, choices, queens=queens, dose_tenths=dose, mode=mode, note=note)
        booking = row_add(
            Booking(
                season=view.batch.season,
                member=view.batch.member,
                batch=locked,
                queens=queens,
                dose_tenths=dose,
                mode=mode,
                state=state,
                why=why,
                wished_session=session,
                asked_at=now,
                asked_by=by,
                key=key,
                note=note,
            )
        )
        rows_add([accepted_source(booking, choice) for choice in choices])
        audit_record(
            booking,
            action="booking.ask",
            by=by,
            now=now,
            cooperative=view.batch.season.cooperative,
            after={
                **fields_of(booking, ["batch", "queens", "dose_tenths", "mode", "state", "why", "wished_session"]),
                "sources": [choice.source.name for choice in choices],
            },
        )
    return booking


def booking_withdraw(booking: Booking, *, reason: str = "", by: Person | None, now: dt.datetime) -> Booking:
    """Take a request back; its numbered places become free and are offered to the queue."""
    with transaction.atomic():
        # Season, offer, booking: the order in which offers are answered and plans published.
        Season.objects.select_for_update(of=("self",)).get(pk=booking.season_id)
        fresh = (
            Booking.objects.select_for_update(of=("self",))
            .select_related("season__cooperative", "batch__season__cooperative", "member")
            .get(pk=booking.pk)
        )
        if fresh.state == BookingState.WITHDRAWN:
            return fresh
        if fresh.state not in CAN_WITHDRAW:
            raise Refusal(
                _("This request is %(state)s and can no longer be withdrawn.")
                % {"state": fresh.get_state_display().lower()},
                rule="booking_over",
            )
        before = fields_of(fresh, ["state", "why"])
        freed = BenchPlace.objects.filter(booking=fresh, state=PlaceState.HELD).update(
            state=PlaceState.FREED, batch_queen=None
        )
        offers_end_for(fresh, now=now, by=by)
        fresh.refresh_from_db(fields=["version"])
        fresh.state, fresh.why = BookingState.WITHDRAWN, reason[:300]
        fresh.version += 1
        fresh.save(update_fields=["state", "why", "version"])
        audit_record(
            fresh,
            action="booking.withdraw",
            by=by,
            now=now,
            cooperative=fresh.season.cooperative,
            before=before,
            after={**fields_of(fresh, ["state", "why"]), "places_freed": freed},
        )
        reminders_end_for(fresh, now=now, by=by)
        reminders_refresh_batch(fresh.batch, now=now, by=by)
        standby_ask(fresh.season, now=now)
    return fresh


def view_of_batch(batch: QueenBatch, *, now: dt.datetime) -> BatchView:
    """The batch with its calendar, as of now."""
    return batch_dates(batch, today=now.astimezone(zone_of_batch(batch)).date())


def _sent_before(key: uuid.UUID, batch: QueenBatch) -> Booking | None:
    """What came of the same form or request; None where it is the first."""
    if not _booked_with(key):
        return None
    booking = Booking.objects.select_related("batch").get(key=key)
    if booking.batch_id != batch.pk:
        raise Refusal(_("This form was sent before for %(batch)s. Start again.") % {"batch": booking.batch}, rule="key")
    return booking


@asked_often
def _booked_with(key: uuid.UUID) -> QuerySet[Booking, tuple[int]]:
    return Booking.objects.filter(key=key).order_by().values_list("pk")


@asked_often
def _batch_locked(batch: int) -> QuerySet[QueenBatch, QueenBatch]:
    return QueenBatch.objects.select_for_update(of=("self",)).filter(pk=batch).order_by()


@asked_often
def _session_locked(session: int) -> QuerySet[BenchSession, BenchSession]:
    return BenchSession.objects.select_for_update(of=("self",)).filter(pk=session).order_by()


def _usual_dose_tenths(view: BatchView, mode: str) -> int:
    settings = view.settings
    return tenths_from_ul(settings.dose_mixed_ul if mode == BookingMode.POOL else settings.dose_standard_ul)


def _refuse_nonsense(
    view: BatchView, *, queens: int, sources: Sequence[DroneSource], dose_tenths: int, mode: str
) -> None:
    batch, settings = view.batch, view.settings
    _refuse_closed(batch)
    if queens < 1:
        raise Refusal(_("Enter one queen or more."), field="queens", rule="some_queens")
    if mode not in BookingMode.values:
        raise Refusal(_("Choose how the drones may be used."), field="mode")
    if not sources:
        raise Refusal(_("Choose at least one source."), field="sources", rule="some_sources")
    if any(source.season_id != batch.season_id for source in sources):
        raise ValueError("sources: of the batch's season.")
    if mode == BookingMode.POOL and len(sources) < max(MIN_POOL_SOURCES, settings.min_sources):
        raise Refusal(
            _("Mixed semen needs %(n)d sources or more. Accept another one, or choose single sources.")
            % {"n": max(MIN_POOL_SOURCES, settings.min_sources)},
            field="sources",
            rule="pool_sources",
        )
    limit = tenths_from_ul(settings.dose_limit_ul)
    if not 0 < dose_tenths <= limit:
        raise Refusal(
            _("Enter a dose above 0 and up to %(limit)s µl: from 20 µl on more queens die.")
            % {"limit": settings.dose_limit_ul},
            field="dose",
            rule="dose_limit",
        )


def _refuse_closed(batch: QueenBatch) -> None:
    if batch.closed_on is not None:
        raise Refusal(_("%(batch)s is closed. Reopen it to book for it.") % {"batch": batch}, rule="batch_closed")


def checked_choices(view: BatchView, sources: Sequence[DroneSource]) -> list[SourceChoice]:
    """What each cross would give; refused, by name, when a source is closed for this batch."""
    choices = source_choices(view, only=[source.pk for source in sources])
    missing = {source.pk for source in sources} - {choice.source.pk for choice in choices}
    if missing:
        gone = and_words([source.name for source in sources if source.pk in missing])
        raise Refusal(_("%(names)s was withdrawn meanwhile.") % {"names": gone}, field="sources", rule="withdrawn")
    for choice in choices:
        if choice.blocked:
            raise Refusal(
                f"{choice.source}: {choice.blocked}", field="sources", rule=choice.rule, lifted_by=choice.lifted_by
            )
    return choices


def _refuse_more_than_left(batch: QueenBatch, queens: int) -> None:
    whole, booked = queens_left(batch)
    if whole == 0:
        raise Refusal(
            _("%(batch)s has no queens on record yet. Record the graft with its number of cells first.")
            % {"batch": batch},
            field="queens",
            rule="queens_known",
        )
    left = whole - booked
    if queens <= left:
        return
    if booked == 0:
        text = ngettext(
            "%(batch)s has %(whole)d queen. Enter %(whole)d or fewer, or add the rest to another batch.",
            "%(batch)s has %(whole)d queens. Enter %(whole)d or fewer, or add the rest to another batch.",
            whole,
        )
    elif left <= 0:
        text = _("All %(whole)d queens of %(batch)s are booked already.")
    else:
        text = _("%(booked)d of the %(whole)d queens of %(batch)s are booked already. Enter %(left)d or fewer.")
    raise Refusal(
        text % {"batch": batch, "whole": whole, "booked": booked, "left": left}, field="queens", rule="queens_left"
    )


def _answer(
    view: BatchView,
    room: DroneRoom | None,
    choices: list[SourceChoice],
    *,
    queens: int,
    dose_tenths: int,
    mode: str,
    note: str,
) -> tuple[str, Said]:
    """State of the new request with the reason. Locks the wished session: its places are scarce."""
    if room is None or room.at is None:
        return BookingState.ASKED, _("Any bench day that fits; the plan decides.")
    [locked] = _session_locked(room.at.pk)
    if locked.season_id != view.batch.season_id:
        raise ValueError("session: of the batch's season.")
    if locked.state not in COMING or locked.places == 0 or locked.day < view.today:
        raise Refusal(
            _("%(day)s gives no places any more. Choose another bench day.") % {"day": day_words(locked.day)},
            field="session",
            rule="session_open",
        )
    room_counted(locked, season=view.batch.season)
    option = session_option(view, locked, choices, room=room, queens=queens, dose_tenths=dose_tenths, mode=mode)
    _refuse_unfit(view, option, note=note)
    if option.status == "fits":
        return BookingState.ASKED, ""
    return BookingState.QUEUED, queue_reason(option, queens=queens)


def queue_reason(option: SessionOption, *, queens: int) -> Told:
    """Why it queues. The place in the queue is not part of it: that changes and is worked out when shown."""
    parts = []
    day = option.session.day
    if option.free < queens:
        parts.append(
            _("%(day)s is full.") % {"day": day}
            if option.free == 0
            else ngettext("%(day)s has only %(n)d place free.", "%(day)s has only %(n)d places free.", option.free)
            % {"day": day, "n": option.free}
        )
    if option.short_drones:
        parts.append(
            ngettext("%(day)s is short of %(n)d drone.", "%(day)s is short of %(n)d drones.", option.short_drones)
            % {"day": day, "n": option.short_drones}
        )
    return one_after_the_other(parts)


def _refuse_unfit(view: BatchView, option: SessionOption, *, note: str) -> None:
    if option.status == "no":
        raise Refusal(option.why, field="session", rule=option.rule)
    if option.fit == Fit.NEEDS_REASON and not note.strip():
        raise Refusal(
            _(
                "The queens are %(age)d days old on %(day)s; %(last)d is the oldest normal age. Say in the note why it "
                "has to be that day."
            )
            % {
                "age": option.age_days,
                "day": day_words(option.session.day),
                "last": view.settings.virgin_age_last_days,
            },
            field="note",
            rule="age_needs_reason",
        )


def accepted_source(booking: Booking, choice: SourceChoice) -> BookingSource:
    """What was shown when it was chosen is kept: later runs change what is predicted."""
    prediction = choice.prediction
    return BookingSource(
        booking=booking,
        source=choice.source,
        merit=prediction.merit,
        inbreeding=prediction.worker_inbreeding,
        viability=prediction.viability,
    )
