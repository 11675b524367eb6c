"""Members' entries: which wait for a look, and both versions of each in words."""

import uuid
from typing import Any, cast
from zoneinfo import ZoneInfo

from django.db.models import QuerySet
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from accounts.access import Viewer
from accounts.states import state_of
from breeding.models import Colony, Score, Trait
from scheduling.models import (
    BatchQueen,
    CountKind,
    DroneCohort,
    DroneCount,
    EntryState,
    Finding,
    HiveEntry,
    QueenBatch,
    Reminder,
)
from scheduling.queries.words import day_words, moment_words

STEP_DATES = {
    "confined": ("confined_on", gettext_lazy("breeder queen confined")),
    "grafted": ("grafted_on", gettext_lazy("grafted")),
    "started": ("counted_on", gettext_lazy("started cells counted")),
    "sealed": ("sealed_on", gettext_lazy("cells sealed")),
    "caged": ("caged_on", gettext_lazy("cells caged")),
    "emerged": ("emerged_on", gettext_lazy("virgins emerged")),
    "excluder": ("excluder_on", gettext_lazy("excluder on")),
    "eggs": ("eggs_seen_on", gettext_lazy("eggs seen")),
}
ACTS = {
    "done": gettext_lazy("done"),
    "acknowledge": gettext_lazy("I am on it"),
    "let_go": gettext_lazy("let go"),
    "put_off": gettext_lazy("put off"),
    "take_back": gettext_lazy("taken back"),
}


def hive_entries_of(viewer: Viewer) -> QuerySet[HiveEntry]:
    """What the viewer wrote down in this cooperative: entries are their author's alone."""
    return HiveEntry.objects.filter(by=viewer.person, cooperative=viewer.cooperative)


def hive_entries_to_look_at(viewer: Viewer) -> QuerySet[HiveEntry]:
    return hive_entries_of(viewer).filter(state__in=[EntryState.LOOK, EntryState.HELD_BACK])


def confirmed_up_to(viewer: Viewer, device: uuid.UUID) -> int:
    """The last number of a device before the first that was not dealt with."""
    numbers = hive_entries_of(viewer).filter(device=device, number__isnull=False)
    last = 0
    for number in numbers.exclude(state=EntryState.HELD_BACK).order_by("number").values_list("number", flat=True):
        if number != last + 1:
            break
        last = number
    return last


def entry_words(entry: HiveEntry, *, zone_name: str) -> str:
    """What the device says was done, in a sentence."""
    facts = _facts(entry)
    return _("%(what)s, %(when)s") % {
        "what": _what(entry.kind, facts),
        "when": moment_words(entry.at, ZoneInfo(zone_name)),
    }


def _facts(entry: HiveEntry) -> dict[str, Any]:
    return cast(dict[str, Any], entry.facts if isinstance(entry.facts, dict) else {})


def _what(kind: str, facts: dict[str, Any]) -> str:
    if kind == "score":
        trait = Trait.objects.filter(key=str(facts.get("trait"))).first()
        value = facts.get("value") or f"{facts.get('part')}/{facts.get('whole')}"
        return f"{_name(Colony, facts.get('colony'))}: {trait or facts.get('trait')} {value}"
    if kind == "step":
        said = STEP_DATES.get(str(facts.get("step")), ("", str(facts.get("step"))))[1]
        return f"{_name(QueenBatch, facts.get('batch'))}: {said}"
    if kind == "co2":
        which = _("second CO2") if facts.get("which") == "second" else _("first CO2")
        return f"{_name(QueenBatch, facts.get('batch'))}: {which}"
    if kind == "check":
        finding = dict(Finding.choices).get(str(facts.get("finding")), facts.get("finding"))
        return f"{_name(BatchQueen, facts.get('queen'))}: {finding}"
    if kind == "count":
        counted = dict(CountKind.choices).get(str(facts.get("kind")), facts.get("kind"))
        return f"{_name(DroneCohort, facts.get('cohort'))}: {facts.get('number')} {counted}"
    if kind == "reminder":
        return f"{_name(Reminder, facts.get('reminder'))}: {ACTS.get(str(facts.get('act')), facts.get('act'))}"
    if kind == "undo":
        return _("Taken back: an earlier entry")
    return kind


def _name(model: Any, pk: Any) -> str:
    row = model.objects.filter(pk=pk).first() if _is_id(pk) else None
    return "–" if row is None else str(row.title if isinstance(row, Reminder) else row)


def _is_id(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 2**63


def on_record_words(entry: HiveEntry, *, zone_name: str) -> str:
    """What stood on record about the same when the entry came; empty where nothing stood."""
    facts, zone = _facts(entry), ZoneInfo(zone_name)
    if entry.kind == "score" and _is_id(facts.get("colony")):
        scores = Score.objects.filter(
            colony=facts["colony"], trait__key=str(facts.get("trait")), replaced_by=None, withdrawn_at=None
        ).select_related("trait", "scored_by")
        return "\n".join(
            _("%(what)s, %(day)s, %(who)s")
            % {
                "what": f"{one.trait} {one.value.normalize():f} {one.trait.shown_unit}",
                "day": day_words(one.scored_on),
                "who": one.scored_by or "–",
            }
            for one in scores.order_by("-scored_on")[:3]
        )
    if entry.kind in {"step", "co2"} and _is_id(facts.get("batch")):
        batch = QueenBatch.objects.filter(pk=facts["batch"]).first()
        return _of_batch(batch, entry.kind, facts, zone) if batch else ""
    if entry.kind == "check" and _is_id(facts.get("queen")):
        her = BatchQueen.objects.filter(pk=facts["queen"]).first()
        checks = her.checks.filter(replaced_by__isnull=True).order_by("-checked_on")[:3] if her else []
        return "\n".join(f"{day_words(one.checked_on)}: {one.get_finding_display()}" for one in checks)
    if entry.kind == "count" and _is_id(facts.get("cohort")):
        counts = DroneCount.objects.filter(
            cohort=facts["cohort"], kind=str(facts.get("kind")), replaced_by__isnull=True
        ).select_related("counted_by")
        return "\n".join(
            _("%(what)s, %(day)s, %(who)s")
            % {
                "what": f"{one.number} {one.get_kind_display()}",
                "day": day_words(one.counted_on),
                "who": one.counted_by or "–",
            }
            for one in counts.order_by("-counted_on")[:3]
        )
    if entry.kind == "reminder" and _is_id(facts.get("reminder")):
        reminder = Reminder.objects.filter(pk=facts["reminder"]).select_related("ended_by").first()
        if reminder is not None and reminder.ended_at is not None:
            state = state_of("reminder", reminder.state)
            ended = moment_words(reminder.ended_at, zone)
            return f"{state.label}, {ended}, {reminder.ended_by or '–'}"
    return ""


def _of_batch(batch: QueenBatch, kind: str, facts: dict[str, Any], zone: ZoneInfo) -> str:
    if kind == "co2":
        there = batch.first_co2_at
        return _("First CO2 ended %(when)s") % {"when": moment_words(there, zone)} if there else ""
    name, said = STEP_DATES.get(str(facts.get("step")), ("", ""))
    day = getattr(batch, name, None) if name else None
    return f"{batch}: {said}, {day_words(day)}" if day else ""
