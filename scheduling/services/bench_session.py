"""A bench session begins and ends. Ending it writes what really happened: the matings."""

import datetime as dt
from collections import defaultdict
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from accounts.told import Said, told
from breeding.models import Mating, MatingKind, Queen
from breeding.services.matings import Share, mating_correct, mating_record
from scheduling.models import (
    BatchQueen,
    BenchPlace,
    BenchSession,
    Booking,
    BookingState,
    Co2Treatment,
    Dose,
    LotMovement,
    LotState,
    MovementKind,
    PlaceState,
    QueenBatch,
    SemenLot,
    SessionState,
)
from scheduling.models.booking import ENDED_BOOKINGS
from scheduling.planning.semen import add_up, semen_of_dose
from scheduling.queries.bench import lots_of_session, store_of_session, used_at
from scheduling.queries.lots import LotView, lot_views, semen_by_drone_queen
from scheduling.queries.words import volume_words
from scheduling.services.bench_guard import local_day, locked_running
from scheduling.services.mixtures import mixtures_follow
from scheduling.services.offers import standby_ask
from scheduling.services.places import places_assign_queens
from scheduling.services.plan_reminders import reminders_end_at_bench
from scheduling.services.reminders import reminders_refresh_batch
from scheduling.services.second_doses import second_doses_follow, second_doses_place, second_doses_remind
from scheduling.services.store_reminders import reminders_refresh_lot

TOLERANCE_TENTHS = 5  # a lot may miss half a µl without a word: the scale is read to 0.1 µl, a few times


def session_start(
    session: BenchSession, *, cautions_read: bool, nitrogen_shown: bool = False, by: Person, now: dt.datetime
) -> BenchSession:
    """Bench work begins. Whoever starts has read the cautions; starting twice changes nothing.

    `nitrogen_shown`: the one on liquid nitrogen was among them. It has to be where the bench has semen in store: how
    that is kept is free text, and a caution too many hurts nobody.
    """
    with transaction.atomic():
        session = (
            BenchSession.objects.select_for_update(of=("self",))
            .select_related("season__cooperative")
            .get(pk=session.pk)
        )
        if session.state == SessionState.RUNNING:
            return session
        if session.state != SessionState.OPEN:
            raise Refusal(_("This session is closed or called off."), rule="session_ended")
        if not cautions_read:
            raise Refusal(_("Read the cautions and tick that you have."), field="cautions_read", rule="cautions")
        store = [str(view.lot) for view in store_of_session(session)]
        if store and not nitrogen_shown:
            raise Refusal(
                _("Semen is in store here by now. Read the caution on liquid nitrogen too, then tick again."),
                field="cautions_read",
                rule="caution_nitrogen",
            )
        if local_day(now, session) < session.day:
            raise Refusal(
                _("This bench day is still to come. It can be started on the day itself."), rule="session_day"
            )
        session.state, session.opened_at = SessionState.RUNNING, now
        session.cautions_read_at, session.cautions_read_by = now, by
        session.save(update_fields=["state", "opened_at", "cautions_read_at", "cautions_read_by"])
        places = BenchPlace.objects.filter(session=session, state=PlaceState.HELD)
        for batch_id in sorted(set(places.values_list("booking__batch_id", flat=True))):
            places_assign_queens(batch_id)
        second_doses_place(session)
        Booking.objects.filter(bench_places__in=places).exclude(state__in=ENDED_BOOKINGS).update(
            state=BookingState.AT_BENCH
        )
        reminders_end_at_bench(session, now=now, by=by)
        audit_record(
            session,
            action="session.start",
            by=by,
            now=now,
            cooperative=session.season.cooperative,
            after={"caution_nitrogen": store} if store else None,
        )
    return session


def open_ends(session: BenchSession) -> list[str]:
    """What still stands in the way of closing, in words."""
    ends = [
        _("Gas is still on for %(queen)s.") % {"queen": treatment.batch_queen}
        for treatment in Co2Treatment.objects.filter(
            session=session, ended_at__isnull=True, undone_at__isnull=True
        ).select_related("batch_queen__queen")
    ]
    for view in lot_views(SemenLot.objects.filter(session=session)):
        unexplained = view.balance.unexplained
        if 0 < -unexplained <= view.balance.in_store:
            continue  # given from what was stored: closing writes down what is left of it
        if abs(unexplained) > TOLERANCE_TENTHS:
            ends.append(
                _("%(lot)s does not add up: %(rest)s are neither given, stored, discarded nor lost.")
                % {"lot": view.lot, "rest": volume_words(abs(unexplained))}
            )
    return ends


