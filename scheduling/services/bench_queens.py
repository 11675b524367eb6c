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
    LotState,
    PlaceState,
    SemenLot,
)
from scheduling.planning.facts import Settings
from scheduling.queries.bench import lot_view
from scheduling.queries.bench_rules import rules_to_set_aside
from scheduling.queries.season import settings_of
from scheduling.queries.words import volume_words
from scheduling.services.bench_guard import local_day, locked_running, refuse_old_lot, refuse_source

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
    override_reason: str = "",
    by: Person,
    now: dt.datetime,
    entry: uuid.UUID | None = None,
) -> Dose:
    """Give one queen semen of one lot. Rules that may be set aside need a reason, kept with name and rule."""
    override_reason = override_reason.strip()
    with transaction.atomic():
        session = locked_running(place.session)
        known = Dose.objects.filter(entry=entry).first() if entry else None
        if known is not None:
            return known
        place = BenchPlace.objects.select_related("booking__batch", "source").get(pk=place.pk)
        if place.state != PlaceState.HELD or place.session_id != session.pk:
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
        _refuse_lot(lot, session, place, volume_tenths, settings, now=now)
        broken = rules_to_set_aside(queen, place, session, volume_tenths, settings)
        if broken and not override_reason:
            rule, text = broken[0]
            raise Refusal(
                text + " " + _("Give it all the same? Then say why; it stays on record with your name."),
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
            override_reason=f"{', '.join(rule for rule, _text in broken)}: {override_reason}"[:200] if broken else "",
            override_by=by if broken else None,
            entry=entry or uuid.uuid4(),
        )
        _set_state(queen, BenchState.INSEMINATED, session=session, by=by, now=now)
        place.state = PlaceState.DONE
        place.save(update_fields=["state"])
        audit_record(
            dose,
            action="dose.give",
            by=by,
            now=now,
            cooperative=session.season.cooperative,
            after=fields_of(
                dose, ["batch_queen", "lot", "volume_tenths", "leak_back", "resistance", "override_reason"]
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
            if dose.place_id is not None:
                BenchPlace.objects.filter(pk=dose.place_id, state=PlaceState.DONE).update(state=PlaceState.HELD)
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
        queen = _locked_queen(place.batch_queen)
        queen.state_reason = reason.strip()[:160]
        _set_state(queen, BenchState.LOST if lost else BenchState.SET_ASIDE, session=session, by=by, now=now)
        if lost:
            queen_gone(queen.queen, gone_on=local_day(now, session), reason=queen.state_reason, by=by, now=now)
        if not queen.doses.filter(undone_at__isnull=True).exists():
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
        queen = _locked_queen(place.batch_queen)
        if queen.state not in AWAY:
            return queen
        if queen.state == BenchState.LOST:
            queen_back(queen.queen, by=by, now=now)
        queen.state_reason = ""
        dosed = queen.doses.filter(undone_at__isnull=True).exists()
        _set_state(queen, BenchState.INSEMINATED if dosed else BenchState.WAITING, session=session, by=by, now=now)
        place.state = PlaceState.DONE if dosed else PlaceState.HELD
        place.save(update_fields=["state"])
    return queen


def _refuse_lot(
    lot: SemenLot, session: BenchSession, place: BenchPlace, volume_tenths: int, settings: Settings, *, now: dt.datetime
) -> None:
    """What no override lifts: another season's or source's semen, a health hold, a lot past its limit or empty."""
    if lot.session.season_id != session.season_id or lot.state in {LotState.USED_UP, LotState.DISCARDED}:
        raise Refusal(_("%(lot)s is used up or of another season.") % {"lot": lot}, field="lot", rule="lot_ended")
    if place.source_id is not None and lot.source_id != place.source_id:
        raise Refusal(
            _("This place is planned with %(planned)s, the lot is of %(lot_source)s. Change the plan's source first.")
            % {"planned": place.source, "lot_source": lot.source or lot},
            field="lot",
            rule="lot_of_other_source",
        )
    if lot.source is not None:
        refuse_source(lot.source, day=session.day)
    refuse_old_lot(lot, day=local_day(now, session), settings=settings)
    if session.current_tip_source_id is not None and lot.source_id != session.current_tip_source_id:
        raise Refusal(
            _("The tip in the holder has touched %(other)s. Take a new or cleaned tip first.")
            % {"other": session.current_tip_source},
            field="lot",
            rule="tip_of_other_source",
        )
    if volume_tenths < 1:
        raise Refusal(_("Enter a dose above 0 µl."), field="volume", rule="dose_positive")
    left = lot_view(lot).balance.unexplained if lot.state == LotState.OPEN else lot_view(lot).left
    if volume_tenths > left:
        raise Refusal(
            _("%(lot)s holds %(left)s by the record. Read the syringe first, or give less.")
            % {"lot": lot, "left": volume_words(max(0, left))},
            field="volume",
            rule="lot_holds_less",
        )


def _refuse_away(queen: BatchQueen) -> None:
    if queen.state in AWAY:
        raise Refusal(
            _("%(queen)s is set aside or lost: %(reason)s") % {"queen": queen, "reason": queen.state_reason},
            field="queen",
            rule="queen_away",
        )


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
