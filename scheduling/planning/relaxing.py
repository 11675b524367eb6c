"""Plenty of one thing: how many queens of all bookings then get a place, and how much of it that takes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from statistics import median_low

from .blocks import Place, Room, seated
from .ledger import MICRO
from .plan import Plan, Reason
from .problem import Bench, BenchDay, Booking, Problem

#: More of anything than a season could use.
_ABUNDANT = 10**6

#: What is given: the way's key, the source or bench, and the day or the cohort's position.
Item = tuple[str, str, int]


def item_of(problem: Problem, way: Reason) -> Item | None:
    """Return what the way gives, in a form that bookings can share; None for ways of a booking's own."""
    numbers = way.numbers
    if way.key == "wider_share":
        least = problem.rules.max_source_share_permille
        own = (s.id for s in problem.sources if s.id == numbers.get("source") and problem.share_cap(s) < least)
        return (way.key, next(own, ""), 0)
    if way.key in ("more_minutes", "more_places", "more_helpers", "open_session"):
        return (way.key, str(numbers["bench"]), int(numbers["day"]))
    if way.key != "more_drones":
        return None
    source = next(source for source in problem.sources if source.id == numbers["source"])
    day = int(numbers["day"])
    ripe = [(c.last_day, c.first_day, at) for at, c in enumerate(source.cohorts) if c.first_day <= day <= c.last_day]
    return (way.key, source.id, max(ripe)[2])


def worked_out(
    problem: Problem, plan: Plan, item: Item, bookings: Sequence[Booking], left: Mapping[str, int]
) -> tuple[Reason, Plan] | None:
    """Give plenty of one thing, put queens wherever they then fit, and see how much of it that took.

    Parameters
    ----------
    problem : Problem
    plan : Plan
    item : Item
    bookings : sequence of Booking
        Who could use it; the most urgent come first.
    left : mapping of booking id to int
        Queens without a place. [queens]

    Returns
    -------
    Reason, Plan or None
        The queens gained, as ``missing`` what they need beyond what there is, and the plan that shows it. None when
        nobody gains, or when nothing had to be given.
    """
    wider = relaxed(problem, item)
    after, gained = plan, 0
    for booking in sorted(bookings, key=lambda booking: (booking.last_day, booking.id)):
        missing = left[booking.id]
        while missing:
            room = Room(wider, after)
            n, place = _roomiest(room, booking, missing)
            if place is None:
                break
            after, gained, missing = seated(wider, after, booking, place, n), gained + n, missing - n
    if not gained:
        return None
    numbers = _numbers(problem, wider, after, item)
    return (Reason(item[0], numbers, gained), after) if numbers.get("missing", 1) else None


def relaxed(problem: Problem, item: Item, more: int = _ABUNDANT) -> Problem:
    """Return the problem with so much more of the item: drones in 1/1000 equivalents, all else in its own unit."""
    key, one, at = item
    if key == "open_session":
        return with_sessions(problem, [(one, at)])
    if key == "wider_share" and one:
        return replace(
            problem,
            sources=tuple(
                replace(source, share_cap_permille=min(1000, problem.share_cap(source) + more))
                if source.id == one
                else source
                for source in problem.sources
            ),
        )
    if key == "wider_share":
        cap = min(1000, problem.rules.max_source_share_permille + more)
        return replace(problem, rules=replace(problem.rules, max_source_share_permille=cap))
    if key == "more_drones":
        sources = []
        for source in problem.sources:
            cohorts = list(source.cohorts)
            if source.id == one:
                cohorts[at] = replace(cohorts[at], stock_eq=cohorts[at].stock_eq + more)
            sources.append(replace(source, cohorts=tuple(cohorts)))
        return replace(problem, sources=tuple(sources))
    name = _LIMITS[key]
    return replace(
        problem,
        benches=tuple(
            replace(
                bench,
                days=tuple(
                    replace(limits, **{name: getattr(limits, name) + more})
                    if (bench.id, limits.day) == (one, at)
                    else limits
                    for limits in bench.days
                ),
            )
            for bench in problem.benches
        ),
    )


