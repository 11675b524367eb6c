"""What follows from the facts and a plan alone, worked out once: pages are looked at oftener than either changes."""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

from scheduling.planning.checker import Violation, check
from scheduling.planning.measures import Measures, measures_of, servable_members
from scheduling.planning.plan import Plan, Reason
from scheduling.planning.problem import Problem
from scheduling.planning.problem_file import problem_to_json
from scheduling.planning.reasons import explained

MOST_KEPT = 8  # plans at which somebody looks at one time


@dataclass(frozen=True)
class _Question:
    """Alike by the name and the places; whether they are the same is looked at in full."""

    problem: Problem
    plan: Plan

    def __hash__(self) -> int:
        return hash((self.problem.name, self.plan.assign))


def reasons_of(problem: Problem, plan: Plan) -> Mapping[int, tuple[Reason, ...]]:
    """Why a booking, by its number, has no place for all its queens."""
    return _reasons(_Question(problem, plan))


def measures(problem: Problem, plan: Plan) -> Measures:
    return _measures(_Question(problem, plan))


def broken_rules(problem: Problem, plan: Plan) -> tuple[Violation, ...]:
    return _broken(_Question(problem, plan))


def facts_mark(problem: Problem) -> str:
    """A digest of the facts, blind to what was published: when it differs, the facts have changed since."""
    return _mark(_Question(problem, Plan(season=problem.name)))


@lru_cache(maxsize=MOST_KEPT)
def _mark(asked: _Question) -> str:
    data = problem_to_json(asked.problem)
    for name in ("published", "frozen"):
        data.pop(name, None)
    return hashlib.sha256(json.dumps(data, sort_keys=True).encode()).hexdigest()


@lru_cache(maxsize=MOST_KEPT)
def _reasons(asked: _Question) -> Mapping[int, tuple[Reason, ...]]:
    return {int(entry.booking): entry.reasons for entry in explained(asked.problem, asked.plan)}


@lru_cache(maxsize=MOST_KEPT)
def _measures(asked: _Question) -> Measures:
    """Who can be served at all is the same for every plan of a problem."""
    servable = _servable(_Question(asked.problem, Plan(season=asked.problem.name)))
    return measures_of(asked.problem, asked.plan, servable=servable)


@lru_cache(maxsize=MOST_KEPT)
def _broken(asked: _Question) -> tuple[Violation, ...]:
    return tuple(check(asked.problem, asked.plan))


@lru_cache(maxsize=MOST_KEPT)
def _servable(asked: _Question) -> frozenset[str]:
    return frozenset(servable_members(asked.problem))
