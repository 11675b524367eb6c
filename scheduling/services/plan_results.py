"""What a plan serves, written beside it after a hand move."""

from scheduling.models import Booking, Plan, Unserved
from scheduling.planning.problem import Problem
from scheduling.queries.plan_rows import pure_plan


def plan_results_refresh(plan: Plan, problem: Problem) -> None:
    """After a hand move: what is served and who is left over, without a new search."""
    pure = pure_plan(plan, problem)
    placed: dict[str, int] = {}
    for placement in pure.assign:
        placed[placement.booking] = placed.get(placement.booking, 0) + placement.queens
    asked = {booking.id: booking.queens for booking in problem.bookings}
    kept = {str(row.booking_id): row.reasons for row in plan.unserved.all()}
    plan.unserved.all().delete()
    Unserved.objects.bulk_create(
        Unserved(
            plan=plan,
            booking=Booking(pk=int(booking)),
            queens=queens - placed.get(booking, 0),
            reasons=kept.get(booking, [{"key": "by_hand", "numbers": {}, "gain": None}]),
        )
        for booking, queens in asked.items()
        if queens > placed.get(booking, 0)
    )
    served = sum(placed.values())
    plan.result = {**plan.result, "served": served, "requested": sum(asked.values())}
    bound = int(plan.result.get("bound_served", served))
    plan.result["gap"] = (bound - served) / bound if bound else 0.0
    plan.no_full_fit = served < sum(asked.values())
