"""Working out what each service level would bring this season, so that the coordinator chooses one knowingly."""

import datetime as dt
from dataclasses import asdict
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Job, JobState, Person
from accounts.refusals import Refusal
from accounts.services.jobs import JobHandle, Stopped, job_ask
from scheduling.models import Season
from scheduling.planning.checker import check
from scheduling.planning.plan import Plan
from scheduling.planning.problem import Problem
from scheduling.queries.problem import problem_and_truth
from scheduling.queries.service_levels import KIND, levels_of, levels_open_run, levels_problem

SECONDS_A_LEVEL = 8.0
SEED = 1


def service_levels_ask(season: Season, *, by: Person, now: dt.datetime, seconds: float = SECONDS_A_LEVEL) -> Job:
    """Put it in line. While it is being worked out, that run is returned."""
    if season.closed_at is not None:
        raise Refusal(_("%(season)s is closed.") % {"season": season}, rule="season_closed")
    with transaction.atomic():
        season = Season.objects.select_for_update(of=("self",)).get(pk=season.pk)
        running = levels_open_run(season)
        if running is not None:
            return running
        levels_problem(season, now=now)
        return job_ask(
            KIND, cooperative=season.cooperative, by=by, now=now, arguments={"season": season.pk, "seconds": seconds}
        )


def service_levels_job(handle: JobHandle) -> dict[str, Any]:
    """The worker's part: plan the season at each level, live each plan through. What is done when stopped is kept."""
    from scheduling.planning.service_curve import service_curve
    from scheduling.planning.solver import solve

    season = Season.objects.select_related("cooperative").get(pk=handle.arguments["season"])
    handle.report(JobState.READING, step=_("Reading requests, sessions and drones"))
    problem, truth = problem_and_truth(season, now=handle.now)
    levels = levels_of(season)
    points: list[dict[str, Any]] = []

    def plan(asked: Problem) -> Plan | None:
        _tell(handle, levels[len(points)], len(points) / len(levels))
        found = solve(
            asked,
            goal="all" if season.even_shares_first else "served",
            cpu_seconds=float(handle.arguments["seconds"]),
            seed=SEED,
            progress=lambda _progress: _tell(handle, levels[len(points)], len(points) / len(levels)),
            should_stop=handle.should_stop,
        )
        if handle.should_stop():
            return None
        if check(asked, found):
            raise Refusal(_("No plan keeps every rule, at any level: open more bench days or sources."))
        return found

    for point in service_curve(problem, truth, plan, levels=levels):
        points.append(asdict(point))
    if not points:
        raise Stopped
    return {"season": season.pk, "first_day": problem.meta["first_day"], "points": points}


def _tell(handle: JobHandle, level: float, done_share: float) -> None:
    step = _("Planning the season at %(level)d %%") % {"level": round(100 * level)}
    try:
        handle.report(JobState.WORKING, step=step, done_share=done_share)
    except Stopped:
        return  # should_stop ends the search, and the levels that are done are kept