def session_close(session: BenchSession, *, reason_for_rest: str = "", by: Person, now: dt.datetime) -> BenchSession:
    """Close: every lot adds up (or the reason is given), matings are written, follow-ups are set, places freed.

    One transaction; closing a closed session changes nothing.
    """
    with transaction.atomic():
        fresh = BenchSession.objects.get(pk=session.pk)
        if fresh.state == SessionState.CLOSED:
            return fresh
        session = locked_running(session)
        session.closed_at, session.closed_by = now, by
        matings = bench_write(session, reason_for_rest=reason_for_rest, by=by, now=now)
        audit_record(
            session,
            action="session.close",
            by=by,
            now=now,
            cooperative=session.season.cooperative,
            after={"matings": matings},
            note=reason_for_rest.strip(),
        )
    return session


def bench_write(session: BenchSession, *, reason_for_rest: str, by: Person, now: dt.datetime) -> int:
    """What a running session leaves behind: lots that add up, matings, freed places, follow-ups. How many matings.

    Inside the caller's transaction, with the session locked and `closed_at` set; rests are booked at that moment.
    """
    if Co2Treatment.objects.filter(session=session, ended_at__isnull=True, undone_at__isnull=True).exists():
        raise Refusal(open_ends(session)[0] + " " + _("Stop it first."), rule="gas_on")
    assert session.closed_at is not None
    _settle_lots(session, reason_for_rest.strip(), by=by, now=session.closed_at)
    made_here = SemenLot.objects.filter(session=session).select_related("semen_batch__cooperative")
    mixtures_follow(made_here.order_by("opened_at", "pk"), by=by, now=now)
    emptied = _end_emptied(session)
    matings = matings_write(session, by=by, now=now)
    _free_places(session)
    session.state = SessionState.CLOSED
    session.current_tip, session.current_tip_source = "", None
    session.save(update_fields=["state", "closed_at", "closed_by", "current_tip", "current_tip_source"])
    _set_bookings(session)
    batches = QueenBatch.objects.filter(bookings__bench_places__session=session).distinct()
    for batch in batches.order_by("pk"):
        reminders_refresh_batch(batch, now=now, by=by)
    for lot in [*emptied, *(view.lot for view in lots_of_session(session))]:
        reminders_refresh_lot(lot, now=now, by=by)
    second_doses_follow(session)
    second_doses_remind(session, now=now, by=by)
    standby_ask(session.season, now=now)
    return matings


def _settle_lots(session: BenchSession, reason: str, *, by: Person, now: dt.datetime) -> None:
    """Book what is missing as lost (or found as collected), then end each lot that is not stored."""
    for view in lot_views(SemenLot.objects.filter(session=session)):
        rest = view.balance.unexplained
        if 0 < -rest <= view.balance.in_store:
            _take_from_store(view.lot, -rest, by=by, now=now)
            rest = 0
        if abs(rest) > TOLERANCE_TENTHS and not reason:
            raise Refusal(
                _(
                    "%(lot)s does not add up: %(rest)s are neither given, stored, discarded nor lost. "
                    "Enter them, or say why."
                )
                % {"lot": view.lot, "rest": volume_words(abs(rest))},
                field="reason_for_rest",
                rule="lot_adds_up",
            )
        if rest:
            LotMovement.objects.create(
                lot=view.lot,
                kind=MovementKind.LOST if rest > 0 else MovementKind.COLLECTED,
                volume_tenths=abs(rest),
                reason=reason or _("Within the reading of the scale"),
                at=now,
                by=by,
            )
        view.lot.closed_at = now
        if view.lot.state == LotState.OPEN:
            view.lot.state = (
                LotState.DISCARDED if not view.balance.dosed and view.balance.discarded else LotState.USED_UP
            )
        view.lot.save(update_fields=["state", "closed_at"])


