"""What nobody was told of in time: listed for the coordinators, never sent afterwards."""

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable

from django.urls import reverse

from accounts.models import Person, Role, RoleGrant
from accounts.told import Moment
from accounts.told import told as _
from scheduling.models import Reminder
from scheduling.queries.tellings import zone_of_reminder
from scheduling.reminder_kinds import KINDS
from scheduling.services.reminder_rows import Wanted, reminders_set

MISSED_KINDS = ["missed_step"]


def missed_report(missed: Iterable[Reminder], *, now: dt.datetime) -> None:
    """Write, for each coordinator, that a critical reminder was not told in time. Part of the tick's transaction.

    missed : rows with their cooperative and member fetched.
    """
    rows = [row for row in missed if KINDS[row.kind].critical and row.kind not in MISSED_KINDS]
    coordinators: dict[int, list[Person]] = defaultdict(list)
    grants = RoleGrant.objects.filter(
        cooperative__in={row.cooperative_id for row in rows}, role=Role.COORDINATOR, person__is_active=True
    )
    for grant in grants.select_related("person"):
        coordinators[grant.cooperative_id].append(grant.person)
    for row in rows:
        moment = Moment(row.due_at, zone_of_reminder(row))
        reminders_set(
            row,
            [
                Wanted(
                    kind="missed_step",
                    stage=f"p{person.pk}",
                    person=person,
                    due_at=now,
                    title=_("Not told in time: %(title)s") % {"title": row.title},
                    why=_("It was due on %(moment)s, while no reminder went out. Ask %(who)s how things stand there.")
                    % {"moment": moment, "who": row.member or row.person},
                    link=reverse("scheduling:reminder_watch"),
                )
                for person in coordinators[row.cooperative_id]
            ],
            cooperative=row.cooperative,
            kinds=MISSED_KINDS,
            now=now,
        )
