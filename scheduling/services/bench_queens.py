"""The queen on the hook: gas on and off, dose, set aside, lost, taking the last step back.

Doses and treatments are rows with an entry id: sent twice, kept once. Taking back marks, never deletes.
"""

import datetime as dt
import uuid

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record, fields_of
from breeding.services.queens import queen_back, queen_gone
from scheduling.models import (
    BatchQueen,
    BenchPlace,
    BenchSession,
    BenchState,
    Co2Treatment,
    Dose,
    PlaceState,
    SemenLot,
)
from scheduling.queries.bench_rules import rules_to_set_aside
from scheduling.queries.lots import sources_of_lot
from scheduling.queries.season import settings_of
from scheduling.queries.words import day_words
from scheduling.services.bench_guard import local_day, locked_running, refuse_lot_for
from scheduling.services.semen_news import other_source_told, other_source_untold

AWAY = [BenchState.SET_ASIDE, BenchState.LOST]


def place_choose_queen(place: BenchPlace, *, batch_queen: BatchQueen, by: Person, now: dt.datetime) -> BenchPlace:
    """The mark read at the bench decides which virgin takes the place; two virgins swap theirs."""
    with transaction.atomic():
        session = locked_running(place.session)
        place = BenchPlace.objects.select_related("booking").get(pk=place.pk)
        if batch_queen.batch_id != place.booking.batch_id:
            raise Refusal(
                _("%(queen)s is not of this batch.") % {"queen": batch_queen}, field="queen", rule="queen_of_batch"
            )
        if place.batch_queen_id == batch_queen.pk:
            return place
        others = BenchPlace.objects.filter(session=session, batch_queen=batch_queen).exclude(state=PlaceState.FREED)
        other = others.first()
        if other is not None and other.state != PlaceState.HELD:
            raise Refusal(
                _("%(queen)s was on place %(place)d and has been dealt with. Take that back first.")
                % {"queen": batch_queen, "place": other.position},
                field="queen",
                rule="queen_dealt_with",
            )
        before, mine = place.batch_queen, place.batch_queen
        if (mine and mine.doses.filter(undone_at__isnull=True).exists()) or (
            batch_queen.doses.filter(undone_at__isnull=True).exists()
        ):
            raise Refusal(_("One of the two has been given semen already."), field="queen", rule="queen_dosed")
        if other is not None:
            BenchPlace.objects.filter(pk=other.pk).update(batch_queen=None)
        place.batch_queen = batch_queen
        place.save(update_fields=["batch_queen"])
        if other is not None:
            BenchPlace.objects.filter(pk=other.pk).update(batch_queen=mine)
        audit_record(
            place,
            action="place.queen",
            by=by,
            now=now,
            cooperative=session.season.cooperative,
            before={"queen": str(before or "")},
            after={"queen": str(batch_queen)},
        )
    return place


def co2_start(
    session: BenchSession,
    *,
    batch_queen: BatchQueen,
    with_insemination: bool,
    by: Person,
    now: dt.datetime,
    entry: uuid.UUID | None = None,
) -> Co2Treatment:
    """Gas on. While it is on, asking again gives the same treatment."""
    with transaction.atomic():
        session = locked_running(session)
        queen = _locked_queen(batch_queen)
        running = queen.co2_treatments.filter(ended_at__isnull=True, undone_at__isnull=True).first()
        if running is not None:
            return running
        _refuse_away(queen)
        _refuse_unborn(queen, session, now=now)
        treatment, _made = Co2Treatment.objects.get_or_create(
            entry=entry or uuid.uuid4(),
            defaults={
                "batch_queen": queen,
                "session": session,
                "with_insemination": with_insemination,
                "started_at": now,
                "gas_percent": settings_of(session.season).co2_strength_percent,
                "given_by": by,
            },
        )
        if with_insemination and queen.state in {BenchState.WAITING, BenchState.FIRST_CO2}:
            _set_state(queen, BenchState.ON_HOOK, session=session, by=by, now=now)
    return treatment


def co2_stop(session: BenchSession, *, batch_queen: BatchQueen, by: Person, now: dt.datetime) -> Co2Treatment | None:
    """Gas off. Without gas on, nothing changes."""
    with transaction.atomic():
        session = locked_running(session)
        queen = _locked_queen(batch_queen)
        running = queen.co2_treatments.filter(ended_at__isnull=True, undone_at__isnull=True).first()
        if running is None:
            return None
        # A clock that went back must not lose the tap: the treatment lasted at least a moment.
        running.ended_at = max(now, running.started_at + dt.timedelta(seconds=1))
        running.save(update_fields=["ended_at"])
        if not running.with_insemination:
            state = BenchState.SECOND_CO2 if queen.state == BenchState.INSEMINATED else BenchState.FIRST_CO2
            _set_state(queen, state, session=session, by=by, now=now)
    return running


