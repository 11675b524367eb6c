"""Many reminders at once, straight into the tables: each is one person's, and its title is found again in one mail."""

import argparse
import datetime as dt
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # the models need settings, which the commands below read first
    from accounts.models import Cooperative, Member

CHUNK = 2_000


def write_due(
    count: int,
    *,
    due_at: dt.datetime,
    over_seconds: float = 0.0,
    kind: str = "cage_cells",
    people: int = 50,
    useful_for: dt.timedelta | None = None,
    first: int = 0,
) -> None:
    """Write `count` reminders due from `due_at` on, spread evenly over so many seconds, for `people` people in turn.

    Row n is titled "Step n" and goes to the person of `address_of(n)`. Whoever is missing is made.
    """
    from scheduling.models import Reminder
    from scheduling.reminder_kinds import KINDS

    cooperative, members = _cooperative(people)
    useful = KINDS[kind].useful_for if useful_for is None else useful_for
    rows = []
    for number in range(first, first + count):
        moment = due_at + dt.timedelta(seconds=over_seconds * (number - first) / count)
        rows.append(
            Reminder(
                cooperative=cooperative,
                member=members[number % people],
                kind=kind,
                subject_type="scheduling.queenbatch",
                subject_id=number + 1,
                due_at=moment,
                base_due_at=moment,
                tell_at=moment,
                useful_until=moment + useful,
                critical=KINDS[kind].critical,
                title=title_of(number),
                why="What was recorded says so.",
                link="/batches/1/",
                created_at=due_at - dt.timedelta(days=3),
            )
        )
    Reminder.objects.bulk_create(rows, batch_size=CHUNK)


def title_of(number: int) -> str:
    return f"Step {number:06d}"


def address_of(number: int, people: int = 50) -> str:
    return f"keeper{number % people}@example.org"


def expected(count: int, people: int = 50, first: int = 0) -> set[tuple[str, str]]:
    """Address and subject of every mail that must go out."""
    return {(address_of(number, people), title_of(number)) for number in range(first, first + count)}


def _cooperative(people: int) -> "tuple[Cooperative, list[Member]]":
    from accounts.models import Cooperative, Member, MemberPerson, Person, Role, RoleGrant

    cooperative, made = Cooperative.objects.get_or_create(name="Upper valley", defaults={"time_zone": "Europe/Berlin"})
    if made:
        for name in ("Ise", "Ula"):
            person = Person.objects.create_user(f"{name.lower()}@example.org", "a long enough password", name=name)
            RoleGrant.objects.create(person=person, cooperative=cooperative, role=Role.COORDINATOR)
    known = list(Member.objects.filter(cooperative=cooperative).order_by("pk"))
    for number in range(len(known), people):
        member = Member.objects.create(cooperative=cooperative, name=f"Member {number}")
        person = Person.objects.create(
            email=address_of(number, people),
            name=f"Keeper {number}",
            password="!",
            quiet_from=None,  # at whatever hour the tests run
            quiet_until=None,
        )
        MemberPerson.objects.create(member=member, person=person)
        known.append(member)
    return cooperative, known


def main() -> None:
    """For other processes than the test's own, against the installation of the environment."""
    import os

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django

    django.setup()
    from scheduling.services.delivery import database_now

    parser = argparse.ArgumentParser()
    parser.add_argument("count", type=int)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--people", type=int, default=50)
    parser.add_argument("--kind", default="cage_cells")
    parser.add_argument("--from-now", type=float, default=0.0, help="seconds")
    parser.add_argument("--over", type=float, default=0.0, help="seconds")
    parser.add_argument("--useful-for", type=float, default=None, help="hours")
    chosen = parser.parse_args()
    write_due(
        chosen.count,
        due_at=database_now() + dt.timedelta(seconds=chosen.from_now),
        over_seconds=chosen.over,
        kind=chosen.kind,
        people=chosen.people,
        first=chosen.first,
        useful_for=None if chosen.useful_for is None else dt.timedelta(hours=chosen.useful_for),
    )


if __name__ == "__main__":
    main()
