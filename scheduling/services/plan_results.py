"""What a plan serves, who is left over, why, and what would help: written beside the plan whenever it changes."""

from collections.abc import Mapping

from scheduling.models import Booking, Plan, Unserved
from scheduling.planning.plan import Reason, reason_to_json
from scheduling.planning.problem import Problem
from scheduling.planning.reasons import Explainer, explained
from scheduling.planning.units import tenths_from_ul
from scheduling.planning.ways import WaysOut, season_ways
from scheduling.queries.plan_rows import pure_plan
from scheduling.queries.season import settings_of


def plan_results_refresh(plan: Plan, problem: Problem, *, acceptable: Mapping[str, list[str]] | None = None) -> None:
    """Write who is left over with reasons and ways out, for the rows as they are now; without a new search.

    The caller saves `result` and `no_full_fit`. `acceptable`: sources that bookings do not accept yet but could, by
    booking; those found when the plan was worked out where it is not given.
    """
    pure = pure_plan(plan, problem)
    known = dict(plan.result.get("acceptable", {})) if acceptable is None else dict(acceptable)
    explainer = Explainer(problem, pure)
    least_ul10 = tenths_from_ul(settings_of(plan.season).dose_standard_ul)
    ways = WaysOut(explainer, known, least_ul10=least_ul10)
    bookings = {booking.id: booking for booking in problem.bookings}
    left_over = explained(problem, pure)
    plan.unserved.all().delete()
    Unserved.objects.bulk_create(
        Unserved(
            plan=plan,
            booking=Booking(pk=int(entry.booking)),
            queens=entry.queens,
            reasons=_as_json(entry.reasons),
            ways=_as_json(ways.of(bookings[entry.booking], entry.queens)),
        )
        for entry in left_over
    )
    served = problem.requested - sum(entry.queens for entry in left_over)
    bound = max(int(plan.result.get("bound_served", served)), served)
    plan.result = {
        **plan.result,
        "served": served,
        "requested": problem.requested,
        "bound_served": bound,
        "gap": (bound - served) / bound if bound else 0.0,
        "ways": _as_json(season_ways(ways)) if left_over else [],
        "acceptable": known,
        "reasons_from": problem.meta["first_day"],
    }
    plan.no_full_fit = bool(left_over)


def _as_json(reasons: tuple[Reason, ...]) -> list[dict[str, object]]:
    return [reason_to_json(reason) for reason in reasons]