def dose_give(
    place: BenchPlace,
    *,
    lot: SemenLot,
    volume_tenths: int,
    leak_back: bool = False,
    resistance: bool = False,
    second_planned: bool = False,
    more: bool = False,
    override_reason: str = "",
    by: Person,
    now: dt.datetime,
    entry: uuid.UUID | None = None,
) -> Dose:
    """Give one queen semen of one lot. Rules that may be set aside need a reason, kept with name and rule.

    `more`: said expressly that she has had a dose here already and gets more, for example from a second lot.
    `second_planned`: the first part of a split dose; the second is due at the bench after the season's spacing.
    """
    override_reason = override_reason.strip()
    with transaction.atomic():
        session = locked_running(place.session)
        known = Dose.objects.filter(entry=entry).first() if entry else None
        if known is not None:
            return known
        place = BenchPlace.objects.select_related("booking__batch", "booking__member", "source", "pool").get(
            pk=place.pk
        )
        again = more and place.state == PlaceState.DONE
        if (place.state != PlaceState.HELD and not again) or place.session_id != session.pk:
            raise Refusal(_("This place has been freed or dealt with."), rule="place_not_held")
        if place.batch_queen is None:
            raise Refusal(_("Say first which queen it is: read her mark."), field="queen", rule="place_without_queen")
        queen = _locked_queen(place.batch_queen)
        lot = (
            SemenLot.objects.select_for_update(of=("self",))
            .select_related("source", "session__season__cooperative")
            .get(pk=lot.pk)
        )
        settings = settings_of(session.season)
        _refuse_away(queen)
        _refuse_unborn(queen, session, now=now)
        refuse_lot_for(lot, session, place, volume_tenths, settings, now=now)
        broken = rules_to_set_aside(
            queen, place, lot, volume_tenths, settings, given=sources_of_lot(lot), session=session, now=now
        )
        if broken and not override_reason:
            rule, _text = broken[0]
            raise Refusal(
                " ".join(text for _rule, text in broken)
                + " "
                + _("Give it all the same? Then say why; it stays on record with your name."),
                field="override_reason",
                rule=rule,
                lifted_by="operator",
            )
        dose = Dose.objects.create(
            place=place,
            batch_queen=queen,
            session=session,
            lot=lot,
            volume_tenths=volume_tenths,
            given_at=now,
            given_by=by,
            leak_back=leak_back,
            resistance=resistance,
            second_planned=second_planned and not place.is_second,
            override_reason=f"{', '.join(rule for rule, _text in broken)}: {override_reason}"[:200] if broken else "",
            override_by=by if broken else None,
            entry=entry or uuid.uuid4(),
        )
        _set_state(queen, BenchState.INSEMINATED, session=session, by=by, now=now)
        place.state = PlaceState.DONE
        place.save(update_fields=["state"])
        other_source_told(dose, by=by, now=now)
        audit_record(
            dose,
            action="dose.give",
            by=by,
            now=now,
            cooperative=session.season.cooperative,
            after=fields_of(
                dose,
                ["batch_queen", "lot", "volume_tenths", "leak_back", "resistance", "second_planned", "override_reason"],
            ),
        )
    return dose


def dose_undo(dose: Dose, *, by: Person, now: dt.datetime) -> Dose:
    """Take a dose back that was not given (a wrong tap). The row stays, marked."""
    with transaction.atomic():
        session = locked_running(dose.session)
        dose = Dose.objects.select_for_update(of=("self",)).get(pk=dose.pk)
        if dose.undone_at is not None:
            return dose
        dose.undone_at = now
        dose.save(update_fields=["undone_at"])
        queen = _locked_queen(dose.batch_queen)
        if not queen.doses.filter(undone_at__isnull=True).exists():
            _set_state(queen, BenchState.ON_HOOK, session=session, by=by, now=now)
        if dose.place_id is not None and not _is_dosed(dose.place_id):
            BenchPlace.objects.filter(pk=dose.place_id, state=PlaceState.DONE).update(state=PlaceState.HELD)
        other_source_untold(dose, by=by, now=now)
        audit_record(dose, action="dose.undo", by=by, now=now, cooperative=session.season.cooperative)
    return dose


