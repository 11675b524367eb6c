"""Which mixture queens get whom a hand moves: the one that is made there, the one they have, else one made for them."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from itertools import count

from .blocks import Place, Room, least_parts
from .checker import Violation, check_move
from .moves import Move, plan_without
from .plan import Part, Plan
from .problem import Booking, Placement, Problem


class Mixing:
    """Moves of so many queens of one booking in mixed semen, wherever they go.

    Parameters
    ----------
    problem : Problem
    plan : Plan
        A valid plan, before the move.
    booking : Booking
        Of mode ``pool``.
    queens : int
    taken_from : Placement, optional
        Where these queens are now.
    taken : collection of str
        Names of pools that a new one must not have, beside those of the plan.
    """

    def __init__(
        self,
        problem: Problem,
        plan: Plan,
        booking: Booking,
        *,
        queens: int,
        taken_from: Placement | None = None,
        taken: Collection[str] = (),
    ) -> None:
        self.problem, self.plan, self.booking = problem, plan, booking
        self.queens, self.taken_from = queens, taken_from
        rest = plan if taken_from is None else plan_without(problem, plan, replace(taken_from, queens=queens))
        self._room = Room(problem, rest)
        names = {pool.id for pool in plan.pools} | set(taken)
        self._new = next(name for n in count(1) if (name := f"{booking.id}.{n}") not in names)

    def best(self, bench: str, day: int) -> tuple[Move, list[Violation]]:
        """Return the first of `moves` that breaks no rule, else the first with what it breaks."""
        moves = self.moves(bench, day)
        judged = ((move, check_move(self.problem, self.plan, move)) for move in moves)
        first = next(judged)
        return first if not first[1] else next((one for one in judged if not one[1]), first)

    def moves(self, bench: str, day: int) -> list[Move]:
        """Return the moves into one session, the least change of mixtures first; never none.

        A pool is joined that is made there and that the booking may share; else one is mixed as the one the queens
        come from; else one in equal parts of the ripe sources that lack least.
        """
        move = Move(self.booking.id, bench, day, self.queens, taken_from=self.taken_from)
        places = self._room.pools(self.booking, bench, day, queens=self.queens)
        joined = [replace(move, pool=place.pool) for place in places if place.pool]
        made = [self._made(move, place) for place in places if not place.pool]
        known = {pool.id for pool in self.plan.pools}
        kept = [replace(move, pool=self._new)] if self.taken_from and self.taken_from.pool in known else []
        return [*joined, *kept, *made] or [self._made(move, self._any(bench, day))]

    def _made(self, move: Move, place: Place) -> Move:
        parts = tuple(Part(source, float(part)) for source, part in sorted(place.parts.items()))
        return replace(move, pool=self._new, mix=parts)

    def _any(self, bench: str, day: int) -> Place:
        """Where too few sources are ripe: the checker says of any of them what is in the way."""
        sources = [source.id for source in self.booking.sources]
        ripe_first = sorted(sources, key=lambda source: (not self._room.ripe(source, bench, day), source))
        return Place(bench, day, dict.fromkeys(ripe_first[: least_parts(self.booking)], 1), pool="")
