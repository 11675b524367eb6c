"""A place whose queen was set aside or lost goes to another queen at the bench; those concerned are told."""

import datetime as dt

from django.db import transaction
from django.urls import reverse

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from accounts.told import told as _
from scheduling.models import (
    BatchQueen,
    BenchPlace,
    BenchSession,
    BenchState,
    Booking,
    BookingState,
    PlaceState,
    Season,
)
from scheduling.queries.place_again import FREE_STATES, is_place_free_again, queen_place_elsewhere, successors_of
from scheduling.services.bench_guard import locked_running
from scheduling.services.reminder_rows import Wanted, reminders_set

TOLD = "place_moved"


def place_give_on(
    place: BenchPlace, *, batch_queen: BatchQueen, reason: str = "", by: Person, now: dt.datetime
) -> BenchPlace:
    """Give the place to another queen of its batch, of the same member, or of the queue in the published order.

    Whoever passes somebody over in that order says why. Asked for again, nothing changes.
    """
    with transaction.atomic():
        season_id = BenchSession.objects.values_list("season_id", flat=True).get(pk=place.session_id)
        # The season first, as everywhere where places go from one booking to another.
        Season.objects.select_for_update(of=("self",)).get(pk=season_id)
        session = locked_running(place.session)
        place = _fresh(place)
        if place.batch_queen_id == batch_queen.pk and place.state == PlaceState.HELD:
            return place
        _refuse_taken(place)
        found = successors_of(place)
        chosen = next((one for one in found if one.queen.pk == batch_queen.pk), None)
        if chosen is None:
            raise Refusal(
                _("%(queen)s cannot have this place: she is not free, not of age, or these drones do not suit her.")
                % {"queen": batch_queen},
                field="queen",
                rule="queen_not_free",
            )
        passed = found[0].booking
        if chosen.rank > 1 and not reason.strip():
            raise Refusal(
                _("%(batch)s of %(member)s comes first. Say why the place goes past, for example: not here today.")
                % {"batch": passed.batch, "member": passed.member},
                field="reason",
                rule="says_why",
            )
        before = place.booking
        _put(place, chosen.queen, booking=chosen.booking, reason=reason, session=session, by=by, now=now)
        if chosen.booking.pk != before.pk:
            _bookings_follow(before, chosen.booking, session)
    return place


def place_give_sister(place: BenchPlace, *, batch_queen: BatchQueen, by: Person, now: dt.datetime) -> BenchPlace:
    """Give the place to another queen of its own batch: what a device at the bench can decide by itself."""
    with transaction.atomic():
        session = locked_running(place.session)
        place = _fresh(place)
        if place.batch_queen_id == batch_queen.pk and place.state == PlaceState.HELD:
            return place
        _refuse_taken(place)
        queen = BatchQueen.objects.select_for_update(of=("self",)).select_related("queen").get(pk=batch_queen.pk)
        if queen.batch_id != place.booking.batch_id:
            raise Refusal(_("%(queen)s is not of this batch.") % {"queen": queen}, field="queen", rule="queen_of_batch")
        elsewhere = queen_place_elsewhere(queen, but=place)
        if elsewhere is not None:
            raise Refusal(
                _("%(queen)s has a place already: %(place)s.") % {"queen": queen, "place": elsewhere},
                field="queen",
                rule="queen_has_place",
            )
        if queen.state not in FREE_STATES or queen.doses.filter(undone_at__isnull=True).exists():
            raise Refusal(
                _("%(queen)s has been dealt with.") % {"queen": queen}, field="queen", rule="queen_dealt_with"
            )
        _put(place, queen, booking=place.booking, reason="", session=session, by=by, now=now)
    return place


def place_take_again(place: BenchPlace, *, batch_queen: BatchQueen, by: Person, now: dt.datetime) -> BenchPlace:
    """Undo: the place goes back to the queen who gave it up, unused as it was."""
    with transaction.atomic():
        session = locked_running(place.session)
        place = _fresh(place)
        if place.batch_queen_id == batch_queen.pk and place.state == PlaceState.NOT_USED:
            return place
        if place.state != PlaceState.HELD or batch_queen.batch_id != place.booking.batch_id:
            raise Refusal(_("This place has been freed or dealt with."), rule="place_not_held")
        before = place.batch_queen
        place.batch_queen, place.state = batch_queen, PlaceState.NOT_USED
        place.save(update_fields=["batch_queen", "state"])
        BatchQueen.objects.filter(pk=batch_queen.pk).update(gave_place_up_at=None)
        reminders_set(place, [], cooperative=session.season.cooperative, kinds=[TOLD], now=now, by=by)
        audit_record(
            place,
            action="place.again",
            by=by,
            now=now,
            cooperative=session.season.cooperative,
            before={"queen": str(before or "")},
            after={"queen": str(batch_queen)},
        )
    return place


