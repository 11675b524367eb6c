"""The last step of a plan: nobody stays without a place where there is room for her."""

from __future__ import annotations

from collections import Counter

from .checker import check_move
from .moves import Move, plan_after_move
from .plan import Plan
from .problem import Problem
from .reasons import Explainer


def filled(problem: Problem, plan: Plan) -> Plan:
    """Return the plan with queens put wherever single places are free, the most urgent bookings first.

    Parameters
    ----------
    problem : Problem
    plan : Plan
        A valid plan.

    Returns
    -------
    Plan
        Valid; nobody in it lost a place. Pools are left as they are.
    """
    more, served = True, Counter[str]()
    for placement in plan.assign:
        served[placement.booking] += placement.queens
    while more:  # the share cap leaves more room once more is placed
        before = plan
        plan = _filled_once(problem, plan, served)
        more = plan is not before
    return plan


def _filled_once(problem: Problem, plan: Plan, served: Counter[str]) -> Plan:
    explainer: Explainer | None = None  # of the plan as it is now
    for booking in sorted(problem.bookings, key=lambda booking: (booking.last_day, booking.id)):
        if booking.mode == "pool":
            continue
        for _ in range(booking.queens - served[booking.id]):
            explainer = explainer or Explainer(problem, plan)
            places = explainer.free_places(booking)
            moves = (Move(booking.id, bench, day, 1, source=source) for bench, day, source in places)
            move = next((move for move in moves if not check_move(problem, plan, move)), None)
            if move is None:
                break
            plan, explainer = plan_after_move(problem, plan, move), None
            served[booking.id] += 1
    return plan
