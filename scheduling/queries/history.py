"""Audit rows in words: what was done, and which values went from what to what."""

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from accounts.models import AuditEntry
from scheduling.queries.words import day_words

ACTIONS = {
    "batch.plan": gettext_lazy("planned"),
    "batch.replan": gettext_lazy("planned for another bench day"),
    "batch.graft": gettext_lazy("grafted"),
    "batch.confined": gettext_lazy("breeder queen confined"),
    "batch.grafted": gettext_lazy("grafted"),
    "batch.started": gettext_lazy("started cells counted"),
    "batch.sealed": gettext_lazy("cells sealed"),
    "batch.caged": gettext_lazy("cells caged"),
    "batch.emerged": gettext_lazy("emerged"),
    "batch.excluder": gettext_lazy("excluders on"),
    "batch.eggs": gettext_lazy("eggs seen"),
    "batch.edit": gettext_lazy("changed"),
    "batch.close": gettext_lazy("closed"),
    "batch.reopen": gettext_lazy("reopened"),
    "batch_queen.set_aside": gettext_lazy("set aside"),
    "batch_queen.lost": gettext_lazy("lost"),
    "batch_queen.back": gettext_lazy("back"),
    "batch_queen.nuc": gettext_lazy("nuc and excluder"),
    "booking.ask": gettext_lazy("asked"),
    "booking.withdraw": gettext_lazy("withdrawn"),
    "source.offer": gettext_lazy("offered"),
    "source.edit": gettext_lazy("changed"),
    "source.hold": gettext_lazy("put on hold"),
    "source.hold.lift": gettext_lazy("hold lifted"),
    "source.withdraw": gettext_lazy("withdrawn"),
    "cohort.promise": gettext_lazy("comb promised"),
    "cohort.comb_in": gettext_lazy("comb in"),
    "cohort.laid": gettext_lazy("eggs seen"),
    "cohort.capped": gettext_lazy("capped"),
    "cohort.emerged": gettext_lazy("first drones emerged"),
    "cohort.marked": gettext_lazy("marked or confined"),
    "cohort.ended": gettext_lazy("ended"),
    "cohort.count": gettext_lazy("counted"),
}
ENDINGS = {".correct": gettext_lazy("%s, corrected"), ".withdraw": gettext_lazy("%s, taken back")}
# Said by the action itself, or of no use to people.
LEFT_OUT = {"version", "member", "mother", "batch", "wished_session", "drone_queen", "apiary", "settings_carried"}


@dataclass(frozen=True)
class Change:
    name: str
    before: str
    after: str


@dataclass(frozen=True)
class HistoryRow:
    at: dt.datetime
    by_name: str
    subject: str
    what: str
    changes: list[Change]
    note: str


def history_rows(entries: Iterable[AuditEntry]) -> list[HistoryRow]:
    return [
        HistoryRow(entry.at, entry.by_name, entry.subject_name, action_words(entry.action), _changes(entry), entry.note)
        for entry in entries
    ]


def action_words(action: str) -> str:
    """The words of an action; one that other rooms wrote is read as it stands."""
    if action in ACTIONS:
        return str(ACTIONS[action])
    for ending, words in ENDINGS.items():
        if action.endswith(ending):
            return str(words) % action_words(action.removesuffix(ending))
    return action.partition(".")[2].replace("_", " ").replace(".", " ") or action


def _changes(entry: AuditEntry) -> list[Change]:
    names = [name for name in {**entry.before, **entry.after} if name not in LEFT_OUT]
    changes = [Change(_name(name), _value(entry.before.get(name)), _value(entry.after.get(name))) for name in names]
    return [change for change in changes if change.before != change.after]


def _name(field: str) -> str:
    if field.endswith("_tenths"):
        return field.removesuffix("_tenths").replace("_", " ")
    return field.removesuffix("_on").replace("_", " ")


def _value(value: Any) -> str:
    if value is None or value in ("", []):
        return ""
    if isinstance(value, list):
        return ", ".join(str(part) for part in value)
    if isinstance(value, bool):
        return _("yes") if value else _("no")
    try:
        return day_words(dt.date.fromisoformat(str(value)))
    except ValueError:
        return str(value)