def _take_from_store(lot: SemenLot, tenths: int, *, by: Person, now: dt.datetime) -> None:
    """Semen stored at this session and then given at it: the store holds so much less. The earlier entry stays."""
    for movement in lot.movements.filter(kind=MovementKind.STORED, undone_at__isnull=True).order_by("-at", "-pk"):
        taken = min(tenths, movement.volume_tenths)
        movement.undone_at = now
        movement.save(update_fields=["undone_at"])
        if movement.volume_tenths > taken:
            LotMovement.objects.create(
                lot=lot,
                kind=MovementKind.STORED,
                volume_tenths=movement.volume_tenths - taken,
                reason=movement.reason,
                at=movement.at,
                by=by,
            )
        tenths -= taken
        if not tenths:
            return


def _end_emptied(session: BenchSession) -> list[SemenLot]:
    """Stored lots that were given or mixed here to the last tenth are used up."""
    stored = SemenLot.objects.filter(used_at(session), state=LotState.STORED)
    emptied = [view.lot for view in lot_views(stored) if view.left <= 0]
    for lot in emptied:
        lot.state = LotState.USED_UP
        lot.save(update_fields=["state"])
    return emptied


def matings_write(session: BenchSession, *, by: Person, now: dt.datetime) -> int:
    """Each inseminated queen's mating with the real shares in µl and drones per source.

    A split dose from an earlier session counts too: her mating is then corrected to the whole.
    """
    here = set(Dose.objects.filter(session=session, undone_at__isnull=True).values_list("batch_queen_id", flat=True))
    doses: dict[int, list[Dose]] = defaultdict(list)
    for dose in Dose.objects.filter(batch_queen__in=here, undone_at__isnull=True).order_by("given_at", "pk"):
        doses[dose.batch_queen_id].append(dose)
    lot_ids = {dose.lot_id for given in doses.values() for dose in given}
    lots = {view.lot.pk: view for view in lot_views(SemenLot.objects.filter(pk__in=lot_ids))}
    queens = BatchQueen.objects.select_related("queen__cooperative").in_bulk(doses)
    for batch_queen_id, given in sorted(doses.items()):
        queen = queens[batch_queen_id].queen
        facts = {**_mating_facts(given, lots), "mated_on": local_day(given[0].given_at, session)}
        mating = Mating.objects.filter(queen=queen).select_related("queen__cooperative").first()
        if mating is None:
            mating_record(queen, by=by, now=now, **facts)
        else:
            mating_correct(mating, by=by, now=now, **facts)
    return len(doses)


def _mating_facts(given: list[Dose], lots: dict[int, LotView]) -> dict[str, Any]:
    mixture = lots[given[0].lot_id].lot.semen_batch
    if mixture is not None and len({dose.lot_id for dose in given}) == 1:
        return {"kind": MatingKind.BATCH, "shared_batch": mixture}
    semen = add_up([semen_of_dose(dose.volume_tenths, semen_by_drone_queen(lots[dose.lot_id])) for dose in given])
    sources = Queen.objects.in_bulk(semen)
    shares = [Share(sources[pk], volume_tenths=part.volume, drones=part.drones) for pk, part in semen.items()]
    kind = MatingKind.POOL
    if len(shares) == 1:
        kind = MatingKind.SINGLE_DRONE if shares[0].drones == 1 else MatingKind.DPQ
    return {"kind": kind, "shares": shares, "total_tenths": sum(part.volume for part in semen.values())}


def _free_places(session: BenchSession) -> None:
    BenchPlace.objects.filter(session=session, state=PlaceState.HELD).update(state=PlaceState.NOT_USED)


def _set_bookings(session: BenchSession) -> None:
    """Done when every queen asked for has been dealt with; else in the queue for the rest, or still placed."""
    bookings = (
        Booking.objects.select_for_update(of=("self",))
        .filter(bench_places__session=session)
        .exclude(state__in=ENDED_BOOKINGS)
        .order_by("pk")
    )
    for booking in {booking.pk: booking for booking in bookings}.values():
        done = booking.bench_places.filter(state=PlaceState.DONE, is_second=False).count()
        held = booking.bench_places.filter(state=PlaceState.HELD, is_second=False).count()
        state: str
        why: Said
        if held:
            state, why = BookingState.PLACED, ""
        elif done >= booking.queens:
            state, why = BookingState.DONE, ""
        else:
            state, why = (
                BookingState.QUEUED,
                told(gettext_noop("%(done)d of %(asked)d queens were inseminated."))
                % {
                    "done": done,
                    "asked": booking.queens,
                },
            )
        booking.state, booking.why = state, why
        booking.version += 1
        booking.save(update_fields=["state", "why", "version"])
