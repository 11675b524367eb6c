"""A queen registered with all that is known of her at once: herself, her mating, the colony she heads."""

import datetime as dt
from typing import Any

from django.db import transaction

from accounts.models import Member, Person
from breeding.models import Colony, Queen
from breeding.services.colonies import colony_requeen
from breeding.services.matings import mating_record
from breeding.services.queens import queen_register
from breeding.services.rules import local_day


def queen_introduce(
    owner: Member,
    *,
    queen: dict[str, Any],
    mating: dict[str, Any] | None = None,
    colony: Colony | None = None,
    since: dt.date | None = None,
    by: Person | None,
    now: dt.datetime,
) -> Queen:
    """All of it or nothing: what one part refuses, none of the others keeps."""
    with transaction.atomic():
        new = queen_register(owner, by=by, now=now, **queen)
        if mating is not None:
            mating_record(new, by=by, now=now, **mating)
        if colony is not None:
            colony_requeen(colony, queen=new, since=since or local_day(now, owner.cooperative), by=by, now=now)
    return new