def bench_set_aside(place: BenchPlace, *, reason: str, lost: bool, by: Person, now: dt.datetime) -> BatchQueen:
    """She is not inseminated today: set aside alive, or lost. Her place is freed at closing unless used."""
    if not reason.strip():
        raise Refusal(_("Say why, in a few words."), field="reason", rule="says_why")
    with transaction.atomic():
        session = locked_running(place.session)
        place = BenchPlace.objects.get(pk=place.pk)
        if place.batch_queen is None:
            raise Refusal(_("Say first which queen it is: read her mark."), field="queen", rule="place_without_queen")
        queen = queen_away(place.batch_queen, session=session, reason=reason, lost=lost, by=by, now=now)
        if not _is_dosed(place.pk):
            place.state = PlaceState.NOT_USED
            place.save(update_fields=["state"])
    return queen


def bench_take_back(place: BenchPlace, *, by: Person, now: dt.datetime) -> BatchQueen:
    """Undo of set aside or lost: she waits again on her place."""
    with transaction.atomic():
        session = locked_running(place.session)
        place = BenchPlace.objects.get(pk=place.pk)
        if place.batch_queen is None:
            raise Refusal(_("There is no queen on this place."), rule="place_without_queen")
        was_away = place.batch_queen.state in AWAY
        queen = queen_there(place.batch_queen, session=session, by=by, now=now)
        if was_away:
            place.state = PlaceState.DONE if _is_dosed(place.pk) else PlaceState.HELD
            place.save(update_fields=["state"])
    return queen


def queen_away(
    batch_queen: BatchQueen, *, session: BenchSession, reason: str, lost: bool, by: Person, now: dt.datetime
) -> BatchQueen:
    """Her fate alone, whatever becomes of a place. Within the caller's transaction, the session locked."""
    queen = _locked_queen(batch_queen)
    queen.state_reason = reason.strip()[:160]
    _set_state(queen, BenchState.LOST if lost else BenchState.SET_ASIDE, session=session, by=by, now=now)
    if lost:
        queen_gone(queen.queen, gone_on=local_day(now, session), reason=queen.state_reason, by=by, now=now)
    return queen


def queen_there(batch_queen: BatchQueen, *, session: BenchSession, by: Person, now: dt.datetime) -> BatchQueen:
    """She was neither set aside nor lost; her fate alone, as `queen_away`."""
    queen = _locked_queen(batch_queen)
    if queen.state not in AWAY:
        return queen
    if queen.state == BenchState.LOST:
        queen_back(queen.queen, by=by, now=now)
    queen.state_reason = ""
    dosed = queen.doses.filter(undone_at__isnull=True).exists()
    _set_state(queen, BenchState.INSEMINATED if dosed else BenchState.WAITING, session=session, by=by, now=now)
    return queen


def _is_dosed(place_pk: int) -> bool:
    return Dose.objects.filter(place=place_pk, undone_at__isnull=True).exists()


def _refuse_away(queen: BatchQueen) -> None:
    if queen.state in AWAY:
        raise Refusal(
            _("%(queen)s is set aside or lost: %(reason)s") % {"queen": queen, "reason": queen.state_reason},
            field="queen",
            rule="queen_away",
        )


def _refuse_unborn(queen: BatchQueen, session: BenchSession, *, now: dt.datetime) -> None:
    """No reason lifts this: either the day of her emergence is wrong, or the day of the entry."""
    emerged_on = queen.queen.emerged_on
    if emerged_on is not None and local_day(now, session) < emerged_on:
        raise Refusal(
            _("%(queen)s emerged on %(day)s by the record. Correct that day first, then record what was done.")
            % {"queen": queen, "day": day_words(emerged_on)},
            field="queen",
            rule="before_emergence",
        )


def co2_rule_of(queen: BatchQueen) -> None:
    """Before a dose, gas alone makes the difference between *waiting* and *first CO2*."""
    queen = _locked_queen(queen)
    if queen.state not in {BenchState.WAITING, BenchState.FIRST_CO2}:
        return
    treated = queen.co2_treatments.filter(undone_at__isnull=True, ended_at__isnull=False, with_insemination=False)
    queen.state = BenchState.FIRST_CO2 if treated.exists() else BenchState.WAITING
    queen.save(update_fields=["state"])


def _locked_queen(queen: BatchQueen) -> BatchQueen:
    return BatchQueen.objects.select_for_update(of=("self",)).select_related("queen", "batch").get(pk=queen.pk)


def _set_state(queen: BatchQueen, state: str, *, session: BenchSession, by: Person, now: dt.datetime) -> None:
    before = queen.state
    queen.state = state
    queen.save(update_fields=["state", "state_reason"])
    if before != state:
        audit_record(
            queen,
            action=f"bench.{state}",
            by=by,
            now=now,
            cooperative=session.season.cooperative,
            before={"state": before},
            after={"state": state, "reason": queen.state_reason},
        )