def _fresh(place: BenchPlace) -> BenchPlace:
    return BenchPlace.objects.select_related(
        "booking__batch", "booking__member", "batch_queen__queen", "session__bench", "session__season", "source", "pool"
    ).get(pk=place.pk)


def _refuse_taken(place: BenchPlace) -> None:
    if not is_place_free_again(place):
        raise Refusal(
            _("Only a place whose queen was set aside or lost before any semen goes to another queen."),
            rule="place_not_given_up",
        )


def _put(
    place: BenchPlace,
    queen: BatchQueen,
    *,
    booking: Booking,
    reason: str,
    session: BenchSession,
    by: Person,
    now: dt.datetime,
) -> None:
    """`place` is changed in place; whose queens they are is told."""
    before, gave_up = place.booking, place.batch_queen
    place.batch_queen, place.state = queen, PlaceState.HELD
    if booking.pk != before.pk:
        place.booking, place.dose_tenths = booking, booking.dose_tenths
        # Nobody told her keeper in time: without a first CO2 on record the second one comes the day after.
        place.co2_before = booking.batch.first_co2_at is not None or queen.state == BenchState.FIRST_CO2
    place.save(update_fields=["batch_queen", "state", "booking", "dose_tenths", "co2_before"])
    if gave_up is not None:
        gave_up.gave_place_up_at = session
        gave_up.save(update_fields=["gave_place_up_at"])
    audit_record(
        place,
        action="place.give_on",
        by=by,
        now=now,
        cooperative=session.season.cooperative,
        before={"queen": str(gave_up or ""), "booking": str(before)},
        after={"queen": str(queen), "booking": str(booking)},
        note=reason.strip()[:200],
    )
    _tell(place, before, gave_up, session, by=by, now=now)


def _tell(
    place: BenchPlace,
    before: Booking,
    gave_up: BatchQueen | None,
    session: BenchSession,
    *,
    by: Person,
    now: dt.datetime,
) -> None:
    """Whose queen gave the place up, and whose has it now; a member who is both hears it once."""
    after = place.booking
    is_one = after.member_id == before.member_id
    words = {"queen": gave_up or before.batch, "why": gave_up.state_reason if gave_up else "–", "session": session}
    gives = (
        _("%(queen)s was not inseminated (%(why)s). %(other)s has her place at %(session)s.")
        if is_one
        else _("%(queen)s was not inseminated (%(why)s). Her place at %(session)s went to the next in the queue.")
    )
    told = [(before, "gave", gives % {**words, "other": place.batch_queen})]
    if not is_one:
        gets = _("%(queen)s is inseminated today at %(session)s: a place became free there.")
        told.append((after, "got", gets % {"queen": place.batch_queen, "session": session}))
    wanted = [
        Wanted(
            kind=TOLD,
            stage=stage,
            member=booking.member,
            due_at=now,
            title=_("A place at the bench went on: %(batch)s") % {"batch": booking.batch},
            why=text,
            link=reverse("scheduling:booking", args=[booking.pk]),
        )
        for booking, stage, text in told
    ]
    reminders_set(place, wanted, cooperative=session.season.cooperative, kinds=[TOLD], now=now, by=by)


def _bookings_follow(before: Booking, after: Booking, session: BenchSession) -> None:
    """Who got the place is at the bench; who lost the last one here waits in the queue for the rest."""
    Booking.objects.filter(pk=after.pk).exclude(state=BookingState.AT_BENCH).update(
        state=BookingState.AT_BENCH, why="", version=after.version + 1
    )
    if not before.bench_places.filter(session=session).exists():
        held = before.bench_places.filter(state=PlaceState.HELD).exists()
        Booking.objects.filter(pk=before.pk).update(
            state=BookingState.PLACED if held else BookingState.QUEUED,
            why="" if held else _("The place at the bench went to another queen."),
            version=before.version + 1,
        )
