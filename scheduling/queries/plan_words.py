"""What the checker and the planner say, in the words of the bench: each rule and each reason is one sentence."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from typing import Any

from accounts.told import Part, Told, one_after_the_other
from accounts.told import told as _
from accounts.told import told_of as ngettext
from scheduling.models import Bench, Booking, DroneSource, Plan
from scheduling.planning.checker import Violation
from scheduling.planning.problem import Problem
from scheduling.queries.plan_rows import first_day_of
from scheduling.queries.words import volume_told


@dataclass(frozen=True)
class Named:
    """The names behind the ids of a violation or a reason."""

    booking: str
    bench: str
    source: str
    day: dt.date | str
    amount: int

    @property
    def place(self) -> Part:
        if self.bench and self.day:
            return _("%(day)s, %(bench)s") % {"day": self.day, "bench": self.bench}
        return self.day or self.bench


def violation_words(violation: Violation, problem: Problem, names: Names | None = None) -> Told:
    """One sentence: which rule, where, by how much."""
    place = {
        "booking": violation.booking,
        "bench": violation.bench,
        "source": violation.source,
        "day": violation.day,
    }
    named = (names or Names(problem)).of(place, amount=violation.amount)
    sentence = SENTENCES.get(violation.rule)
    return sentence(named) if sentence else _("The rule “%(rule)s” would be broken.") % {"rule": violation.rule}


def _drones(thousandths: int) -> int:
    return -(-thousandths // 1000)


SENTENCES: dict[str, Callable[[Named], Told]] = {
    "queens": lambda n: (
        ngettext(
            "%(booking)s would have %(amount)d queen more than asked for.",
            "%(booking)s would have %(amount)d queens more than asked for.",
            n.amount,
        )
        % vars(n)
    ),
    "age_low": lambda n: (
        ngettext(
            "%(booking)s would be %(amount)d day too young on %(day)s.",
            "%(booking)s would be %(amount)d days too young on %(day)s.",
            n.amount,
        )
        % vars(n)
    ),
    "age_high": lambda n: (
        ngettext(
            "%(booking)s would be %(amount)d day too old on %(day)s.",
            "%(booking)s would be %(amount)d days too old on %(day)s.",
            n.amount,
        )
        % vars(n)
    ),
    "bench": lambda n: _("%(booking)s cannot come to %(bench)s.") % vars(n),
    "closed": lambda n: _("Nobody is at %(bench)s on %(day)s.") % vars(n),
    "not_accepted": lambda n: _("%(booking)s was not asked for with %(source)s.") % vars(n),
    "excluded": lambda n: (
        _("%(source)s is closed for %(booking)s: a health hold, inbreeding over the limit or too low brood viability.")
        % vars(n)
    ),
    "not_at_bench": lambda n: _("The drones of %(source)s are not brought to %(bench)s.") % vars(n),
    "one_source": lambda n: _("%(booking)s wants one and the same source for the whole batch.") % vars(n),
    "mode": lambda n: _("%(booking)s asked for another way of mating (one source, or a mixture).") % vars(n),
    "minutes": lambda n: (
        ngettext(
            "%(day)s at %(bench)s is %(amount)d operator minute short.",
            "%(day)s at %(bench)s is %(amount)d operator minutes short.",
            n.amount,
        )
        % vars(n)
    ),
    "places": lambda n: (
        ngettext(
            "%(day)s at %(bench)s is full: %(amount)d place is missing.",
            "%(day)s at %(bench)s is full: %(amount)d places are missing.",
            n.amount,
        )
        % vars(n)
    ),
    "collect": lambda n: (
        _("The helpers cannot evert so many drones on %(day)s at %(bench)s: %(drones)d too many.")
        % {**vars(n), "drones": _drones(n.amount)}
    ),
    "co2_load": lambda n: (
        ngettext(
            "%(day)s at %(bench)s has no room for the other CO2 treatment of %(amount)d queen.",
            "%(day)s at %(bench)s has no room for the other CO2 treatment of %(amount)d queens.",
            n.amount,
        )
        % vars(n)
    ),
    "co2_count": lambda n: _("The CO2 rounds of %(day)s at %(bench)s do not match the queens.") % vars(n),
    "co2_age": lambda n: _("Queens would be too young for CO2 the day before %(day)s.") % vars(n),
    "stock": lambda n: (
        ngettext(
            "%(source)s is %(drones)d ripe drone short.",
            "%(source)s is %(drones)d ripe drones short.",
            _drones(n.amount),
        )
        % {**vars(n), "drones": _drones(n.amount)}
    ),
    "share": lambda n: _("%(source)s would give more than its share of all semen.") % vars(n),
    "min_sources": lambda n: _("The plan would use too few sources.") % vars(n),
    "frozen": lambda n: _("A place of %(booking)s that was fixed would be lost.") % vars(n),
    "pool_volume": lambda n: _("The parts of the mixture do not add up to its volume.") % vars(n),
    "pool_parts": lambda n: _("The mixture has too few sources.") % vars(n),
    "pool_cap": lambda n: _("One source is too large a part of the mixture.") % vars(n),
    "unknown_booking": lambda n: _("A request in the plan has been withdrawn or has ended.") % vars(n),
    "unknown_source": lambda n: _("A source in the plan has been withdrawn or put on hold.") % vars(n),
}


def reason_words(reason: Mapping[str, Any], names: Names) -> Told:
    """What is in the way of these queens, all of it at the nearest place, and what lifting it would give."""
    also = reason.get("also") or []
    sentences = [_one_reason(entry, names) for entry in (reason, *also)]
    gain, key = reason.get("gain"), str(reason["key"])
    if gain and key != "room":
        if len(also) > 1:
            sentences.append(_("All of it together would have to be lifted."))
        elif also:
            sentences.append(_("Both together would have to be lifted."))
        else:
            gives = ngettext(
                "Lifting it would give %(gain)d queen a place.",
                "Lifting it would give %(gain)d queens a place.",
                int(gain),
            )
            sentences.append(gives % {"gain": int(gain)})
    return one_after_the_other(sentences)


def _one_reason(reason: Mapping[str, Any], names: Names) -> Told:
    numbers = dict(reason.get("numbers") or {})
    key = str(reason["key"])
    sentence = REASON_SENTENCES.get(key)
    if sentence is None:
        return _("Blocked by: %(key)s.") % {"key": key}
    return sentence(names.of(numbers), numbers)


def way_words(way: Mapping[str, Any], names: Names) -> str:
    """What would help, as something that somebody can do; the gain stands beside it."""
    numbers = dict(way.get("numbers") or {})
    return str(WAY_SENTENCES[str(way["key"])](names.of(numbers), numbers))


def names_of_results(plan: Plan, problem: Problem | None = None) -> Names | None:
    """Names for the reasons and ways kept beside a plan: their days count from the day they were worked out."""
    first_day = plan.result.get("reasons_from")
    return Names(problem, first_day=dt.date.fromisoformat(first_day)) if first_day else None


@dataclass(frozen=True)
class ShownWay:
    """A way out for people: `what` somebody could do, `gain` what it gives, `who` could do it."""

    key: str
    what: str
    gain: str
    who: str
    numbers: Mapping[str, Any]


#: Who can do it: the member who asks, the keeper of the drones, or the coordinator.
WHO_CAN = {"lower_dose": "member", "accept_source": "member", "split_batch": "member", "more_drones": "keeper"}


def way_shown(way: Mapping[str, Any], names: Names) -> ShownWay:
    gain, numbers = int(way.get("gain") or 0), dict(way.get("numbers") or {})
    gives = ngettext("gives %(n)d queen a place", "gives %(n)d queens a place", gain) % {"n": gain}
    return ShownWay(
        str(way["key"]), way_words(way, names), str(gives), WHO_CAN.get(str(way["key"]), "coordinator"), numbers
    )


def _n(numbers: Mapping[str, Any]) -> int:
    return int(numbers.get("missing", 1) or 1)


def _missing(words: Told, named: Named) -> Told:
    return words % {**vars(named), "place": named.place, "missing": words.n}


REASON_SENTENCES: dict[str, Callable[[Named, dict[str, Any]], Told]] = {
    "by_hand": lambda n, k: _("The coordinator took them out of their place by hand."),
    "no_bench_day": lambda n, k: _("No bench day falls into the days on which these queens can be inseminated."),
    "no_source": lambda n, k: _("None of the accepted sources is offered any more."),
    "sources_excluded": lambda n, k: _(
        "Every accepted source is closed for them: a health hold, inbreeding over the limit or too low brood viability."
    ),
    "no_ripe_source": lambda n, k: _("No accepted source has ripe drones on a bench day in their window."),
    "too_few_sources": lambda n, k: _(
        "A mixture needs more sources than are ripe on any one bench day in their window."
    ),
    "no_co2": lambda n, k: _("No bench day in their window leaves room for the other CO2 treatment."),
    "minutes": lambda n, k: _missing(
        ngettext(
            "%(place)s has too little operator time: %(missing)d minute is missing.",
            "%(place)s has too little operator time: %(missing)d minutes are missing.",
            _n(k),
        ),
        n,
    ),
    "places": lambda n, k: _("%(place)s is full.") % {"place": n.place},
    "collect": lambda n, k: _missing(
        ngettext(
            "The helpers at %(place)s cannot evert enough drones: %(missing)d too many.",
            "The helpers at %(place)s cannot evert enough drones: %(missing)d too many.",
            _n(k),
        ),
        n,
    ),
    "stock": lambda n, k: _missing(
        ngettext(
            "%(source)s is %(missing)d ripe drone short on %(day)s.",
            "%(source)s is %(missing)d ripe drones short on %(day)s.",
            _n(k),
        ),
        n,
    ),
    "co2": lambda n, k: _("The CO2 rounds beside %(place)s are full.") % {"place": n.place},
    "share": lambda n, k: _("%(source)s has reached its share of the season's semen.") % vars(n),
    "one_source": lambda n, k: _("The batch is to stay with one source, and that one has no more for it."),
    "fairness": lambda n, k: (
        _(
            "A place on %(day)s that would fit them is held for a member who has less: without it that member would be "
            "left with places for %(other)s of the queens asked for. Here it is %(own)s."
        )
        % {
            **vars(n),
            "own": permille_words(int(k.get("own_permille", 0))),
            "other": permille_words(int(k.get("other_permille", 0))),
        }
    ),
    "room": lambda n, k: _("There is room for them: work the plan out again, or give them a place by hand."),
    "no_valid_plan": lambda n, k: _("No plan that keeps every rule was found."),
}


def permille_words(permille: int) -> Told:
    """“80 %”, “7.5 %”."""
    return _("%(number)s %%") % {"number": Decimal(permille) / 10}


WAY_SENTENCES: dict[str, Callable[[Named, dict[str, Any]], Told]] = {
    "more_drones": lambda n, k: _missing(
        ngettext(
            "%(missing)d more ripe drone of %(source)s on %(day)s",
            "%(missing)d more ripe drones of %(source)s on %(day)s",
            _n(k),
        ),
        n,
    ),
    "more_minutes": lambda n, k: _missing(
        ngettext(
            "%(missing)d more operator minute on %(place)s", "%(missing)d more operator minutes on %(place)s", _n(k)
        ),
        n,
    ),
    "more_places": lambda n, k: _missing(
        ngettext("%(missing)d more place on %(place)s", "%(missing)d more places on %(place)s", _n(k)), n
    ),
    "more_helpers": lambda n, k: _missing(
        ngettext(
            "helpers for %(missing)d more drone on %(place)s", "helpers for %(missing)d more drones on %(place)s", _n(k)
        ),
        n,
    ),
    "more_co2": lambda n, k: _missing(
        ngettext(
            "%(missing)d more CO2 treatment on the day after %(place)s",
            "%(missing)d more CO2 treatments on the day after %(place)s",
            _n(k),
        ),
        n,
    ),
    "wider_share": lambda n, k: (
        (
            _("%(source)s may give up to %(share)s of all semen")
            if n.source
            else _("a source may give up to %(share)s of all semen")
        )
        % {"source": n.source, "share": permille_words(int(k["permille"]))}
    ),
    "split_batch": lambda n, k: _("the batch may be split between sources"),
    "lower_dose": lambda n, k: (
        _("%(less)s in place of %(now)s for each of these queens")
        % {"less": volume_told(int(k["ul10"])), "now": volume_told(int(k["from_ul10"]))}
    ),
    "accept_source": lambda n, k: _("accept %(source)s too, on %(day)s") % vars(n),
    "open_session": lambda n, k: (
        _("one more bench day on %(place)s: %(places)d places, %(minutes)d minutes, helpers for %(drones)d drones")
        % {**k, "place": n.place}
    ),
}


class Names:
    """Names of everything that sentences speak of, read once.

    Days count from ``first_day``, else from the problem's own. Without a problem each name is looked up by itself.
    """

    def __init__(self, problem: Problem | None = None, *, first_day: dt.date | None = None) -> None:
        if first_day is None:
            assert problem is not None
            first_day = first_day_of(problem)
        self.first_day = first_day
        self._problem = problem

    @cached_property
    def bookings(self) -> dict[str, str]:
        known = self._problem.bookings if self._problem else ()
        return _by_id(Booking, (booking.id for booking in known), "batch__name")

    @cached_property
    def benches(self) -> dict[str, str]:
        return _by_id(Bench, (bench.id for bench in self._problem.benches) if self._problem else (), "name")

    @cached_property
    def sources(self) -> dict[str, str]:
        return _by_id(DroneSource, (source.id for source in self._problem.sources) if self._problem else (), "name")

    def of(self, ids: Mapping[str, Any], *, amount: int = 0) -> Named:
        day = ids.get("day")
        return Named(
            booking=_known(self.bookings, Booking, ids.get("booking"), "batch__name"),
            bench=_known(self.benches, Bench, ids.get("bench"), "name"),
            source=_known(self.sources, DroneSource, ids.get("source"), "name"),
            day=self.first_day + dt.timedelta(days=int(day)) if day is not None else "",
            amount=amount,
        )


def _by_id(model: Any, ids: Iterable[str], field: str) -> dict[str, str]:
    keys = [int(key) for key in ids if key.isdigit()]
    return {str(pk): str(name) for pk, name in model.objects.filter(pk__in=keys).values_list("pk", field)}


def _known(names: dict[str, str], model: Any, key: Any, field: str) -> str:
    """The name; what is not in the problem any more is looked up by itself."""
    if key is None or not str(key).isdigit():
        return ""
    if str(key) not in names:
        names[str(key)] = str(model.objects.filter(pk=int(key)).values_list(field, flat=True).first() or "")
    return names[str(key)]
