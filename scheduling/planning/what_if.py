"""What would be gained if one fact were another? The plan at hand, repaired on both, side by side."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from .plan import Plan
from .problem import Problem
from .repair import Point, Repair, repair


@dataclass(frozen=True, slots=True)
class Outlook:
    """One plan on the facts as they are, and as they would be.

    Parameters
    ----------
    now, then : Repair
        Repaired with the same effort: what `then` serves beyond `now` is owed to the change alone. [queens]
    """

    now: Repair
    then: Repair


def what_if(
    now: Problem,
    then: Problem,
    plan: Plan,
    *,
    seed: int = 0,
    cpu_seconds: float = 20.0,
    progress: Callable[[Point], None] | None = None,
    should_stop: Callable[[], bool] | None = None,
) -> Outlook:
    """Repair a plan on the facts as they are and on changed ones; see `repair.repair`.

    Parameters
    ----------
    now, then : Problem
    plan : Plan
        What is compared with; valid or not.
    cpu_seconds : float
        CPU time, half of it for each. [s]
    progress : callable, optional
        Told each point on the changed facts.
    """
    half = cpu_seconds / 2
    return Outlook(
        repair(now, plan, seed=seed, cpu_seconds=half, should_stop=should_stop),
        repair(then, plan, seed=seed, cpu_seconds=half, progress=progress, should_stop=should_stop),
    )
