"""Of two rows of one queen: which values stay, and rows as plain values that can be put back."""

import datetime as dt
from collections.abc import Collection
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.apps import apps
from django.db.models import Model

from breeding.models import Queen, QueenStatus

#: What is chosen together.
GROUPS: dict[str, tuple[str, ...]] = {
    "label": ("label",),
    "owner": ("owner",),
    "mother": ("mother", "origin"),
    "line": ("line",),
    "emerged": ("emerged_on", "birth_year"),
    "mark_number": ("mark_number",),
    "status": ("status", "gone_on", "gone_reason"),
}
CHANGED = [name for names in GROUPS.values() for name in names] + ["note"]


def groups_that_differ(kept: Queen, other: Queen) -> list[str]:
    """Where somebody has to choose. Mated or virgin is none: it follows from her mating."""
    found = [group for group, names in GROUPS.items() if _values(kept, names) != _values(other, names)]
    if "status" in found and QueenStatus.GONE not in (kept.status, other.status):
        found.remove("status")
    return found


def taken_by_default(kept: Queen, other: Queen) -> list[str]:
    """Groups of the other row that say what the kept one leaves open; that she is gone was found out later."""
    groups = groups_that_differ(kept, other)
    known = [group for group in groups if group != "status" and _count(other, group) > _count(kept, group)]
    if "status" in groups and kept.status != QueenStatus.GONE:
        known.append("status")
    return known


def merged(kept: Queen, other: Queen, take: Collection[str]) -> Queen:
    """The kept queen as she would be, not written: `take` names the groups that come from the other row."""
    result = Queen(**{field.attname: getattr(kept, field.attname) for field in Queen._meta.concrete_fields})
    for group in take:
        for name in GROUPS[group]:
            setattr(result, name, getattr(other, name))
    mated = QueenStatus.MATED in (kept.status, other.status) or hasattr(kept, "mating") or hasattr(other, "mating")
    if result.status != QueenStatus.GONE:
        result.status, result.gone_on, result.gone_reason = QueenStatus.VIRGIN, None, ""
        if mated:
            result.status = QueenStatus.MATED
    notes = [note for note in dict.fromkeys((kept.note.strip(), other.note.strip())) if note]
    result.note = "\n".join(notes)
    return result


def columns_of(row: Model) -> dict[str, Any]:
    """A row as JSON keeps it, whole."""
    return {field.attname: _plain(getattr(row, field.attname)) for field in row._meta.concrete_fields}


def row_of(label: str, columns: dict[str, Any]) -> Model:
    """The row again, as it was, not written yet."""
    model = apps.get_model(label)
    fields = {field.attname: field for field in model._meta.concrete_fields}
    row: Model = model(**{name: fields[name].to_python(value) for name, value in columns.items() if name in fields})
    return row


def _values(queen: Queen, names: tuple[str, ...]) -> list[Any]:
    return [getattr(queen, Queen._meta.get_field(name).attname) for name in names]  # type: ignore[union-attr]


def _count(queen: Queen, group: str) -> int:
    return sum(value not in (None, "") for value in _values(queen, GROUPS[group]))


def _plain(value: Any) -> Any:
    return str(value) if isinstance(value, dt.date | Decimal | UUID) else value
