"""The audit row that every write leaves in its own transaction."""

import datetime as dt
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db import transaction
from django.db.models import Model

from accounts.models import AuditEntry, Cooperative, Person
from accounts.services.often import row_add
from accounts.services.webhook_events import webhooks_tell
from accounts.told import Told, kept_text

LONGEST_NAME = 160


def audit_record(
    subject: Model,
    *,
    action: str,
    by: Person | None,
    now: dt.datetime,
    cooperative: Cooperative | None,
    before: dict[str, Any] | None = None,
    after: dict[str, Any] | None = None,
    note: str = "",
) -> AuditEntry:
    """Write who did what to `subject`. Must be called inside the transaction of the change."""
    if not transaction.get_connection().in_atomic_block:
        raise RuntimeError("audit_record belongs inside the transaction of the change it records.")
    entry = row_add(
        AuditEntry(
            cooperative=cooperative,
            at=now,
            by=by,
            by_name=by.name if by else "Broodtide",
            action=action,
            subject_type=subject._meta.label_lower,
            subject_id=subject.pk,
            subject_name=_name_of(subject),
            before=_plain(before or {}),
            after=_plain(after or {}),
            note=note,
        )
    )
    webhooks_tell(entry)
    return entry


def _name_of(subject: Model) -> str:
    """The name; of what is called by a message, that message as long as there is room for it."""
    said = kept_text(subject.told()) if hasattr(subject, "told") else ""
    return said if 0 < len(said) <= LONGEST_NAME else str(subject)[:LONGEST_NAME]


def fields_of(thing: Model, names: list[str]) -> dict[str, Any]:
    """The named fields as they are now, for `before` and `after`."""
    return {name: getattr(thing, thing._meta.get_field(name).attname) for name in names}  # type: ignore[union-attr]


def _plain(values: dict[str, Any]) -> dict[str, Any]:
    return {key: _plain_value(value) for key, value in values.items()}


def _plain_value(value: Any) -> Any:
    if isinstance(value, dict):
        return _plain(value)
    if isinstance(value, list | tuple | set | frozenset):
        return [_plain_value(part) for part in value]
    if isinstance(value, Told):
        return kept_text(value)
    if isinstance(value, dt.date | dt.datetime | dt.time | Decimal | UUID):
        return str(value)
    return value
