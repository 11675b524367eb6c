"""A repair as people see it: what has changed since the plan, and who moves, gains or loses by each choice."""

import datetime as dt
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from django.db.models import QuerySet
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from scheduling.models import BenchSession, Booking, DroneSource, Plan, SessionState
from scheduling.planning.plan import Plan as PurePlan
from scheduling.planning.plan import plan_from_json
from scheduling.planning.problem import Placement as PurePlacement
from scheduling.planning.problem import Problem
from scheduling.planning.problem_file import problem_from_json
from scheduling.planning.repair_changes import Change, bench_day_shortened, changes_between, source_with_less
from scheduling.queries.plan_rows import first_day_of, placed_pure, placed_rows, pure_plan
from scheduling.queries.plan_words import Named, Names, permille_words
from scheduling.queries.words import day_words

TITLES = {
    "fewest": gettext_lazy("Fewest moves"),
    "balanced": gettext_lazy("Balanced"),
    "most": gettext_lazy("Most queens"),
}
HINTS = {
    "fewest": gettext_lazy("Nobody moves who could stay."),
    "balanced": gettext_lazy("More places as long as few have to move for them."),
    "most": gettext_lazy("Up to three queens move so that one more gets a place."),
}

_Place = tuple[str, int, str]


@dataclass
class ShownChange:
    """One booking: where its queens were told to be, and where they would be."""

    booking: Booking
    kind: str
    old: str
    new: str
    queens: int


@dataclass
class ShownChoice:
    """One plan of the curve. `current`: its places stand in the sketch now."""

    name: str
    title: str
    hint: str
    moved: int
    told: int
    served: int
    requested: int
    current: bool
    moves: list[ShownChange]
    gains: list[ShownChange]
    losses: list[ShownChange]


def is_repair(plan: Plan) -> bool:
    return plan.job is not None and "repair" in plan.job.arguments


def choices_of(plan: Plan) -> list[dict[str, Any]]:
    """The choices as the worker kept them; none when the plan is no repair or its job is gone."""
    return list(plan.job.result.get("choices", [])) if plan.job is not None else []


def without(problem: Problem, gone: Mapping[str, Sequence[int]]) -> Problem:
    """The facts without these sessions and sources, as primary keys; what is past or gone anyway changes nothing."""
    first = first_day_of(problem)
    for session in BenchSession.objects.filter(pk__in=gone["sessions"], state=SessionState.OPEN, day__gte=first):
        problem = bench_day_shortened(problem, str(session.bench_id), (session.day - first).days, 0)
    known = {source.id for source in problem.sources}
    for source in gone["sources"]:
        if str(source) in known:
            problem = source_with_less(problem, str(source), 0)
    return problem


def days_to_call_off(plan: Plan) -> list[BenchSession]:
    """Sessions that a repair was asked to do without and that still stand open: published, they can be called off."""
    if plan.job is None or not is_repair(plan):
        return []
    asked = BenchSession.objects.filter(pk__in=plan.job.arguments["repair"]["sessions"], state=SessionState.OPEN)
    return list(asked.select_related("bench").order_by("day", "pk"))


def planned_on(plan: Plan, problem: Problem) -> Problem:
    """The facts as the plan sees them: a repair may have been asked to do without sessions and sources."""
    return without(problem, plan.job.arguments["repair"]) if plan.job is not None and is_repair(plan) else problem


def told_plan(plan: Plan, problem: Problem) -> PurePlan:
    """What members were told, sessions called off since included: their queens have to go somewhere."""
    rows, first = placed_rows(plan.pk), first_day_of(problem)
    pure = pure_plan(plan, problem, rows)
    called_off = (placed_pure(row, first) for row in rows if row.day >= first and row.state == SessionState.CANCELLED)
    return replace(pure, assign=(*pure.assign, *called_off))


def changed_facts(plan: Plan, problem: Problem) -> list[str]:
    """What is not as it was when the plan was worked out, each in one sentence."""
    if not plan.problem:
        return []
    before = problem_from_json(plan.problem)
    names, first = Names(problem), first_day_of(problem)
    found = changes_between(before, problem, days_later=(first - first_day_of(before)).days)
    at_bench = {
        (str(session.bench_id), (session.day - first).days)
        for session in BenchSession.objects.filter(season=plan.season, day__gte=first).exclude(
            state__in=[SessionState.OPEN, SessionState.CANCELLED]
        )
    }
    # A session that has begun is no day lost.
    shown = (change for change in found if change.kind != "day_closed" or (change.bench, change.day) not in at_bench)
    return [_change_words(change, names) for change in shown]


def repair_choices(plan: Plan, problem: Problem) -> list[ShownChoice]:
    """Each choice of a repair with what it changes for whom, held against the plan it is based on."""
    told = told_plan(plan.based_on, problem) if plan.based_on is not None else PurePlan(problem.name)
    in_sketch = _by_booking(pure_plan(plan, problem).assign)
    found = [(choice, plan_from_json(choice["plan"])) for choice in choices_of(plan)]
    ids = {placement.booking for pure in (told, *(pure for _, pure in found)) for placement in pure.assign}
    bookings = {
        str(booking.pk): booking
        for booking in Booking.objects.filter(pk__in=[int(key) for key in ids]).select_related("batch", "member")
    }
    names, asked = Names(problem), {booking.id: booking.queens for booking in problem.bookings}
    return [
        _shown(choice, _by_booking(pure.assign), _by_booking(told.assign), in_sketch, bookings, asked, names)
        for choice, pure in found
    ]


