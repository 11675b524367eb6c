"""What would give queens a place: drones, minutes, helpers, a session, a smaller dose, another source.

Every way is constructive: with just what it names, so many queens fit while everybody else stays where the plan has
them. Working anew may gain more, never less.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from .blocks import Place, Room, usable_sources
from .plan import Reason
from .problem import Booking
from .reasons import Explainer
from .relaxing import Item, item_of, session_numbers, with_sessions, worked_out

#: Every key with what it says. ``missing`` in the numbers is how much of it, in the unit named here.
WAYS: dict[str, str] = {
    "more_drones": "drones of the source, ripe on that day",
    "more_minutes": "operator minutes",
    "more_places": "places",
    "more_helpers": "drones everted by helpers",
    "more_co2": "other CO2 treatments on the day after",
    "wider_share": "thousandths of all semen for the source",
    "split_batch": "the batch may have more than one source",
    "lower_dose": "tenths of a microlitre less for each queen that has no place",
    "accept_source": "one more source is accepted",
    "open_session": "one more bench day, with the CO2 rounds beside it",
}

#: The way that lifts each kind of block.
_LIFTS = {
    "stock": "more_drones",
    "minutes": "more_minutes",
    "places": "more_places",
    "collect": "more_helpers",
    "co2": "more_co2",
    "share": "wider_share",
    "one_source": "split_batch",
}
#: Doses are tried in steps of half a microlitre, down to the smallest usual one. [0.1 µl]
_DOSE_STEP, LEAST_UL10 = 5, 80
#: Ways over the whole season that are worked out in full.
_WORKED_OUT = 6


class WaysOut:
    """Looks for ways out of one plan.

    Parameters
    ----------
    explainer : Explainer
    acceptable : mapping of booking id to source ids
        Sources that the booking does not accept yet, but whose mating would be within every limit.
    least_ul10 : int
        Smallest dose that is proposed. [0.1 µl]
    """

    def __init__(
        self,
        explainer: Explainer,
        acceptable: Mapping[str, Iterable[str]] | None = None,
        *,
        least_ul10: int = LEAST_UL10,
    ) -> None:
        self.explainer = explainer
        self.problem, self.plan, self.room = explainer.problem, explainer.plan, explainer.room
        self.acceptable = acceptable or {}
        self.least_ul10 = least_ul10
        self._opened: Room | None = None

    def of(self, booking: Booking, queens: int) -> tuple[Reason, ...]:
        """Return the ways for so many queens of one booking, one of each kind, the largest gain first."""
        found: dict[str, Reason] = {}
        for way in self.all_of(booking, queens):
            kept = found.get(way.key)
            if kept is None or _better(way, kept):
                found[way.key] = way
        return tuple(sorted(found.values(), key=_order))

    def all_of(self, booking: Booking, queens: int) -> list[Reason]:
        """Return every way for queens of one booking, place by place."""
        if queens < 1:
            return []
        places = self.room.places(booking)
        ways = [way for place in places for way in self._lifted(booking, place, queens)]
        ways += self._dose(booking, places, queens)
        ways += self._sources(booking, queens)
        return ways + self._sessions(booking, queens)

    def _lifted(self, booking: Booking, place: Place, queens: int) -> list[Reason]:
        """One kind of block lifted: for all the queens, else for one."""
        for n in (queens, 1):
            blocks = self.room.blocks(booking, place, n)
            if len(blocks) == 1:
                (block,) = blocks
                numbers: dict[str, int | str] = {"missing": block.missing, "bench": block.bench, "day": block.day}
                if block.source is not None:
                    numbers["source"] = block.source
                if block.key == "share":
                    source = self.room.ledger.sources[str(block.source)]
                    numbers["permille"] = wanted = self.problem.share_cap(source) + block.missing
                    own = source.share_cap_permille
                    if own is not None and wanted > max(own, self.problem.rules.max_source_share_permille):
                        return []  # both its own share and the one for all would have to be wider
                return [Reason(_LIFTS[block.key], numbers, n)]
        return []

    def _dose(self, booking: Booking, places: Sequence[Place], queens: int) -> list[Reason]:
        best: Reason | None = None
        for ul10 in range(booking.ul10 - _DOSE_STEP, self.least_ul10 - 1, -_DOSE_STEP):
            smaller = replace(booking, ul10=ul10)
            for place in places:
                n = self.room.most(smaller, place, queens)
                if n and (best is None or n > (best.gain or 0)):
                    numbers: dict[str, int | str] = {"missing": booking.ul10 - ul10, "from_ul10": booking.ul10}
                    best = Reason("lower_dose", {**numbers, "ul10": ul10, "bench": place.bench, "day": place.day}, n)
        return [best] if best is not None else []

    def _sources(self, booking: Booking, queens: int) -> list[Reason]:
        ways = []
        for source in self.acceptable.get(booking.id, ()):
            chosen = [source] if booking.mode != "pool" else [source, *usable_sources(booking)]
            fits = [(self.room.most(booking, place, queens), place) for place in self._with(booking, chosen)]
            n, place = max(fits, key=lambda fit: fit[0], default=(0, None))
            if n and place is not None:
                ways.append(Reason("accept_source", {"source": source, "bench": place.bench, "day": place.day}, n))
        return ways

    def _with(self, booking: Booking, sources: Sequence[str]) -> list[Place]:
        places = self.room.places(booking, sources=sources)
        return [place for place in places if sources[0] in place.parts]

    def _sessions(self, booking: Booking, queens: int) -> list[Reason]:
        """Days without a session; first all of them opened at once, then the best by itself."""
        if self._opened is None:
            days = [(bench.id, day) for bench in self.problem.benches for day in range(self.problem.days)]
            closed = [place for place in days if not self.room.inseminates(*place)]
            self._opened = Room(with_sessions(self.problem, closed), self.plan)
        fits = []
        for place in self._opened.places(booking):
            if not self.room.inseminates(place.bench, place.day) and not self._opened.blocks(booking, place):
                fits.append((self._opened.most(booking, place, queens), -place.day, place.bench, place))
        for _, _, _, place in sorted(fits, key=lambda fit: (-fit[0], -fit[1], fit[2]))[:1]:
            opened = with_sessions(self.problem, [(place.bench, place.day)])
            n = Room(opened, self.plan).most(booking, place, queens)
            if n:
                return [Reason("open_session", session_numbers(opened, place.bench, place.day), n)]
        return []


def season_ways(ways: WaysOut, *, most: int = 3) -> tuple[Reason, ...]:
    """Return the ways that give most queens of all bookings together a place, the largest gain first.

    Parameters
    ----------
    ways : WaysOut
    most : int
        At most so many are told.

    Returns
    -------
    tuple of Reason
        ``missing`` is what all the gained queens together need beyond what there is; for drones, of one cohort,
        whose days the numbers name.
    """
    problem, explainer = ways.problem, ways.explainer
    left = {b.id: n for b in problem.bookings if (n := b.queens - explainer.placed(b)) > 0}
    weight: dict[Item, int] = {}
    asking: dict[Item, list[Booking]] = {}
    for booking in problem.bookings:
        if booking.id not in left:
            continue
        best: dict[Item, int] = {}
        for way in ways.all_of(booking, left[booking.id]):
            item = item_of(problem, way)
            if item is not None:
                best[item] = max(best.get(item, 0), way.gain or 0)
        for item, gain in best.items():
            weight[item] = weight.get(item, 0) + gain
            asking.setdefault(item, []).append(booking)
    likely = sorted(weight, key=lambda item: (-weight[item], item))[:_WORKED_OUT]
    tried = [worked_out(problem, ways.plan, item, asking[item], left) for item in likely]
    return tuple(sorted((way[0] for way in tried if way is not None), key=_order)[:most])


def _order(way: Reason) -> tuple[int, str, int, str]:
    return (-(way.gain or 0), way.key, int(way.numbers.get("missing", 0)), str(sorted(way.numbers.items())))


def _better(way: Reason, kept: Reason) -> bool:
    return _order(way) < _order(kept)
