"""Why queens have no place. What would give them one is in `ways`.

Two depths. Before any plan: nothing in the booking's window can be. With the plan as it is: what blocks each of
her possible places, the plainest block first, each with what would have to be freed; and whether somebody with a
smaller share stands where she could.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from .blocks import Block, Place, Room, least_parts, usable_sources
from .ledger import MICRO
from .plan import Plan, Reason, Unserved
from .problem import Booking, Placement, Problem

#: Every key, with what it says; numbers stand beside it in `plan.Reason`. The words for people are the
#: application's.
REASONS: dict[str, str] = {
    "no_bench_day": "no bench that the booking accepts is open in the age window",
    "no_source": "every accepted source is excluded, or none is accepted",
    "sources_excluded": "all accepted sources are over the inbreeding or viability limit",
    "no_ripe_source": "no accepted source can be brought ripe on any open day of the window",
    "too_few_sources": "a pool needs more sources than are ripe on any one day of the window",
    "no_co2": "no day of the window leaves room for the other CO2 treatment",
    "minutes": "operator minutes are short",
    "places": "no places left",
    "collect": "helpers cannot evert more drones that day",
    "stock": "the source has too few drones left",
    "co2": "the CO2 round of the neighbouring days is full",
    "share": "the source has reached its share of the season's semen",
    "one_source": "the batch is to stay with the source its other queens have",
    "fairness": "a place went to a member whose share would else fall below this one's",
    "room": "there is room, but the search ended or another goal came first",
    "no_valid_plan": "no plan that keeps every rule was found",
}

#: At most so many reasons are told for a booking, beside that of fairness.
_MOST_REASONS = 4
#: Of several things in the way at one place, the one named first.
_ORDER = ("stock", "places", "minutes", "collect", "co2", "share", "one_source")


@dataclass(frozen=True, slots=True)
class Passed:
    """A place that went to somebody whose share would else be smaller. Who that is stays with the planner.

    Parameters
    ----------
    place : Place
    holder : Placement
        With one queen of it less, one of the booking's fits.
    own, other : Fraction
        Served share of the booking's member, and what would be left of the other's.
    """

    place: Place
    holder: Placement
    own: Fraction
    other: Fraction


class Explainer:
    """Looks at a plan's free resources, place by place.

    Parameters
    ----------
    problem : Problem
    plan : Plan
        A valid plan.
    """

    def __init__(self, problem: Problem, plan: Plan) -> None:
        self.problem = problem
        self.plan = plan
        self.room = Room(problem, plan)
        self._asked: dict[str, int] = {}
        self._served: dict[str, int] = {}
        member_of = {}
        for booking in problem.bookings:
            member_of[booking.id] = booking.member
            self._asked[booking.member] = self._asked.get(booking.member, 0) + booking.queens
        self._sessions: dict[tuple[str, int], list[Placement]] = {}
        for placement in plan.assign:
            self._sessions.setdefault((placement.bench, placement.day), []).append(placement)
            member = member_of.get(placement.booking)
            if member is not None:
                self._served[member] = self._served.get(member, 0) + placement.queens

    def placed(self, booking: Booking) -> int:
        return sum(placement.queens for placement in self.room.ledger.placements.get(booking.id, []))

    def share(self, member: str, *, less: int = 0) -> Fraction:
        """Return the served share of a member, with so many queens less. [-]"""
        return Fraction(self._served.get(member, 0) - less, self._asked[member])

    def before_planning(self, booking: Booking) -> Reason | None:
        """Return why no plan could ever serve the booking; None when it has a possible place."""
        open_days = self.room.open_days(booking)
        if not open_days:
            first, last = booking.first_day, booking.last_day
            return Reason("no_bench_day", {"first_day": first, "last_day": last})
        usable = usable_sources(booking)
        if not usable:
            key = "sources_excluded" if booking.excluded and booking.sources else "no_source"
            return Reason(key, {"sources": len(booking.sources)})
        with_co2 = [place for place in open_days if self.room.co2_ever(booking, *place)]
        if not with_co2:
            return Reason("no_co2", {"days": len(open_days)})
        ripe = max(sum(self.room.ripe(source, *place) for source in usable) for place in with_co2)
        if not ripe:
            return Reason("no_ripe_source", {"sources": len(usable), "days": len(with_co2)})
        if booking.mode == "pool" and ripe < least_parts(booking):
            return Reason("too_few_sources", {"ripe": ripe, "min_sources": least_parts(booking)})
        return None

    def free_places(self, booking: Booking) -> list[tuple[str, int, str]]:
        """Return bench, day and source of every single place with nothing in the way."""
        return [
            (place.bench, place.day, place.source)
            for place in self.room.places(booking)
            if place.source is not None and not self.room.blocks(booking, place)
        ]

    def reasons(self, booking: Booking) -> tuple[Reason, ...]:
        """Return the reasons for one more queen of the booking, single blocks first, smallest need first."""
        never = self.before_planning(booking)
        if never is not None:
            return (never,)
        tried = [(place, self.room.blocks(booking, place)) for place in self.room.places(booking)]
        free = [place for place, blocks in tried if not blocks]
        if free:
            numbers: dict[str, int | str] = {"places": len(free), "bench": free[0].bench, "day": free[0].day}
            return (Reason("room", numbers, 1),)
        groups: dict[tuple[str, ...], list[list[Block]]] = {}
        for _, blocks in tried:
            blocks.sort(key=lambda block: (_ORDER.index(block.key), block.source or ""))
            groups.setdefault(tuple(dict.fromkeys(block.key for block in blocks)), []).append(blocks)
        in_order = sorted(groups.items(), key=lambda group: (len(group[0]), -len(group[1]), group[0]))
        found = [self._told(blocks) for _, blocks in in_order[:_MOST_REASONS]]
        passed = self.passed(booking)
        if passed is not None:
            found.append(_fairness(passed))
        return tuple(found)

    def passed(self, booking: Booking) -> Passed | None:
        """Return the place of hers that is held by the member who would be left with the smallest share.

        Only shares that would fall below her member's own count: else fairness took nothing from her.
        """
        own = self.share(booking.member)
        best: Passed | None = None
        for place in self.room.places(booking):
            blocks = self.room.blocks(booking, place)
            for holder in self._sessions.get((place.bench, place.day), []):
                other = self.room.ledger.bookings.get(holder.booking)
                if other is None or other.member == booking.member:
                    continue
                left = self.share(other.member, less=1)
                if left < own and (best is None or left < best.other) and self._gives(booking, place, blocks, holder):
                    best = Passed(place, holder, own, left)
        return best

    def _gives(self, booking: Booking, place: Place, blocks: Sequence[Block], holder: Placement) -> bool:
        """Tell whether one queen of the holder less frees all that is in the way; sure of it, or no."""
        rules, ledger = self.problem.rules, self.room.ledger
        other = ledger.bookings[holder.booking]
        given = {"minutes": rules.queen_minutes, "places": 1}
        volumes = dict(self.room.volumes)
        if holder.source is not None:
            drones = ledger.sources[holder.source].md_per_ul10 * other.ul10 // 1000
            given |= {"collect": drones} | ({"stock": drones} if set(place.parts) == {holder.source} else {})
            volumes[holder.source] -= other.ul10 * MICRO
            if volumes[holder.source] < rules.min_source_ul10 * MICRO:
                return False  # it may be one of the fewest sources that there have to be
        elif self.problem.caps_shares:
            return False  # whose semen there would be less of depends on how the pool is mixed anew
        if any(block.missing > given.get(block.key, 0) for block in blocks):
            return False
        for source, part in place.parts.items():
            volumes[source] = volumes.get(source, 0) + -(-booking.ul10 * MICRO * part // place.whole)
        total = self.room.total + (booking.ul10 - other.ul10) * MICRO
        caps = {source.id: self.problem.share_cap(source) for source in self.problem.sources}
        return all(1000 * volume <= caps[source] * total for source, volume in volumes.items())

    def _told(self, group: list[list[Block]]) -> Reason:
        nearest = min(group, key=lambda blocks: [(block.missing, block.day) for block in blocks])
        first, *others = (_reason(block) for block in nearest)
        numbers: dict[str, int | str] = {"places": len(group), "together": len(nearest), **first.numbers}
        return Reason(first.key, numbers, 1, tuple(others))


def explained(problem: Problem, plan: Plan, broken: Sequence[str] = ()) -> tuple[Unserved, ...]:
    """Return, for each booking with queens without a place, how many and why.

    Parameters
    ----------
    problem : Problem
    plan : Plan
    broken : sequence of str
        Rules that no plan was found for; then every reason is that.

    Returns
    -------
    tuple of Unserved
        In the problem's order of bookings.
    """
    explainer = Explainer(problem, plan)
    found = []
    for booking in problem.bookings:
        missing = booking.queens - explainer.placed(booking)
        if missing <= 0:
            continue
        reasons = explainer.reasons(booking)
        if broken and explainer.before_planning(booking) is None:
            reasons = tuple(Reason("no_valid_plan", {"rule": rule}) for rule in broken)
        found.append(Unserved(booking.id, missing, reasons))
    return tuple(found)


def _reason(block: Block) -> Reason:
    numbers: dict[str, int | str] = {"missing": block.missing, "bench": block.bench, "day": block.day}
    if block.source is not None:
        numbers["source"] = block.source
    return Reason(block.key, numbers)


def _fairness(passed: Passed) -> Reason:
    numbers: dict[str, int | str] = {
        "bench": passed.place.bench,
        "day": passed.place.day,
        "own_permille": int(1000 * passed.own),
        "other_permille": int(1000 * passed.other),
    }
    return Reason("fairness", numbers)
