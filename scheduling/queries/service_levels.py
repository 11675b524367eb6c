"""What each service level would bring the season: the last run, and the one that is being worked out."""

import datetime as dt
from dataclasses import dataclass

from django.db.models import QuerySet
from django.utils.translation import gettext as _

from accounts.models import Job, JobState
from accounts.models.job import OPEN_STATES
from accounts.refusals import Refusal
from scheduling.models import Season
from scheduling.planning.problem import Problem
from scheduling.planning.service_curve import LEVELS, Point
from scheduling.queries.problem import problem_of
from scheduling.queries.season import settings_of

KIND = "service_levels"
SETTING = "service_level_share"


@dataclass(frozen=True)
class Levels:
    """A finished run. first_day: the day it was worked out for."""

    job: Job
    first_day: dt.date
    points: list[Point]

    def at(self, level: float) -> Point | None:
        return next((point for point in self.points if abs(point.level - level) < 1e-6), None)


def levels_of(season: Season) -> list[float]:
    """Planning on the mean, three levels to choose from, and the season's own."""
    return sorted({*LEVELS, float(settings_of(season).service_level_share)})


def levels_problem(season: Season, *, now: dt.datetime) -> Problem:
    """The season to be planned; refused while there is nothing to plan."""
    problem = problem_of(season, now=now)
    if not problem.bookings:
        raise Refusal(_("Nobody asks for a place yet, so there is nothing to plan."), rule="plan_needs_bookings")
    if not any(day.op_minutes for bench in problem.benches for day in bench.days):
        raise Refusal(_("There is no bench day ahead. Open a bench session first."), rule="plan_needs_sessions")
    return problem


def levels_open_run(season: Season) -> Job | None:
    return _runs(season).filter(state__in=OPEN_STATES).first()


def levels_last(season: Season) -> Levels | None:
    """The newest finished run."""
    job = _runs(season).filter(state=JobState.READY).first()
    if job is None:
        return None
    points = [Point(**point) for point in job.result["points"]]
    return Levels(job, dt.date.fromisoformat(job.result["first_day"]), points)


def levels_newest_run(season: Season) -> Job | None:
    return _runs(season).first()


def _runs(season: Season) -> QuerySet[Job]:
    return Job.objects.filter(kind=KIND, cooperative=season.cooperative_id, arguments__season=season.pk).order_by(
        "-requested_at", "-pk"
    )
