"""A closed session is corrected by an addition, never rewritten: what is added, why and by whom stays on record.

Inside one transaction the session's rests are taken back, the correction is carried out under the rules of a running
session, and what the session leaves behind is written anew: rests, matings, follow-ups, bookings. Nobody ever
sees it open.
"""

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from breeding.models import Mating
from breeding.services.matings import mating_withdraw
from scheduling.models import (
    BatchQueen,
    BenchPlace,
    BenchSession,
    BenchState,
    Dose,
    LotMovement,
    LotState,
    MovementKind,
    PlaceState,
    SemenLot,
    SessionState,
)
from scheduling.queries.bench import used_at
from scheduling.queries.trace import lots_with_mixtures
from scheduling.queries.words import volume_words
from scheduling.services.bench_queens import dose_give, dose_undo
from scheduling.services.bench_session import bench_write, matings_write


@dataclass(frozen=True)
class Change:
    """What a correction changed, in words: of what, before, after."""

    what: str
    before: str
    after: str


def session_correct(
    session: BenchSession,
    *,
    reason: str,
    act: Callable[[BenchSession], Change | None],
    by: Person,
    now: dt.datetime,
) -> BenchSession:
    """Carry out `act` on a closed session. Raises Refusal when it does not close again with it."""
    reason = reason.strip()
    if not reason:
        raise Refusal(_("Say why, in a few words."), field="reason", rule="says_why")
    with transaction.atomic():
        session = (
            BenchSession.objects.select_for_update(of=("self",))
            .select_related("season__cooperative", "bench")
            .get(pk=session.pk)
        )
        if session.state != SessionState.CLOSED:
            raise Refusal(_("The session is not closed: enter it at the bench."), rule="session_not_closed")
        dosed_before = _dosed(session)
        _take_rests_back(session, now=now)
        session.state = SessionState.RUNNING
        session.save(update_fields=["state"])
        change = act(session)
        bench_write(session, reason_for_rest=reason, by=by, now=now)
        lots = lots_with_mixtures(set(SemenLot.objects.filter(session=session).values_list("pk", flat=True)))
        elsewhere = BenchSession.objects.filter(doses__lot__in=lots, state=SessionState.CLOSED)
        for other in elsewhere.exclude(pk=session.pk).distinct().order_by("day").select_related("season__cooperative"):
            matings_write(other, by=by, now=now)
        for queen in BatchQueen.objects.filter(pk__in=dosed_before - _dosed(session)).select_related("queen"):
            mating = Mating.objects.filter(queen=queen.queen).select_related("queen__cooperative").first()
            if mating is not None:
                mating_withdraw(mating, by=by, now=now, note=reason)
        audit_record(
            session,
            action="session.correct",
            by=by,
            now=now,
            cooperative=session.season.cooperative,
            before={change.what: change.before} if change else {},
            after={change.what: change.after} if change else {},
            note=reason,
        )
    return session


def dose_correct(
    place: BenchPlace, *, lot: SemenLot | None, volume_tenths: int, reason: str, by: Person, now: dt.datetime
) -> BenchSession:
    """What a queen really got at a closed session: takes the place of her doses there. A volume of 0: nothing."""

    def act(session: BenchSession) -> Change:
        doses = list(Dose.objects.filter(place=place, session=session, undone_at__isnull=True))
        what, before = str(place.batch_queen or place.position), doses_words(doses)
        given_at = min((dose.given_at for dose in doses), default=session.closed_at or now)
        for dose in doses:
            dose_undo(dose, by=by, now=now)
        if volume_tenths == 0:
            _waits_again(place)
            return Change(what, before, doses_words([]))
        if lot is None:
            raise Refusal(_("Choose the lot it came from."), field="lot", rule="lot_named")
        dose = dose_give(
            place,
            lot=lot,
            volume_tenths=volume_tenths,
            leak_back=any(dose.leak_back for dose in doses),
            resistance=any(dose.resistance for dose in doses),
            second_planned=any(dose.second_planned for dose in doses),
            override_reason=reason.strip(),
            by=by,
            now=given_at,
        )
        return Change(what, before, doses_words([dose]))

    return session_correct(place.session, reason=reason, act=act, by=by, now=now)


def doses_words(doses: list[Dose]) -> str:
    given = [f"{volume_words(dose.volume_tenths)} ({dose.lot})" for dose in doses]
    return ", ".join(given) or _("nothing")


def _waits_again(place: BenchPlace) -> None:
    """Without her dose she is neither on the hook nor inseminated."""
    fresh = BenchPlace.objects.select_related("batch_queen").get(pk=place.pk)
    if fresh.batch_queen is not None and fresh.batch_queen.state == BenchState.ON_HOOK:
        fresh.batch_queen.state = BenchState.WAITING
        fresh.batch_queen.save(update_fields=["state"])


def _dosed(session: BenchSession) -> set[int]:
    """Virgins with semen on record whose doses of this session count."""
    here = set(Dose.objects.filter(session=session).values_list("batch_queen_id", flat=True))
    return set(
        Dose.objects.filter(batch_queen__in=here, undone_at__isnull=True).values_list("batch_queen_id", flat=True)
    )


def _take_rests_back(session: BenchSession, *, now: dt.datetime) -> None:
    """What closing booked: rests of lots (at the moment of closing), ended lots, places that were not used."""
    assert session.closed_at is not None
    LotMovement.objects.filter(
        lot__session=session,
        at=session.closed_at,
        kind__in=[MovementKind.LOST, MovementKind.COLLECTED],
        undone_at__isnull=True,
    ).update(undone_at=now)
    SemenLot.objects.filter(
        session=session, closed_at=session.closed_at, state__in=[LotState.USED_UP, LotState.DISCARDED]
    ).update(state=LotState.OPEN, closed_at=None)
    emptied = SemenLot.objects.filter(
        used_at(session), state=LotState.USED_UP, movements__kind=MovementKind.STORED, movements__undone_at=None
    )
    SemenLot.objects.filter(pk__in=emptied.values("pk")).update(state=LotState.STORED)
    away = [BenchState.SET_ASIDE, BenchState.LOST]
    BenchPlace.objects.filter(session=session, state=PlaceState.NOT_USED).exclude(batch_queen__state__in=away).update(
        state=PlaceState.HELD
    )