def sessions_to_close(plan: Plan, *, first: dt.date) -> QuerySet[BenchSession]:
    """Open sessions ahead in which the plan has queens."""
    return (
        BenchSession.objects.filter(pk__in=plan.placements.values("session"), state=SessionState.OPEN, day__gte=first)
        .select_related("bench")
        .order_by("day", "pk")
    )


def sources_to_lose(plan: Plan) -> QuerySet[DroneSource]:
    """Sources that can still be drawn on."""
    return plan.season.sources.filter(withdrawn_at=None, hold_since=None).order_by("letter")


def _by_booking(assign: tuple[PurePlacement, ...]) -> dict[str, dict[_Place, int]]:
    found: dict[str, dict[_Place, int]] = defaultdict(dict)
    for p in assign:
        place = (p.bench, p.day, p.source or "")
        found[p.booking][place] = found[p.booking].get(place, 0) + p.queens
    return dict(found)


def _shown(
    choice: dict[str, Any],
    new: dict[str, dict[_Place, int]],
    old: dict[str, dict[_Place, int]],
    in_sketch: dict[str, dict[_Place, int]],
    bookings: dict[str, Booking],
    asked: dict[str, int],
    names: Names,
) -> ShownChoice:
    changes: dict[str, list[ShownChange]] = {"moved": [], "gained": [], "lost": []}
    for key in sorted(bookings, key=lambda key: (str(bookings[key].member), bookings[key].pk)):
        was, will = old.get(key, {}), new.get(key, {})
        gone = {place: n - will.get(place, 0) for place, n in was.items() if n > will.get(place, 0)}
        come = {place: n - was.get(place, 0) for place, n in will.items() if n > was.get(place, 0)}
        if key not in asked or not (gone or come):
            continue
        less, more = sum(gone.values()), sum(come.values())
        kind = "lost" if less > more else "gained" if more > less else "moved"
        change = ShownChange(
            bookings[key], kind, _places_words(gone, names), _places_words(come, names), abs(more - less)
        )
        changes[kind].append(change)
    names_of_choice = choice["names"]
    return ShownChoice(
        name=names_of_choice[0],
        title=_("The only choice")
        if len(names_of_choice) == len(TITLES)
        else " · ".join(str(TITLES[name]) for name in names_of_choice),
        hint=str(HINTS[names_of_choice[0]]),
        moved=choice["moved"],
        told=choice["told"],
        served=choice["served"],
        requested=sum(asked.values()),
        current=new == in_sketch,
        moves=changes["moved"],
        gains=changes["gained"],
        losses=changes["lost"],
    )


def _places_words(places: dict[_Place, int], names: Names) -> str:
    """“3 on Fri 12 June, Yard, Ling; 2 on …”"""
    return "; ".join(
        ngettext("%(n)d on %(day)s, %(bench)s (%(source)s)", "%(n)d on %(day)s, %(bench)s (%(source)s)", n)
        % {
            "n": n,
            "day": day_words(names.first_day + dt.timedelta(days=day)),
            "bench": names.of({"bench": bench}).bench,
            "source": names.of({"source": source}).source if source else _("mixed semen"),
        }
        for (bench, day, source), n in sorted(places.items(), key=lambda entry: (entry[0][1], entry[0]))
    )


def _change_words(change: Change, names: Names) -> str:
    ids = {"source": change.source, "bench": change.bench, "day": change.day, "booking": change.booking}
    return WORDS[change.kind](names.of(ids, amount=change.amount))


WORDS: dict[str, Callable[[Named], str]] = {
    "source_lost": lambda n: _("%(source)s has no drones to count on any more.") % vars(n),
    "source_less": lambda n: (
        _("%(source)s has %(left)s of the drones that were expected.")
        % {"source": n.source, "left": permille_words(n.amount)}
    ),
    "source_capped": lambda n: (
        _("%(source)s may give at most %(share)s of all semen by now.")
        % {"source": n.source, "share": permille_words(n.amount)}
    ),
    "source_excluded": lambda n: (
        ngettext(
            "%(source)s cannot be used for %(amount)d request any more.",
            "%(source)s cannot be used for %(amount)d requests any more.",
            n.amount,
        )
        % vars(n)
    ),
    "day_closed": lambda n: _("%(place)s: nobody is inseminated there any more.") % {"place": n.place},
    "day_shorter": lambda n: _("%(place)s: there is less time or fewer places.") % {"place": n.place},
    "batch_later": lambda n: (
        ngettext("%(booking)s emerges %(amount)d day later.", "%(booking)s emerges %(amount)d days later.", n.amount)
        % vars(n)
    ),
    "batch_earlier": lambda n: (
        ngettext(
            "%(booking)s emerges %(amount)d day earlier.", "%(booking)s emerges %(amount)d days earlier.", n.amount
        )
        % vars(n)
    ),
    "booking_new": lambda n: (
        ngettext(
            "%(booking)s: %(amount)d queen is asked anew.", "%(booking)s: %(amount)d queens are asked anew.", n.amount
        )
        % vars(n)
    ),
    "booking_gone": lambda n: _("%(booking)s: nobody waits for a place any more (done, withdrawn or lost).") % vars(n),
    "queens_more": lambda n: (
        ngettext("%(booking)s: %(amount)d queen more.", "%(booking)s: %(amount)d queens more.", n.amount) % vars(n)
    ),
    "queens_fewer": lambda n: (
        ngettext(
            "%(booking)s: %(amount)d queen fewer waits for a place (done, withdrawn or lost).",
            "%(booking)s: %(amount)d queens fewer wait for a place (done, withdrawn or lost).",
            n.amount,
        )
        % vars(n)
    ),
}
