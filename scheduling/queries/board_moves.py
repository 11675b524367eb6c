"""Where the queens of one card could go: each bench day of the board, held against every rule before anything moves."""

import datetime as dt
from dataclasses import dataclass

from django.utils.translation import gettext as _

from scheduling.models import BenchSession, Booking, DroneSource, Placement, Plan, SessionState
from scheduling.planning.checker import check_move
from scheduling.planning.moves import Move
from scheduling.queries.plan_rows import first_day_of, pure_placement, pure_plan
from scheduling.queries.plan_words import Names, violation_words
from scheduling.queries.problem import problem_of


@dataclass(frozen=True)
class Landing:
    """One bench day: whether the queens may go there, and in words why not."""

    session: BenchSession
    fits: bool
    words: str


def landings(
    plan: Plan, booking: Booking, *, source: DroneSource, queens: int, taken_from: Placement | None, now: dt.datetime
) -> list[Landing]:
    """What the checker would say of a move of these queens to each open bench day ahead; nothing is changed."""
    problem = problem_of(plan.season, now=now)
    pure, first = pure_plan(plan, problem), first_day_of(problem)
    sessions = BenchSession.objects.filter(
        season=plan.season, day__gte=first, places__gt=0, state=SessionState.OPEN
    ).select_related("bench")
    found, names = [], Names(problem)
    for session in sessions.order_by("day", "starts_at"):
        if taken_from is not None and (session.pk, source.pk) == (taken_from.session_id, taken_from.source_id):
            found.append(Landing(session, False, _("%(batch)s stands here.") % {"batch": booking.batch}))
            continue
        move = Move(
            booking=str(booking.pk),
            bench=str(session.bench_id),
            day=(session.day - first).days,
            queens=queens,
            source=str(source.pk),
            taken_from=pure_placement(taken_from, first) if taken_from else None,
        )
        broken = check_move(problem, pure, move)
        words = (
            violation_words(broken[0], problem, names)
            if broken
            else _("%(batch)s fits here") % {"batch": booking.batch}
        )
        found.append(Landing(session, not broken, str(words)))
    return found
