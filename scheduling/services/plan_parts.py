"""A season that falls into parts is worked out by as many workers as there are; the plan is the same with one.

Each part is a job of its own, with the facts as the whole run read them. The run that asked for them works parts out
itself while there are free ones, waits for those that others hold, and puts the plans together. A part writes nothing
but its own result, so a stale or doubled one can publish nothing.
"""

import contextlib
import hashlib
import json
import threading
import uuid
from collections.abc import Sequence
from typing import Any

from django.utils import timezone
from django.utils.translation import gettext as _

from accounts.models import Job, JobState
from accounts.models.job import OPEN_STATES
from accounts.services.jobs import JobHandle, Stopped, job_ask, job_run, lease_from
from scheduling.planning.components import components, merged, shared_seconds
from scheduling.planning.goals import Goal
from scheduling.planning.plan import Plan, plan_from_json, plan_to_json
from scheduling.planning.problem import Problem
from scheduling.planning.problem_file import problem_from_json, problem_to_json
from scheduling.planning.solver import Progress, solve

JOB = "plan_part"
LOOK_SECONDS = 0.5  # how often the waiting run looks whether others are done


def solved_in_parts(handle: JobHandle, problem: Problem, *, goal: Goal, seconds: float, seed: int) -> Plan | None:
    """Plan a season part by part; None where it is one piece."""
    parts = components(problem, goal)
    if len(parts) < 2:
        return None
    asked = [
        _ask(handle.job, number, part, goal=goal, seconds=part_seconds, seed=seed)
        for number, (part, part_seconds) in enumerate(zip(parts, shared_seconds(parts, seconds), strict=True))
    ]
    _work_out(handle, asked)
    plans = []
    for job in Job.objects.filter(pk__in=[job.pk for job in asked]).order_by("pk"):
        if job.state != JobState.READY:
            raise RuntimeError(f"part {job.pk} of job {handle.job.pk} ended without a plan: {job.problem}")
        plans.append(plan_from_json(job.result["plan"]))
    return merged(problem, parts, plans)


def plan_part_job(handle: JobHandle) -> dict[str, Any]:
    """The worker's part of a part."""
    parent = int(handle.arguments["parent"])
    handle.report(JobState.WORKING)
    plan = solve(
        problem_from_json(handle.arguments["problem"]),
        goal=handle.arguments["goal"],
        cpu_seconds=float(handle.arguments["seconds"]),
        seed=int(handle.arguments["seed"]),
        progress=lambda progress: _report(handle, progress),
        should_stop=lambda: handle.should_stop() or _is_stopped(parent),
    )
    return {"plan": plan_to_json(plan)}


def _ask(parent: Job, number: int, part: Problem, *, goal: Goal, seconds: float, seed: int) -> Job:
    """The same part of the same facts is the same job, also for a run that was taken over by another worker."""
    facts = problem_to_json(part)
    mark = hashlib.sha256(json.dumps([facts, goal, seconds, seed], sort_keys=True).encode()).hexdigest()
    return job_ask(
        JOB,
        cooperative=parent.cooperative,
        by=parent.requested_by,
        now=timezone.now(),
        key=uuid.uuid5(parent.key, f"{number} {mark}"),
        arguments={
            "parent": parent.pk,
            "problem": facts,
            "goal": goal,
            "seconds": seconds,
            "seed": seed,
            "requested": part.requested,
        },
    )


def _work_out(handle: JobHandle, jobs: Sequence[Job]) -> None:
    """Until every part has ended: take up free ones, wait for those that others hold, until their lease ends."""
    pks = [job.pk for job in jobs]
    pause = threading.Event()
    while (still := list(_open(pks))) != []:
        worked = [job_run(pk, now=timezone.now()) for pk in still]
        with contextlib.suppress(Stopped):  # the parts see it too, and keep their best so far
            handle.report()
        if not any(worked):
            pause.wait(LOOK_SECONDS)


def _open(pks: list[int]) -> list[int]:
    return list(Job.objects.filter(pk__in=pks, state__in=OPEN_STATES).order_by("pk").values_list("pk", flat=True))


def _is_stopped(parent: int) -> bool:
    """The whole run was asked to stop, or is gone."""
    return not Job.objects.filter(pk=parent, state__in=OPEN_STATES, stop_requested_at__isnull=True).exists()


def _report(handle: JobHandle, progress: Progress) -> None:
    """Tell of the part, and of all parts together on the run that waits for them; that run stays held meanwhile."""
    if progress.step != "working_out":
        return
    try:
        handle.report(best={"served": progress.served, "bound": progress.bound})
    except Stopped:
        return  # should_stop ends the search
    parent = int(handle.arguments["parent"])
    parts = Job.objects.filter(kind=JOB, arguments__parent=parent).values_list("arguments__requested", "best")
    best = {
        "served": sum(best.get("served", 0) for _requested, best in parts),
        "requested": sum(requested for requested, _best in parts),
        "bound": sum(best.get("bound", requested) for requested, best in parts),
    }
    words = _("Best so far: %(served)d of %(requested)d queens, at most %(bound)d possible") % best
    held = Job.objects.filter(pk=parent, state__in=OPEN_STATES, lease_until__isnull=False)
    held.update(best=best, step=words[:200], lease_until=lease_from(timezone.now()))
