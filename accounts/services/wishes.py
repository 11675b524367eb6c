"""How a person wants to be told."""

import datetime as dt
from collections.abc import Mapping

from django.db import transaction

from accounts.models import Cooperative, NotificationWish, Person
from accounts.services.audit import audit_record


def wishes_set(
    person: Person,
    *,
    wanted: Mapping[tuple[str, str], bool],
    cooperative: Cooperative | None,
    by: Person,
    now: dt.datetime,
) -> int:
    """Keep, for each (kind, channel), whether the person wants it. Returns how many wishes changed."""
    with transaction.atomic():
        stored = {(row.kind, row.channel): row for row in NotificationWish.objects.filter(person=person)}
        changed = {}
        for (kind, channel), wish in wanted.items():
            row = stored.get((kind, channel))
            if (row.wanted if row else True) == wish:
                continue
            NotificationWish.objects.update_or_create(
                person=person, kind=kind, channel=channel, defaults={"wanted": wish}
            )
            changed[f"{kind}/{channel}"] = wish
        if changed:
            audit_record(
                person,
                action="wishes.set",
                by=by,
                now=now,
                cooperative=cooperative,
                before={key: not wish for key, wish in changed.items()},
                after=changed,
            )
    return len(changed)
