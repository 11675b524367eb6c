"""The log of a session and its state: as the tables have it, as the log says it, in words for people."""

import datetime as dt
import uuid
from collections import Counter, defaultdict
from typing import Any, cast
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db.models import QuerySet
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from accounts.models import AuditEntry
from scheduling.models import (
    BatchQueen,
    BenchEntry,
    BenchPlace,
    BenchSession,
    Co2Treatment,
    Dose,
    EntryState,
    PlaceState,
    SemenLot,
    TallyOutcome,
    TipChange,
)
from scheduling.planning.bench_log import BenchState, Entry, LotState, QueenState, lot_new
from scheduling.queries.bench import lots_of_session
from scheduling.queries.lots import LotView, lot_views
from scheduling.queries.words import and_words, moment_words, volume_words


def bench_state(session: BenchSession, *, lots: list[LotView] | None = None) -> BenchState:
    """The state as the tables have it, in the shape that the log is folded to."""
    places = BenchPlace.objects.filter(session=session).exclude(state=PlaceState.FREED).order_by("position")
    queens = BatchQueen.objects.filter(batch__bookings__bench_places__session=session).distinct().order_by("pk")
    dosed = Counter(Dose.objects.filter(session=session, undone_at__isnull=True).values_list("place_id", flat=True))
    tips: dict[int, list[str]] = defaultdict(list)
    for lot_id, tip in TipChange.objects.filter(session=session).values_list("lot", "tip"):
        tips[lot_id].append(tip)
    found = {
        str(view.lot.entry): _lot(view, session, tips[view.lot.pk])
        for view in (lots_of_session(session) if lots is None else lots)
    }
    return {
        "tip": {
            "name": session.current_tip,
            "source": session.current_tip_source_id,
            "lot": next((key for key, lot in found.items() if _is_touched(lot, session)), None),
        },
        "lots": found,
        "places": {
            str(place.pk): {
                "queen": str(place.batch_queen_id) if place.batch_queen_id else None,
                "state": place.state,
                "doses": dosed[place.pk],
                "second": place.is_second,
            }
            for place in places
        },
        "queens": _queens(list(queens)),
    }


def _is_touched(lot: LotState, session: BenchSession) -> bool:
    """The tip in the holder is of this pool or mixture: of one source it is known by the source."""
    mixed = lot["source"] is None and session.current_tip_source_id is None
    return mixed and session.current_tip in lot["tips"]


def _lot(view: LotView, session: BenchSession, tips: list[str]) -> LotState:
    """A tip that touched it on an earlier day is a clean one by now."""
    balance = view.balance
    first = [view.lot.tip] if view.lot.session_id == session.pk else []
    pooled = sum(part.drones for part in view.lot.parts.all())
    lot = lot_new(source=view.lot.source_id, tips=[*first, *tips], pooled=pooled)
    lot.update(
        {
            "state": view.lot.state,
            "tally": {outcome: view.tally[outcome] for outcome in TallyOutcome.values if view.tally.get(outcome)},
            "collected": balance.collected,
            "mixed_in": balance.mixed_in,
            "dosed": balance.dosed,
            "mixed_out": balance.mixed_out,
            "stored": balance.stored,
            "discarded": balance.discarded,
            "lost": balance.lost,
        }
    )
    return lot


def _queens(queens: list[BatchQueen]) -> dict[str, QueenState]:
    doses: dict[int, int] = defaultdict(int)
    for queen_id in Dose.objects.filter(batch_queen__in=queens, undone_at__isnull=True).values_list(
        "batch_queen_id", flat=True
    ):
        doses[queen_id] += 1
    ended: dict[int, list[int]] = defaultdict(list)
    running: dict[int, Co2Treatment] = {}
    for treatment in Co2Treatment.objects.filter(batch_queen__in=queens, undone_at__isnull=True):
        if treatment.ended_at is None:
            running[treatment.batch_queen_id] = treatment
        elif not treatment.with_insemination:
            ended[treatment.batch_queen_id].append(ms_of(treatment.ended_at))
    return {
        str(queen.pk): {
            "state": queen.state,
            "reason": queen.state_reason,
            "doses": doses[queen.pk],
            "co2_ended": sorted(ended[queen.pk]),
            "gas_since": ms_of(running[queen.pk].started_at) if queen.pk in running else None,
            "gas_with_dose": queen.pk in running and running[queen.pk].with_insemination,
        }
        for queen in queens
    }