_LIMITS = {"more_minutes": "op_minutes", "more_places": "max_queens", "more_helpers": "collect_drones"}


def _roomiest(room: Room, booking: Booking, queens: int) -> tuple[int, Place | None]:
    """Return the place that takes most of the queens, the earliest of several."""
    best: tuple[int, Place | None] = (0, None)
    for place in room.places(booking):
        n = room.most(booking, place, queens) if not room.blocks(booking, place) else 0
        if n > best[0]:
            best = (n, place)
    return best


def _numbers(problem: Problem, wider: Problem, after: Plan, item: Item) -> dict[str, int | str]:
    key, one, at = item
    room = Room(problem, after)
    if key == "open_session":
        return session_numbers(wider, one, at)
    if key == "wider_share" and one:
        share = -(-1000 * room.volumes.get(one, 0) // room.total)
        cap = problem.share_cap(room.ledger.sources[one])
        return {"missing": max(0, share - cap), "permille": share, "source": one}
    if key == "wider_share":
        most = max((-(-1000 * volume // room.total) for volume in room.volumes.values()), default=0)
        cap = problem.rules.max_source_share_permille
        return {"missing": max(0, most - cap), "permille": most}
    if key == "more_drones":
        source = room.ledger.sources[one]
        cohort = source.cohorts[at]
        # Told as drones of the cohort's first usable day: later ones are fewer, for some are lost by then.
        day = max(cohort.first_day, 0)
        missing = -(-room.stock_gap(source) // (1000 * MICRO * problem.weights[day]))
        return {"missing": missing, "source": one, "day": day, "last_day": cohort.last_day}
    session, limits = room.ledger.session((one, at)), room.ledger.bench_days[one, at]
    rules = problem.rules
    used = {
        "more_minutes": rules.queen_minutes * session.queens
        + rules.setup_minutes * (len(session.volume) + len(session.pools)),
        "more_places": session.queens,
        "more_helpers": -(-sum(room.ledger.reserve(s, v) for s, v in session.volume.items()) // (1000 * MICRO)),
    }[key]
    return {"missing": max(0, used - getattr(limits, _LIMITS[key])), "bench": one, "day": at}


def with_sessions(problem: Problem, places: Iterable[tuple[str, int]]) -> Problem:
    """Return the problem with bench days like the usual ones added, each with the CO2 rounds beside it."""
    wanted: dict[str, list[int]] = {}
    for name, day in places:
        wanted.setdefault(name, []).append(day)
    benches = (_with_days(bench, wanted.get(bench.id, []), problem.days) for bench in problem.benches)
    return replace(problem, benches=tuple(benches))


def _with_days(bench: Bench, more: Sequence[int], horizon: int) -> Bench:
    usual = _usual(bench)
    if usual is None:
        return bench
    days = {limits.day: limits for limits in bench.days}
    for day in more:
        there = days.get(day, BenchDay(day, 0, 0, 0, 0))
        days[day] = replace(usual, day=day, co2_capacity=max(usual.co2_capacity, there.co2_capacity))
        for beside in (day - 1, day + 1):
            known = days.get(beside, BenchDay(beside, 0, 0, 0, 0))
            if 0 <= beside < horizon and known.co2_capacity < usual.co2_capacity:
                days[beside] = replace(known, co2_capacity=usual.co2_capacity)
    return replace(bench, days=tuple(days[day] for day in sorted(days)))


def _usual(bench: Bench) -> BenchDay | None:
    """Return the middle one of what the bench can do on its days, figure by figure."""
    days = [day for day in bench.days if day.op_minutes and day.max_queens]
    if not days:
        return None
    return BenchDay(
        0,
        median_low(day.op_minutes for day in days),
        median_low(day.collect_drones for day in days),
        median_low(day.max_queens for day in days),
        median_low(day.co2_capacity for day in days),
    )


def session_numbers(problem: Problem, bench: str, day: int) -> dict[str, int | str]:
    limits = next(d for entry in problem.benches if entry.id == bench for d in entry.days if d.day == day)
    return {
        "bench": bench,
        "day": day,
        "minutes": limits.op_minutes,
        "places": limits.max_queens,
        "drones": limits.collect_drones,
    }
