"""Reminders of what runs out: stored semen, health certificates. And the news that new values are ready.

Each is written in the transaction of whatever sets its day.
"""

import datetime as dt

from django.urls import reverse

from accounts.models import Cooperative, Job, Member, Person, Role, RoleGrant
from accounts.told import told as _
from breeding.models import EvaluationRun
from scheduling.models import DroneSource, LotState, Reminder, SemenLot
from scheduling.planning.timing import days_later, local_day, local_to_utc, lot_steps
from scheduling.queries.lots import lot_view
from scheduling.queries.season import settings_of
from scheduling.queries.sources import zone_name_of_source
from scheduling.queries.words import told_words, volume_told
from scheduling.services.reminder_rows import Wall, Wanted, reminders_set
from scheduling.services.reminders import DAY_ENDS, TOLD_AT

LOT_KINDS = ["lot_limit"]
HEALTH_KINDS = ["health_ends"]
READY_KINDS = ["evaluation_ready"]
# Lead times are choices of this app, not figures of the trade.
LOT_LEAD_DAYS = 7
HEALTH_LEAD_DAYS = 14


def reminders_refresh_lot(lot: SemenLot, *, now: dt.datetime, by: Person | None = None) -> None:
    """Tell the bench before stored semen leaves normal use, and before it is blocked; nothing once it is gone."""
    lot = SemenLot.objects.select_related("session__season__cooperative", "session__bench").get(pk=lot.pk)
    season = lot.session.season
    left = lot_view(lot).left
    wanted: list[Wanted] = []
    if lot.state == LotState.STORED and left > 0:
        zone = season.cooperative.time_zone
        people = people_with_role(season.cooperative, Role.OPERATOR, Role.COORDINATOR)
        normal, block = _("last day of normal use"), _("last day before the block")
        for step in lot_steps(local_day(lot.opened_at, zone), settings_of(season)):
            if step.hard_limit is not None and lot.viability_checked_on is not None:
                continue
            told_on = step.best if step.hard_limit is None else days_later(step.best, -LOT_LEAD_DAYS)
            wall = Wall(told_on, TOLD_AT, zone)
            wanted += [
                Wanted(
                    kind="lot_limit",
                    stage=_for("normal" if step.hard_limit is None else "limit", person),
                    person=person,
                    due_at=wall.moment,
                    wall=wall,
                    useful_until=local_to_utc(step.best, DAY_ENDS, zone),
                    title=_("Semen %(lot)s, %(left)s: %(what)s on %(day)s")
                    % {
                        "lot": lot,
                        "left": volume_told(left),
                        "what": normal if step.hard_limit is None else block,
                        "day": step.best,
                    },
                    why=told_words(step.why),
                    link=reverse("scheduling:bench"),
                )
                for person in people
            ]
    reminders_set(lot, wanted, cooperative=season.cooperative, kinds=LOT_KINDS, now=now, by=by)


def reminders_refresh_source(source: DroneSource, *, now: dt.datetime, by: Person | None = None) -> None:
    """Tell the keeper before a health certificate ends, and keeper and coordinator on its last day."""
    season, until = source.season, source.health_valid_until
    wanted: list[Wanted] = []
    if until is not None and source.withdrawn_at is None and until <= season.ends_on:
        zone = zone_name_of_source(source)
        title = _("Health certificate of %(source)s ends on %(day)s") % {"source": source, "day": until}
        why = _(
            "Afterwards nobody can ask for its drones. The veterinary authority issues a new one; local rules apply."
        )
        link = reverse("scheduling:source", args=[source.pk])
        ends = local_to_utc(until, DAY_ENDS, zone)
        lead, last = Wall(days_later(until, -HEALTH_LEAD_DAYS), TOLD_AT, zone), Wall(until, TOLD_AT, zone)
        at_end: list[tuple[str, Member | None, Person | None]] = [("last", source.member, None)]
        at_end += [
            (_for("last", person), None, person) for person in people_with_role(season.cooperative, Role.COORDINATOR)
        ]
        wanted = [
            Wanted(
                "health_ends",
                wall.moment,
                title,
                why,
                link,
                stage=stage,
                member=member,
                person=person,
                useful_until=useful_until,
                wall=wall,
            )
            for wall, useful_until, (stage, member, person) in [
                (lead, last.moment, ("soon", source.member, None)),
                *((last, ends, telling) for telling in at_end),
            ]
        ]
    reminders_set(source, wanted, cooperative=season.cooperative, kinds=HEALTH_KINDS, now=now, by=by)


def evaluation_ready(job: Job, *, now: dt.datetime) -> None:
    """Tell whoever asked, and the breeders unless it was a trial; a newer run takes the place of unread news.

    The evaluation of the night is told in the morning.
    """
    run = EvaluationRun.objects.filter(job=job).first()
    if run is None:
        return
    cooperative, asked_by = job.cooperative, job.requested_by
    people = {} if run.is_trial else {person.pk: person for person in people_with_role(cooperative, Role.BREEDER)}
    if asked_by is not None:
        people[asked_by.pk] = asked_by
    due_at = now if asked_by is not None else _next_morning(now, cooperative.time_zone)
    what = _("Trial evaluation %(number)d is ready") if run.is_trial else _("Evaluation %(number)d is ready")
    wanted = [
        Wanted(
            kind="evaluation_ready",
            stage=_for("trial" if run.is_trial else "run", person),
            person=person,
            due_at=due_at,
            title=what % {"number": str(run.number)},
            why=_("%(records)d results of %(queens)d queens, until %(day)s.")
            % {"records": run.records, "queens": run.queens, "day": run.records_until},
            link=reverse("breeding:standing"),
        )
        for _pk, person in sorted(people.items())
    ]
    others = _told_already(cooperative, "run" if run.is_trial else "trial")
    reminders_set(cooperative, [*wanted, *others], cooperative=cooperative, kinds=READY_KINDS, now=now)


def _told_already(cooperative: Cooperative, stage: str) -> list[Wanted]:
    """News of the other sort stays as it stands."""
    rows = Reminder.objects.filter(
        cooperative=cooperative, kind__in=READY_KINDS, stage__startswith=stage, state="wanted"
    ).select_related("person")
    return [
        Wanted(row.kind, row.base_due_at, row.title, row.why, row.link, stage=row.stage, person=row.person)
        for row in rows
    ]


def _next_morning(now: dt.datetime, zone: str) -> dt.datetime:
    today = local_to_utc(local_day(now, zone), TOLD_AT, zone)
    return today if today >= now else local_to_utc(days_later(local_day(now, zone), 1), TOLD_AT, zone)


def _for(stage: str, person: Person) -> str:
    """One row a person: a stage is unique for its subject, kind and moment."""
    return f"{stage} p{person.pk}"


def people_with_role(cooperative: Cooperative, *roles: str) -> list[Person]:
    held = RoleGrant.objects.filter(cooperative=cooperative, role__in=roles).values("person")
    return list(Person.objects.filter(pk__in=held, is_active=True).order_by("pk"))