def entries_taken(session: BenchSession) -> list[Entry]:
    """The log as it was taken in: what the state follows from."""
    rows = session.entries.filter(state=EntryState.TAKEN).order_by("order").values_list("pk", "kind", "facts", "at")
    return [{"id": str(pk), "kind": kind, "facts": facts, "at_ms": ms_of(at)} for pk, kind, facts, at in rows]


def ms_of(moment: dt.datetime) -> int:
    """Milliseconds since 1970, as a device counts them."""
    return round(moment.timestamp() * 1000)


def entries_to_look_at(session: BenchSession) -> QuerySet[BenchEntry]:
    """Entries that a person has to look at: refused ones, and those that wait for an earlier one."""
    return session.entries.filter(state__in=[EntryState.LOOK, EntryState.HELD_BACK]).select_related("by")


def corrections_of(session: BenchSession) -> QuerySet[AuditEntry]:
    """What was added to a session after its end, and why."""
    return AuditEntry.objects.filter(
        subject_type=BenchSession._meta.label_lower, subject_id=session.pk, action="session.correct"
    ).order_by("at", "pk")


def given_on_at(session: BenchSession) -> QuerySet[AuditEntry]:
    """Places whose queen was set aside or lost and that another queen got."""
    places = BenchPlace.objects.filter(session=session).values("pk")
    return AuditEntry.objects.filter(
        subject_type=BenchPlace._meta.label_lower, subject_id__in=places, action="place.give_on"
    ).order_by("at", "pk")


def confirmed_up_to(session: BenchSession, device: uuid.UUID) -> int:
    """The last number of a device before the first that was not dealt with."""
    numbers = (
        session.entries.filter(device=device, number__isnull=False)
        .exclude(state=EntryState.HELD_BACK)
        .order_by("number")
        .values_list("number", flat=True)
    )
    last = 0
    for number in numbers:
        if number != last + 1:
            break
        last = number
    return last


def entry_words(entry: BenchEntry) -> str:
    """What the device says was done, in a sentence."""
    facts = cast(dict[str, Any], entry.facts if isinstance(entry.facts, dict) else {})
    zone = ZoneInfo(entry.session.season.cooperative.time_zone)
    what = _what(entry.kind, facts)
    return _("%(what)s, %(when)s, %(who)s") % {
        "what": what,
        "when": moment_words(entry.at, zone),
        "who": entry.by.name if entry.by else _("somebody who has left"),
    }


