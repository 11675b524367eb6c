"""The history in words: who did what to what, and which values went from what to what."""

import datetime as dt
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from django.apps import apps
from django.core.exceptions import FieldDoesNotExist
from django.db.models import Field, ForeignKey, Model, QuerySet
from django.utils.dateparse import parse_date, parse_datetime
from django.utils.formats import date_format, number_format
from django.utils.text import capfirst
from django.utils.timezone import localtime
from django.utils.translation import gettext as _

from accounts.access import Viewer
from accounts.audit_values import value_name, value_word
from accounts.audit_words import THINGS, action_words
from accounts.models import AuditEntry
from accounts.tables import Cell, Table
from accounts.told import read_text

TABLE = ["at", "by", "subject_type", "subject_id", "subject", "action", "what", "changes", "note"]
PART = 500  # rows of a table that are read together
NOT_FOR_PEOPLE = {"step", "version", "settings_carried", "true_merit"}


@dataclass(frozen=True)
class Change:
    name: str
    before: str
    after: str


@dataclass(frozen=True)
class HistoryRow:
    at: dt.datetime
    by_name: str
    kind: str
    subject_type: str
    subject_id: int
    subject: str
    what: str
    changes: list[Change]
    note: str


def history_of_cooperative(viewer: Viewer) -> QuerySet[AuditEntry]:
    return AuditEntry.objects.filter(cooperative=viewer.cooperative)


def history_of_thing(viewer: Viewer, subject_type: str, subject_id: int) -> QuerySet[AuditEntry]:
    """Of this cooperative; of oneself also what belongs to no cooperative, such as a new password."""
    rows = AuditEntry.objects.filter(subject_type=subject_type, subject_id=subject_id)
    if (subject_type, subject_id) == ("accounts.person", viewer.person.pk):
        return rows.filter(cooperative=viewer.cooperative) | rows.filter(cooperative=None)
    return rows.filter(cooperative=viewer.cooperative)


def history_rows(found: Iterable[AuditEntry]) -> list[HistoryRow]:
    entries = list(found)
    names = _Names(entries)
    return [
        HistoryRow(
            entry.at,
            entry.by_name,
            thing_words(entry.subject_type),
            entry.subject_type,
            entry.subject_id,
            str(read_text(entry.subject_name)),
            action_words(entry.action),
            _changes(entry, names),
            str(read_text(entry.note)),
        )
        for entry in entries
    ]


def history_table(name: str, entries: QuerySet[AuditEntry]) -> Table:
    """All of it as the page says it, the latest first, with the keys that programs ask for. Moments are UTC."""
    return Table(name, TABLE, (cells for part in _in_parts(entries) for cells in _cells(part)))


def _in_parts(entries: QuerySet[AuditEntry]) -> Iterator[list[AuditEntry]]:
    """A history may be long and its reader slow: no question stays open from one part to the next."""
    rest = entries = entries.order_by("-at", "-pk")
    while part := list(rest[:PART]):
        yield part
        last = part[-1]
        rest = entries.filter(at__lte=last.at).exclude(at=last.at, pk__gte=last.pk)


def _cells(entries: list[AuditEntry]) -> Iterator[list[Cell]]:
    for entry, row in zip(entries, history_rows(entries), strict=True):
        changes = "; ".join(f"{change.name}: {change.before or '–'} → {change.after or '–'}" for change in row.changes)
        yield [
            entry.at.isoformat(), entry.by_name, entry.subject_type, entry.subject_id, row.subject, entry.action,
            row.what, changes, row.note,
        ]  # fmt: skip


def thing_words(subject_type: str) -> str:
    if subject_type in THINGS:
        return str(THINGS[subject_type])
    model = _model(subject_type)
    return str(capfirst(model._meta.verbose_name)) if model is not None else subject_type


class _Names:
    """Names of the things that changes point at, read once per kind for all rows of a page."""

    def __init__(self, entries: Sequence[AuditEntry]) -> None:
        wanted: dict[type[Model], set[int]] = {}
        for entry in entries:
            for name, value in [*entry.before.items(), *entry.after.items()]:
                field = _field(entry.subject_type, name)
                if isinstance(field, ForeignKey) and isinstance(value, int):
                    wanted.setdefault(field.related_model, set()).add(value)
        self._names = {
            (model, pk): str(thing)
            for model, pks in wanted.items()
            for pk, thing in model._default_manager.in_bulk(pks).items()
        }

    def of(self, field: "ForeignKey[Any, Any]", pk: int) -> str:
        return self._names.get((field.related_model, pk), _("no longer there"))


def _changes(entry: AuditEntry, names: _Names) -> list[Change]:
    changes = [
        Change(
            _label(entry.subject_type, name),
            _words(entry.subject_type, name, entry.before.get(name), names),
            _words(entry.subject_type, name, entry.after.get(name), names),
        )
        for name in {**entry.before, **entry.after}
        if name not in NOT_FOR_PEOPLE
    ]
    return [change for change in changes if change.before != change.after]


def _label(subject_type: str, name: str) -> str:
    field = _field(subject_type, name)
    label = str(field.verbose_name) if field is not None else name.replace("_", " ")
    return value_name(label.removesuffix(" tenths").removesuffix(" on"))


def _words(subject_type: str, name: str, value: Any, names: _Names) -> str:
    if value is None or value in ("", [], {}):
        return ""
    field = _field(subject_type, name)
    if isinstance(field, ForeignKey) and isinstance(value, int):
        return names.of(field, value)
    if field is not None and field.choices and isinstance(value, str):
        return str(dict(field.flatchoices).get(value, value))
    return _plain_words(name, value)


def _plain_words(name: str, value: Any) -> str:
    value = read_text(value) if isinstance(value, str) else value
    if isinstance(value, bool):
        return _("yes") if value else _("no")
    if isinstance(value, list):
        return ", ".join(_plain_words("", part) for part in value)
    if isinstance(value, dict):
        return ", ".join(
            f"{value_name(key.replace('_', ' '))} {_plain_words(key, part)}" for key, part in value.items()
        )
    if name.endswith("_tenths") and isinstance(value, int):
        return f"{number_format(value / 10, decimal_pos=1)} µl"
    return _moment_words(value_word(value)) if isinstance(value, str) else str(value)


def _moment_words(text: str) -> str:
    """A day or a moment that was stored as text; anything else as it stands."""
    try:
        day, moment = parse_date(text), parse_datetime(text)
    except ValueError:
        return text
    if day is not None:
        return date_format(day, "DATE_FORMAT")
    return date_format(localtime(moment), "DATETIME_FORMAT") if moment is not None and moment.tzinfo else text


def _field(subject_type: str, name: str) -> "Field[Any, Any] | None":
    model = _model(subject_type)
    if model is None:
        return None
    try:
        field = model._meta.get_field(name)
    except FieldDoesNotExist:
        return None
    return field if isinstance(field, Field) else None


def _model(subject_type: str) -> type[Model] | None:
    try:
        return apps.get_model(subject_type)
    except (LookupError, ValueError):
        return None
