"""One entry of a device, carried out by the service whose rules it falls under.

What an entry says is read here and nowhere else; whether it may be so, the services decide.
"""

import datetime as dt
from collections.abc import Callable

from django.utils.translation import gettext as _

from accounts.models import Person
from accounts.refusals import Refusal
from scheduling.models import BatchQueen, BenchEntry, BenchPlace, BenchSession, DroneSource, EntryState, SemenLot
from scheduling.queries.lots import lot_view
from scheduling.queries.words import volume_words
from scheduling.services.bench_queens import (
    bench_set_aside,
    bench_take_back,
    co2_start,
    co2_stop,
    dose_give,
    place_choose_queen,
)
from scheduling.services.bench_undo import tap_undo
from scheduling.services.entry_facts import Facts, unreadable
from scheduling.services.lots import lot_open, lot_read, lot_take_out, lot_tally
from scheduling.services.mixtures import lots_mix
from scheduling.services.place_again import place_give_sister, place_take_again
from scheduling.services.tips import tip_change


def entry_apply(session: BenchSession, entry: BenchEntry, *, by: Person, now: dt.datetime) -> None:
    """Carry the entry out at the moment `now`, when it happened. Raises Refusal when a rule says no."""
    step = STEPS.get(entry.kind)
    if step is None:
        raise unreadable(entry.kind[:40])
    step(session, entry, Facts(entry.facts), by, now)


def _lot(session: BenchSession, facts: Facts) -> SemenLot:
    lot = SemenLot.objects.filter(
        entry=facts.id("lot"), session__season=session.season_id, session__bench=session.bench_id
    ).first()
    if lot is None:
        raise Refusal(_("The lot of this entry is not on record."), rule="lot_unknown")
    return lot


def _place(session: BenchSession, facts: Facts) -> BenchPlace:
    place = BenchPlace.objects.filter(pk=facts.number("place"), session=session).select_related("session").first()
    if place is None:
        raise Refusal(_("The place of this entry is not in this session."), rule="place_unknown")
    return place


def _queen(session: BenchSession, facts: Facts) -> BatchQueen:
    queen = BatchQueen.objects.filter(pk=facts.number("queen"), batch__bookings__bench_places__session=session).first()
    if queen is None:
        raise Refusal(_("The queen of this entry is not of this session."), rule="queen_unknown")
    return queen


def _parts(session: BenchSession, facts: Facts) -> dict[DroneSource, int]:
    """Drones by source of a pool, as [[source, drones], …]."""
    rows = facts.pairs("parts")
    pairs = [Facts({"source": source, "drones": drones}) for source, drones in rows]
    wanted = {one.number("source"): one.number("drones", most=10_000) for one in pairs}
    found = DroneSource.objects.filter(season=session.season_id).in_bulk(list(wanted))
    if len(found) < len(rows):
        raise Refusal(_("The source of this entry is not of this season."), rule="source_unknown")
    return {found[pk]: drones for pk, drones in wanted.items()}


def _lot_open(session: BenchSession, entry: BenchEntry, facts: Facts, by: Person, now: dt.datetime) -> None:
    if facts.values.get("source") is None and "parts" in facts.values:
        lot_open(session, parts=_parts(session, facts), tip=facts.text("tip", most=40), entry=entry.pk, by=by, now=now)
        return
    source = DroneSource.objects.filter(pk=facts.number("source"), season=session.season_id).first()
    if source is None:
        raise Refusal(_("The source of this entry is not of this season."), rule="source_unknown")
    lot_open(session, source=source, tip=facts.text("tip", most=40), entry=entry.pk, by=by, now=now)


def _tally(session: BenchSession, entry: BenchEntry, facts: Facts, by: Person, now: dt.datetime) -> None:
    lot_tally(
        _lot(session, facts),
        outcome=facts.text("outcome"),
        drones=facts.number("drones"),
        entry=entry.pk,
        by=by,
        now=now,
    )


def _reading(session: BenchSession, entry: BenchEntry, facts: Facts, by: Person, now: dt.datetime) -> None:
    """A reading adds what is above the record. A device that believed another record read it beside another device."""
    lot = _lot(session, facts)
    left = lot_view(lot).left
    if "left" in facts.values and facts.number("left") != left:
        raise Refusal(
            _("The device had %(device)s of %(lot)s on record before this reading, the log has %(log)s.")
            % {"device": volume_words(facts.number("left")), "lot": lot, "log": volume_words(max(0, left))},
            rule="reading_differs",
        )
    lot_read(lot, volume_tenths=facts.number("volume"), entry=entry.pk, by=by, now=now)


def _take_out(session: BenchSession, entry: BenchEntry, facts: Facts, by: Person, now: dt.datetime) -> None:
    what = facts.text("what")
    if what not in {"stored", "discarded", "lost"}:
        raise unreadable("what")
    lot_take_out(
        _lot(session, facts),
        kind=what,
        volume_tenths=facts.number("volume"),
        reason=facts.text("reason"),
        entry=entry.pk,
        by=by,
        now=now,
    )


