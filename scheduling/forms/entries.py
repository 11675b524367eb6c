"""What a device sends, read: a batch of entries. Raises ValueError with what is wrong about the batch as a whole."""

import datetime as dt
import json
import uuid
from dataclasses import dataclass
from typing import Any

from django import forms
from django.utils.dateparse import parse_datetime
from django.utils.translation import gettext_lazy as _

MOST_BYTES = 512_000
MOST_ENTRIES = 200
MOST_OFFSET_MS = 10 * 366 * 86_400_000  # a clock that is ten years wrong


@dataclass(frozen=True)
class SentEntry:
    id: uuid.UUID
    number: int
    kind: str
    facts: Any
    device_at: dt.datetime
    offset_ms: int | None


@dataclass(frozen=True)
class Batch:
    device: uuid.UUID
    person: int
    sent_at: dt.datetime
    entries: list[SentEntry]


def batch_read(body: bytes) -> Batch:
    """Entries are taken as they come, whatever their facts: what is wrong in one of them is no reason to lose it."""
    if len(body) > MOST_BYTES:
        raise ValueError("more than half a megabyte")
    data = json.loads(body)
    if not isinstance(data, dict) or not isinstance(data.get("entries"), list):
        raise ValueError("no entries")
    if len(data["entries"]) > MOST_ENTRIES:
        raise ValueError("too many entries at once")
    return Batch(
        device=_id(data.get("device")),
        person=_whole(data.get("person"), most=2**63 - 1),
        sent_at=_moment(data.get("sent_at")),
        entries=[_entry(one) for one in data["entries"]],
    )


def _entry(one: Any) -> SentEntry:
    if not isinstance(one, dict):
        raise ValueError("an entry is not an object")
    offset = one.get("offset_ms")
    known = isinstance(offset, int) and not isinstance(offset, bool) and abs(offset) <= MOST_OFFSET_MS
    return SentEntry(
        id=_id(one.get("id")),
        number=_whole(one.get("number"), most=2**31 - 1),
        kind=str(one.get("kind", "")).replace("\x00", ""),
        facts=_storable(one.get("facts", {})),
        device_at=_moment(one.get("at")),
        offset_ms=offset if known else None,
    )


def _storable(facts: Any) -> Any:
    """JSON without the one character that PostgreSQL does not keep in it."""
    return json.loads(json.dumps(facts).replace("\\u0000", ""))


def _id(value: Any) -> uuid.UUID:
    if not isinstance(value, str):
        raise ValueError("an id is not text")
    return uuid.UUID(value)


def _whole(value: Any, *, most: int) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 < value <= most:
        raise ValueError("not a whole number above 0")
    return value


def _moment(value: Any) -> dt.datetime:
    moment = parse_datetime(value) if isinstance(value, str) else None
    if moment is None or moment.tzinfo is None or not 1970 < moment.year < 9000:
        raise ValueError("not a moment with its zone")
    return moment


class HiveLookForm(forms.Form):
    """What a member decides about an entry of their own that needs a look."""

    answer = forms.ChoiceField(choices=[("mine", _("Take mine")), ("let_go", _("Let it go"))])
    reason = forms.CharField(label=_("Why? (optional)"), max_length=160, required=False)


class LookForm(forms.Form):
    """What a person decides about an entry that needs a look."""

    answer = forms.ChoiceField(choices=[("again", _("Take it in")), ("let_be", _("Leave the record as it is"))])
    reason = forms.CharField(
        label=_("Why?"),
        max_length=160,
        required=False,
        help_text=_("Needed to leave the record as it is, or to set a rule aside."),
    )
