"""How good a plan is, in figures that two plans can be held against each other by."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction

from .ledger import MICRO, Ledger
from .plan import Plan
from .problem import Placement, Problem
from .reasons import Explainer


@dataclass(frozen=True, slots=True)
class Measures:
    """One plan's figures on the facts of a problem.

    Parameters
    ----------
    served, requested : int
        Queens placed and asked for. [queens]
    by_member : dict of member id to (int, int)
        Queens placed and asked for. [queens]
    lowest, tenth : Fraction or None
        Smallest served share, and the share that a tenth of the members have or less; over members who can be served
        at all. None when there is nobody. [-]
    volumes : dict of source id to int
        Semen taken, sources in use only. [0.1 µl]
    """

    served: int
    requested: int
    by_member: dict[str, tuple[int, int]]
    lowest: Fraction | None
    tenth: Fraction | None
    volumes: dict[str, int]

    @property
    def effective_sources(self) -> float:
        return effective_number(self.volumes)


def measures_of(problem: Problem, plan: Plan, *, servable: Collection[str] | None = None) -> Measures:
    """Work out one plan's figures; placements of bookings that the problem does not know count for nobody.

    Parameters
    ----------
    problem : Problem
    plan : Plan
    servable : ids of members, optional
        What `servable_members` says, where several plans of one problem are measured.

    Returns
    -------
    Measures
    """
    served = {booking.id: 0 for booking in problem.bookings}
    for placement in plan.assign:
        if placement.booking in served:
            served[placement.booking] += placement.queens
    by_member = {member.id: (0, 0) for member in problem.members}
    for booking in problem.bookings:
        got, asked = by_member.get(booking.member, (0, 0))
        by_member[booking.member] = (got + served[booking.id], asked + booking.queens)
    servable = servable_members(problem) if servable is None else servable
    shares = sorted(Fraction(got, asked) for member, (got, asked) in by_member.items() if member in servable and asked)
    return Measures(
        served=sum(served.values()),
        requested=problem.requested,
        by_member=by_member,
        lowest=shares[0] if shares else None,
        tenth=tenth_of(shares),
        volumes={source: round(v / MICRO) for source, v in Ledger(problem, plan).source_volumes().items() if v},
    )


def servable_members(problem: Problem) -> Collection[str]:
    """Return the members with a booking that some plan could serve, as far as one can tell before planning."""
    explainer = Explainer(problem, Plan(season=problem.name))
    return {booking.member for booking in problem.bookings if explainer.before_planning(booking) is None}


def tenth_of(shares: Iterable[Fraction]) -> Fraction | None:
    """Return the tenth percentile by nearest rank: the smallest share that at least a tenth of them do not exceed."""
    ordered = sorted(shares)
    return ordered[-(-len(ordered) // 10) - 1] if ordered else None


def effective_number(volumes: Mapping[str, int]) -> float:
    """Return the effective number of sources, 1 / sum of squared shares; 0 when nothing is taken. [sources]

    Parameters
    ----------
    volumes : mapping of source id to int
        Semen taken. [any unit]

    Notes
    -----
    The inverse of Simpson's index: k sources in equal parts give k, one that gives everything gives 1.

    References
    ----------
    Simpson (1949), Nature 163:688, doi:10.1038/163688a0.
    """
    squares = sum(volume * volume for volume in volumes.values())
    return sum(volumes.values()) ** 2 / squares if squares else 0.0


def moved_queens(told: Iterable[Placement], plan: Iterable[Placement]) -> int:
    """Return how many queens of one plan are elsewhere, or nowhere, in another. [queens]

    A mixture is one and the same place whatever it is called.
    """
    now = _by_place(plan)
    return sum(max(0, n - now.get(place, 0)) for place, n in _by_place(told).items())


def _by_place(placements: Iterable[Placement]) -> dict[tuple[str, str, int, str | None], int]:
    found: dict[tuple[str, str, int, str | None], int] = {}
    for p in placements:
        place = (p.booking, p.bench, p.day, p.source)
        found[place] = found.get(place, 0) + p.queens
    return found