def _mix(session: BenchSession, entry: BenchEntry, facts: Facts, by: Person, now: dt.datetime) -> None:
    """Tenths of a µl of each lot, as [[entry that opened it, tenths], …]."""
    pairs = [Facts({"lot": lot, "volume": volume}) for lot, volume in facts.pairs("lots")]
    parts = {_lot(session, pair): pair.number("volume") for pair in pairs}
    if len(parts) < len(pairs):
        raise unreadable("lots")
    lots_mix(session, parts=parts, tip=facts.text("tip", most=40), entry=entry.pk, by=by, now=now)


def _tip(session: BenchSession, entry: BenchEntry, facts: Facts, by: Person, now: dt.datetime) -> None:
    tip_change(session, lot=_lot(session, facts), tip=facts.text("tip", most=40), entry=entry.pk, by=by, now=now)


def _gas_on(session: BenchSession, entry: BenchEntry, facts: Facts, by: Person, now: dt.datetime) -> None:
    co2_start(
        session,
        batch_queen=_queen(session, facts),
        with_insemination=facts.flag("with_dose"),
        entry=entry.pk,
        by=by,
        now=now,
    )


def _gas_off(session: BenchSession, entry: BenchEntry, facts: Facts, by: Person, now: dt.datetime) -> None:
    co2_stop(session, batch_queen=_queen(session, facts), by=by, now=now)


def _dose(session: BenchSession, entry: BenchEntry, facts: Facts, by: Person, now: dt.datetime) -> None:
    place = _place(session, facts)
    if "queen" in facts.values and place.batch_queen_id != facts.number("queen"):
        raise Refusal(
            _("The device had another queen on place %(place)d; on record it is %(queen)s.")
            % {"place": place.position, "queen": place.batch_queen or "–"},
            rule="queen_differs",
        )
    dose_give(
        place,
        lot=_lot(session, facts),
        volume_tenths=facts.number("volume"),
        leak_back=facts.flag("leak_back"),
        resistance=facts.flag("resistance"),
        second_planned=facts.flag("second_planned"),
        more=facts.flag("more"),
        override_reason=facts.text("override_reason"),
        entry=entry.pk,
        by=by,
        now=now,
    )


def _aside(session: BenchSession, entry: BenchEntry, facts: Facts, by: Person, now: dt.datetime) -> None:
    bench_set_aside(_place(session, facts), reason=facts.text("reason"), lost=facts.flag("lost"), by=by, now=now)


def _back(session: BenchSession, entry: BenchEntry, facts: Facts, by: Person, now: dt.datetime) -> None:
    bench_take_back(_place(session, facts), by=by, now=now)


def _mark(session: BenchSession, entry: BenchEntry, facts: Facts, by: Person, now: dt.datetime) -> None:
    place_choose_queen(_place(session, facts), batch_queen=_queen(session, facts), by=by, now=now)


def _give_on(session: BenchSession, entry: BenchEntry, facts: Facts, by: Person, now: dt.datetime) -> None:
    place = _place(session, facts)
    if place.batch_queen_id != facts.number("before"):
        raise Refusal(
            _("The device had another queen on place %(place)d; on record it is %(queen)s.")
            % {"place": place.position, "queen": place.batch_queen or "–"},
            rule="queen_differs",
        )
    place_give_sister(place, batch_queen=_queen(session, facts), by=by, now=now)


def _undo(session: BenchSession, entry: BenchEntry, facts: Facts, by: Person, now: dt.datetime) -> None:
    of = BenchEntry.objects.filter(pk=facts.id("of"), session=session, state=EntryState.TAKEN).first()
    if of is None:
        raise Refusal(_("What this entry takes back was never taken in."), rule="nothing_to_undo")
    taken_back = BenchEntry.objects.filter(session=session, kind="undo", state=EntryState.TAKEN, facts__of=str(of.pk))
    if taken_back.exists():
        return
    if of.kind == "aside":
        bench_take_back(_place(session, Facts(of.facts)), by=by, now=now)
    elif of.kind == "give_on":
        _give_back(session, Facts(of.facts), by=by, now=now)
    else:
        tap_undo(session, entry=of.pk, by=by, now=now)


def _give_back(session: BenchSession, facts: Facts, *, by: Person, now: dt.datetime) -> None:
    place = _place(session, facts)
    if place.batch_queen_id != facts.number("queen"):
        raise Refusal(_("This place has been freed or dealt with."), rule="place_not_held")
    gave_up = BatchQueen.objects.get(pk=facts.number("before"))
    place_take_again(place, batch_queen=gave_up, by=by, now=now)


Step = Callable[[BenchSession, BenchEntry, Facts, Person, dt.datetime], None]
STEPS: dict[str, Step] = {
    "lot_open": _lot_open,
    "tally": _tally,
    "reading": _reading,
    "take_out": _take_out,
    "mix": _mix,
    "tip": _tip,
    "gas_on": _gas_on,
    "gas_off": _gas_off,
    "dose": _dose,
    "aside": _aside,
    "back": _back,
    "mark": _mark,
    "give_on": _give_on,
    "undo": _undo,
}
