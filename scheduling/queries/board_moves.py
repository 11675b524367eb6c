"""Where the queens of one card could go: each bench day of the board, held against every rule before anything moves."""

import datetime as dt
from dataclasses import dataclass

from django.utils.translation import gettext as _

from accounts.refusals import Refusal
from scheduling.models import BenchSession, Booking, DroneSource, Placement, Plan, SessionState
from scheduling.planning.checker import check_move
from scheduling.planning.mixing import Mixing
from scheduling.planning.moves import Move, plan_after_move
from scheduling.planning.plan import Plan as PurePlan
from scheduling.planning.problem import Placement as PurePlacement
from scheduling.planning.problem import Problem
from scheduling.queries.plan_rows import first_day_of, pure_placement, pure_plan
from scheduling.queries.plan_words import Names, violation_words
from scheduling.queries.problem import problem_of


@dataclass(frozen=True)
class Landing:
    """One bench day: whether the queens may go there, in words why not, and whose semen they would get there."""

    session: BenchSession
    fits: bool
    words: str
    semen: str


def landings(
    plan: Plan,
    booking: Booking,
    *,
    source: DroneSource | None = None,
    queens: int,
    taken_from: Placement | None,
    now: dt.datetime,
) -> list[Landing]:
    """What the checker would say of a move of these queens to each open bench day ahead; nothing is changed.

    source : whose drones they would get; None: mixed semen, as `plan_move` finds it for each day.
    """
    problem = problem_of(plan.season, now=now)
    pure, first = pure_plan(plan, problem), first_day_of(problem)
    sessions = BenchSession.objects.filter(
        season=plan.season, day__gte=first, places__gt=0, state=SessionState.OPEN
    ).select_related("bench")
    found, names = [], Names(problem)
    came_from = pure_placement(taken_from, first) if taken_from else None
    mixing = None
    if source is None:
        mixing = mixing_of(plan, problem, pure, booking, queens=queens, taken_from=came_from)
    for session in sessions.order_by("day", "starts_at"):
        own = source.pk if source is not None else None
        if taken_from is not None and (session.pk, own) == (taken_from.session_id, taken_from.source_id):
            found.append(Landing(session, False, _("%(batch)s stands here.") % {"batch": booking.batch}, ""))
            continue
        bench, day = str(session.bench_id), (session.day - first).days
        if mixing is not None:
            move, broken = mixing.best(bench, day)
        else:
            move = Move(str(booking.pk), bench, day, queens, source=str(own), taken_from=came_from)
            broken = check_move(problem, pure, move)
        words = (
            violation_words(broken[0], problem, names)
            if broken
            else _("%(batch)s fits here") % {"batch": booking.batch}
        )
        semen = "" if broken else str(source or _mixture_words(problem, pure, move, names))
        found.append(Landing(session, not broken, str(words), semen))
    return found


def mixing_of(
    plan: Plan,
    problem: Problem,
    pure: PurePlan,
    booking: Booking,
    *,
    queens: int,
    taken_from: PurePlacement | None,
) -> Mixing:
    """The mixtures that so many queens of the booking could have."""
    wanted = next((one for one in problem.bookings if one.id == str(booking.pk)), None)
    if wanted is None or not wanted.sources:
        raise Refusal(
            _("%(batch)s has no queens or no sources to plan with any more.") % {"batch": booking.batch},
            rule="unknown_booking",
        )
    names = set(plan.pools.values_list("name", flat=True))
    return Mixing(problem, pure, wanted, queens=queens, taken_from=taken_from, taken=names)


def _mixture_words(problem: Problem, pure: PurePlan, move: Move, names: Names) -> str:
    pools = {pool.id: pool for pool in plan_after_move(problem, pure, move).pools}
    assert move.pool is not None
    sources = [names.of({"source": part.source}, amount=0).source for part in pools[move.pool].parts]
    return _("%(sources)s, mixed") % {"sources": ", ".join(sorted(sources))}