def _what(kind: str, facts: dict[str, Any]) -> str:
    volume = facts.get("volume")
    names = {
        "lot": _name(SemenLot, "entry", facts.get("lot")),
        "queen": _name(BatchQueen, "pk", facts.get("queen")),
        "place": _place_name(facts.get("place")),
        "volume": volume_words(volume) if isinstance(volume, int) else "–",
        "tip": str(facts.get("tip", "")),
        "reason": str(facts.get("reason", "")),
        "lots": and_words([_part_words(row) for row in _rows(facts.get("lots"))] or ["–"]),
    }
    drones = facts.get("drones")
    if kind == "tally" and isinstance(drones, int):
        outcome = dict(TallyOutcome.choices).get(str(facts.get("outcome")), "–")
        return ngettext("%(n)d drone of %(lot)s: %(outcome)s", "%(n)d drones of %(lot)s: %(outcome)s", drones) % {
            "n": drones,
            "lot": names["lot"],
            "outcome": outcome,
        }
    words = {
        "lot_open": _("Lot opened with tip %(tip)s"),
        "reading": _("%(volume)s of %(lot)s in the syringe"),
        "take_out": _("%(volume)s of %(lot)s taken out: %(reason)s"),
        "mix": _("%(lots)s made one mixture, with tip %(tip)s"),
        "tip": _("Tip %(tip)s in the holder, for %(lot)s"),
        "gas_on": _("Gas on for %(queen)s"),
        "gas_off": _("Gas off for %(queen)s"),
        "dose": _("%(volume)s of %(lot)s for %(place)s"),
        "aside": _("%(place)s set aside or lost: %(reason)s"),
        "back": _("%(place)s taken back to the bench"),
        "mark": _("%(queen)s on %(place)s"),
        "give_on": _("%(queen)s gets a place that became free"),
        "undo": _("Taken back: an earlier tap"),
    }
    return words[kind] % names if kind in words else _("Something this app does not read (%(kind)s)") % {"kind": kind}


def _rows(value: Any) -> list[tuple[Any, Any]]:
    rows = value if isinstance(value, list) else []
    return [(row[0], row[1]) for row in rows if isinstance(row, list) and len(row) == 2]


def _part_words(row: tuple[Any, Any]) -> str:
    lot, volume = row
    return _("%(volume)s of %(lot)s") % {
        "volume": volume_words(volume) if isinstance(volume, int) else "–",
        "lot": _name(SemenLot, "entry", lot),
    }


def _name(model: Any, field: str, value: Any) -> str:
    try:
        found = model.objects.filter(**{field: value}).first() if value is not None else None
    except (TypeError, ValueError, ValidationError):
        found = None
    return str(found) if found is not None else "–"


def _place_name(value: Any) -> str:
    place = BenchPlace.objects.filter(pk=value).select_related("batch_queen__queen").first() if _is_id(value) else None
    if place is None:
        return "–"
    return str(place.batch_queen) if place.batch_queen else _("place %(n)d") % {"n": place.position}


def _is_id(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 2**63


def on_record_words(entry: BenchEntry) -> str:
    """What stood on record for the same queen or lot when the entry came."""
    facts = cast(dict[str, Any], entry.facts if isinstance(entry.facts, dict) else {})
    zone = ZoneInfo(entry.session.season.cooperative.time_zone)
    lines = []
    place = None
    if _is_id(facts.get("place")):
        place = (
            BenchPlace.objects.filter(pk=facts["place"], session=entry.session)
            .select_related("batch_queen__queen")
            .first()
        )
    queen = place.batch_queen if place else None
    if queen is not None:
        reason = f": {queen.state_reason}" if queen.state_reason else ""
        lines.append(f"{queen} – {queen.get_state_display()}{reason}")
        lines += [
            _("%(volume)s of %(lot)s, %(when)s, %(who)s")
            % {
                "volume": volume_words(dose.volume_tenths),
                "lot": dose.lot,
                "when": moment_words(dose.given_at, zone),
                "who": dose.given_by.name if dose.given_by else "–",
            }
            for dose in queen.doses.filter(undone_at__isnull=True).select_related("lot", "given_by")
        ]
    for lot_id in [facts.get("lot"), *(lot for lot, _volume in _rows(facts.get("lots")))]:
        if not (isinstance(lot_id, str) and _is_uuid(lot_id)):
            continue
        for view in lot_views(SemenLot.objects.filter(entry=lot_id)):
            lines.append(
                _("%(lot)s: %(into)s collected, %(left)s left")
                % {
                    "lot": view.lot,
                    "into": volume_words(view.balance.into),
                    "left": volume_words(max(0, view.left)),
                }
            )
    return "\n".join(lines)


def _is_uuid(text: str) -> bool:
    try:
        uuid.UUID(text)
    except ValueError:
        return False
    return True
