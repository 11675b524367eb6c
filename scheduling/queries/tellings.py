"""Who is told of a reminder, and when: its ladder, and the circle of people that each rung of it reaches."""

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field

from django.db.models import QuerySet

from accounts.models import (
    Channel,
    Cooperative,
    MemberPerson,
    NotificationWish,
    Person,
    ReminderLead,
    Role,
    RoleGrant,
)
from scheduling.models import Reminder
from scheduling.planning.timing import LadderTimes, Matter, Rung, To, ladder
from scheduling.reminder_kinds import KINDS


def reminders_to_tell(rows: QuerySet[Reminder]) -> QuerySet[Reminder]:
    """With all that a ladder and its circles read."""
    return rows.select_related("cooperative", "member__deputy", "person")


@dataclass(frozen=True)
class Circles:
    """The people around a set of reminders, fetched at once. All are active."""

    of_member: dict[int, list[Person]] = field(default_factory=dict)
    coordinators: dict[int, list[Person]] = field(default_factory=dict)
    leads: dict[tuple[int, str], int] = field(default_factory=dict)
    unwanted: set[tuple[int, str, str]] = field(default_factory=set)

    def own(self, reminder: Reminder) -> list[Person]:
        if reminder.person is not None:
            return [reminder.person] if reminder.person.is_active else []
        return self.of_member.get(reminder.member_id, []) if reminder.member_id else []

    def told(self, reminder: Reminder, rung: Rung, *, now: dt.datetime) -> list[Person]:
        """Return whom this telling reaches, each once.

        When nobody of its own can be reached (nobody signs in there any more, all are paused), the next circle is
        told in their stead, so that no critical reminder falls into the void.
        """
        own = self.own(reminder)
        if rung.lead_min is not None:
            return [person for person in own if self.leads.get((person.pk, reminder.kind)) == rung.lead_min]
        people = {person.pk: person for person in own}
        deputy = reminder.member.deputy if reminder.member else None
        deputies = [deputy] if deputy is not None and deputy.is_active else []
        critical = KINDS[reminder.kind].critical
        if rung.to != To.OWN or (critical and not _any_reached(own, now)):
            people.update({person.pk: person for person in deputies})
        if rung.to == To.COORDINATORS or (critical and not _any_reached([*own, *deputies], now)):
            people.update({person.pk: person for person in self.coordinators.get(reminder.cooperative_id, [])})
        return list(people.values())

    def wants(self, person: Person, kind: str, channel: str) -> bool:
        return (person.pk, kind, channel) not in self.unwanted


def circles_of(reminders: Iterable[Reminder]) -> Circles:
    """Fetch the people around these rows (of `reminders_to_tell`) in five queries, however many they are."""
    rows = list(reminders)
    of_member: dict[int, list[Person]] = defaultdict(list)
    members = {row.member_id for row in rows if row.person_id is None and row.member_id}
    for link in MemberPerson.objects.filter(member__in=members, person__is_active=True).select_related("person"):
        of_member[link.member_id].append(link.person)
    coordinators: dict[int, list[Person]] = defaultdict(list)
    grants = RoleGrant.objects.filter(
        cooperative__in={row.cooperative_id for row in rows}, role=Role.COORDINATOR, person__is_active=True
    )
    for grant in grants.select_related("person"):
        coordinators[grant.cooperative_id].append(grant.person)
    people = {person.pk for group in [*of_member.values(), *coordinators.values()] for person in group}
    people |= {row.person_id for row in rows if row.person_id}
    people |= {row.member.deputy_id for row in rows if row.member and row.member.deputy_id}
    kinds = {row.kind for row in rows}
    leads = ReminderLead.objects.filter(person__in=people, kind__in=kinds)
    wishes = NotificationWish.objects.filter(person__in=people, kind__in=kinds, wanted=False)
    return Circles(
        dict(of_member),
        dict(coordinators),
        {(lead.person_id, lead.kind): lead.minutes for lead in leads},
        set(wishes.values_list("person_id", "kind", "channel")),
    )


def ladder_of(reminder: Reminder, circles: Circles) -> list[Rung]:
    """Return every telling of a reminder, in order of time."""
    leads = (circles.leads.get((person.pk, reminder.kind)) for person in circles.own(reminder))
    return ladder(
        Matter(
            due_at=reminder.due_at,
            useful_until=reminder.useful_until,
            created_at=reminder.created_at,
            zone=zone_of_reminder(reminder),
            is_whole_day=reminder.wall_date is not None,
            is_passed_on=KINDS[reminder.kind].passes_on,
            was_put_off=reminder.due_at != reminder.base_due_at,
            leads_min=[lead for lead in leads if lead is not None],
        ),
        ladder_times(reminder.cooperative),
    )


def ladder_times(cooperative: Cooperative) -> LadderTimes:
    return LadderTimes(
        cooperative.deputy_after_min,
        cooperative.coordinator_after_min,
        cooperative.deputy_after_day_min,
        cooperative.coordinator_after_day_min,
    )


def zone_of_reminder(reminder: Reminder) -> str:
    """The clock that its people live by."""
    return reminder.wall_zone or reminder.cooperative.time_zone


def zone_of_person(person: Person, cooperative: Cooperative) -> str:
    return person.time_zone or cooperative.time_zone


def outside_channels(reminder: Reminder, person: Person, circles: Circles, reachable: dict[str, set[int]]) -> list[str]:
    """Return by which channels besides the app a person is told.

    `reachable` : people of each channel who can be reached by it at all. Of a critical kind one way out always
    stays, whatever was switched off: the first of those the person has.
    """
    ways: list[str] = [channel for channel in Channel if person.pk in reachable.get(channel, set())]
    chosen = [channel for channel in ways if circles.wants(person, reminder.kind, channel)]
    if not chosen and KINDS[reminder.kind].critical:
        return ways[:1]
    return chosen


def _any_reached(people: Iterable[Person], now: dt.datetime) -> bool:
    return any(not is_paused(person, now) for person in people)


def is_paused(person: Person, now: dt.datetime) -> bool:
    return person.reminders_paused_until is not None and person.reminders_paused_until > now
