"""The whole practice season, made in one transaction: all of it or nothing."""

import datetime as dt
from dataclasses import dataclass

import numpy as np
from django.db import transaction
from django.db.models import F

from accounts.models import Cooperative
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from accounts.services.jobs import job_run
from breeding.models import EvaluationRun, Merit, Queen, QueenStatus
from breeding.queries.ranking import latest_run
from breeding.services.evaluation.asking import evaluation_ask
from breeding.services.rules import local_day
from scheduling.models import Reminder, ReminderState, Season
from scheduling.planning.timing import elapsed_after
from scheduling.reminder_kinds import KINDS
from scheduling.services.practice.accuracy import MADE
from scheduling.services.practice.bench import tell_sessions
from scheduling.services.practice.crowd import tell_crowd
from scheduling.services.practice.drones import tell_sources
from scheduling.services.practice.names import MEMBERS, members_invented
from scheduling.services.practice.past import past_make
from scheduling.services.practice.pedigree import SIZES
from scheduling.services.practice.people import People, people_make
from scheduling.services.practice.plot import BATCHES, SEASON_FROM, SEASON_TO, SETTINGS, SOURCES
from scheduling.services.practice.rearing import tell_batches
from scheduling.services.practice.requests import tell_requests
from scheduling.services.practice.settings import settings_make
from scheduling.services.practice.stock import stock_make
from scheduling.services.practice.timeline import Timeline
from scheduling.services.practice.world import World
from scheduling.services.season import season_open

SEED = 3_141
MOTHERS = 14
SOURCES_PER_LINE = 3
PAST_SEASONS = 4


@dataclass(frozen=True)
class Made:
    cooperative: Cooperative
    run: EvaluationRun
    season: Season


def practice_make(*, size: str = "standard", seconds: float = 2.0, now: dt.datetime) -> Made:
    """Make the practice cooperative with its stock, one evaluation and a running season around `now`.

    `seconds`: how long each of its plans may be searched. Refused when any cooperative exists.
    """
    with transaction.atomic():
        if Cooperative.objects.exists():
            raise Refusal("There is a cooperative already; the practice season is for an empty database.")
        rng = np.random.default_rng(SEED)
        scale = SIZES[size]
        people = people_make(now=now, names=members_invented(scale.members))
        breeder = people.offices["breeder"]
        today = local_day(now, people.cooperative)
        truth = stock_make(people, last_year=today.year - 1, size=scale, rng=rng, by=breeder, now=now)
        audit_record(
            people.cooperative,
            action=MADE,
            by=None,
            now=now,
            cooperative=people.cooperative,
            after={"size": size, "true_merit": truth},
        )
        run = _evaluate(people, now=now)
        is_large = scale.members > len(MEMBERS)
        season = _season(people, run, rng, is_large=is_large, seconds=seconds, now=now)
        if is_large:
            years = range(today.year - PAST_SEASONS, today.year)
            past_make(people, years=years, benches=list(people.cooperative.benches.order_by("pk")), now=now)
    return Made(people.cooperative, run, season)


def _evaluate(people: People, *, now: dt.datetime) -> EvaluationRun:
    job = evaluation_ask(people.cooperative, by=people.offices["breeder"], now=now)
    job_run(job.pk, now=now)
    run = latest_run(people.cooperative)
    if run is None:
        job.refresh_from_db()
        raise Refusal(f"The practice evaluation failed: {job.problem}", rule="practice_evaluation")
    return run


def _season(
    people: People, run: EvaluationRun, rng: np.random.Generator, *, is_large: bool, seconds: float, now: dt.datetime
) -> Season:
    line = Timeline(now=now, zone=people.cooperative.time_zone)
    opened = line.moment(SEASON_FROM - 10, 9)
    coordinator = people.offices["coordinator"]
    first = line.day(SEASON_FROM)
    season = season_open(
        people.cooperative,
        year=first.year,
        starts_on=first,
        ends_on=line.day(SEASON_TO),
        by=coordinator,
        now=opened,
    )
    settings_make(season, SETTINGS, by=coordinator, now=opened)
    drone_queens, mothers = _chosen_queens(run)
    world = World(people, season, line, rng)
    tell_sources(world, drone_queens)
    tell_batches(world, mothers)
    tell_sessions(world)
    tell_requests(world, seconds=seconds)
    if is_large:
        tell_crowd(world, run)
    line.run()
    _tell_the_past(people, now=now)
    return season


def _tell_the_past(people: People, *, now: dt.datetime) -> None:
    """What was due before today was told then: nobody wants the reminders of a whole spring at the first tick."""
    past = Reminder.objects.filter(
        cooperative=people.cooperative, state=ReminderState.WANTED, due_at__lt=elapsed_after(now, -1)
    )
    past.update(told_at=F("due_at"), tell_at=None)
    news = [kind.key for kind in KINDS.values() if kind.is_news]
    past.filter(kind__in=news, useful_until__lt=now).update(state=ReminderState.EXPIRED, ended_at=F("useful_until"))


def _chosen_queens(run: EvaluationRun) -> tuple[list[Queen], list[Queen]]:
    """The best living mated queens: drone-producing queens of several lines, then mothers among the next."""
    merits = (
        Merit.objects.filter(run=run, queen__status=QueenStatus.MATED)
        .select_related("queen__owner", "queen__line")
        .order_by("-merit", "queen__label")
    )
    drone_queens: list[Queen] = []
    mothers: list[Queen] = []
    of_line: dict[int | None, int] = {}
    for merit in merits:
        queen = merit.queen
        if len(drone_queens) < len(SOURCES) and of_line.get(queen.line_id, 0) < SOURCES_PER_LINE:
            of_line[queen.line_id] = of_line.get(queen.line_id, 0) + 1
            drone_queens.append(queen)
        elif len(mothers) < min(MOTHERS, len(BATCHES)):
            mothers.append(queen)
    return drone_queens, mothers
