"""The last step of a plan: nobody stays without a place where there is room for her."""

from __future__ import annotations

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
    for booking in sorted(problem.bookings, key=lambda booking: (booking.last_day, booking.id)):
        if booking.mode == "pool":
            continue
        placed = sum(placement.queens for placement in plan.assign if placement.booking == booking.id)
        for _ in range(booking.queens - placed):
            places = Explainer(problem, plan).free_places(booking)
            moves = (Move(booking.id, bench, day, 1, source=source) for bench, day, source in places)
            move = next((move for move in moves if not check_move(problem, plan, move)), None)
            if move is None:
                break
            plan = plan_after_move(problem, plan, move)
    return plan
