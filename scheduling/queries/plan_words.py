"""What the checker and the planner say, in the words of the bench: each rule and each reason is one sentence."""

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from scheduling.models import Bench, Booking, DroneSource
from scheduling.planning.checker import Violation
from scheduling.planning.problem import Problem
from scheduling.queries.plan_rows import first_day_of
from scheduling.queries.words import day_words


@dataclass(frozen=True)
class Named:
    """The names behind the ids of a violation or a reason."""

    booking: str
    bench: str
    source: str
    day: str
    amount: int

    @property
    def place(self) -> str:
        return f"{self.day}, {self.bench}" if self.bench and self.day else self.day or self.bench


def violation_words(violation: Violation, problem: Problem) -> str:
    """One sentence: which rule, where, by how much."""
    named = _named(
        {
            "booking": violation.booking,
            "bench": violation.bench,
            "source": violation.source,
            "day": violation.day,
        },
        problem,
        amount=violation.amount,
    )
    sentence = SENTENCES.get(violation.rule)
    return sentence(named) if sentence else _("The rule “%(rule)s” would be broken.") % {"rule": violation.rule}


def _drones(thousandths: int) -> int:
    return -(-thousandths // 1000)


SENTENCES: dict[str, Callable[[Named], str]] = {
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


def reason_words(reason: Mapping[str, Any], problem: Problem) -> str:
    """What is in the way of these queens, all of it at the nearest place, and what lifting it would give."""
    also = list(reason.get("also") or [])
    text = " ".join(_one_reason(entry, problem) for entry in (reason, *also))
    gain = reason.get("gain")
    if not gain or reason["key"] == "room":
        return text
    if also:
        return f"{text} {_('All of it together would have to be lifted.')}"
    lifted = ngettext(
        "Lifting it would give %(gain)d queen a place.", "Lifting it would give %(gain)d queens a place.", int(gain)
    ) % {"gain": gain}
    return f"{text} {lifted}"


def _one_reason(reason: Mapping[str, Any], problem: Problem) -> str:
    numbers = dict(reason.get("numbers") or {})
    named = _named(numbers, problem, amount=int(numbers.get("amount", 0) or 0))
    key = str(reason["key"])
    sentence = REASON_SENTENCES.get(key)
    return sentence(named, numbers) if sentence else _("Blocked by: %(key)s.") % {"key": key}


def _missing(key_words: dict[str, Any], singular: str, plural: str, named: Named) -> str:
    missing = int(key_words.get("missing", 1) or 1)
    return ngettext(singular, plural, missing) % {**vars(named), "place": named.place, "missing": missing}


REASON_SENTENCES: dict[str, Callable[[Named, dict[str, Any]], str]] = {
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
        k,
        "%(place)s has too little operator time: %(missing)d minute is missing.",
        "%(place)s has too little operator time: %(missing)d minutes are missing.",
        n,
    ),
    "places": lambda n, k: _("%(place)s is full.") % {"place": n.place},
    "collect": lambda n, k: _missing(
        k,
        "The helpers at %(place)s cannot evert enough drones: %(missing)d too many.",
        "The helpers at %(place)s cannot evert enough drones: %(missing)d too many.",
        n,
    ),
    "stock": lambda n, k: _missing(
        k,
        "%(source)s is %(missing)d ripe drone short on %(day)s.",
        "%(source)s is %(missing)d ripe drones short on %(day)s.",
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
            "own": f"{int(k.get('own_permille', 0)) / 10:g} %",
            "other": f"{int(k.get('other_permille', 0)) / 10:g} %",
        }
    ),
    "room": lambda n, k: _("There is room for them: work the plan out again, or give them a place by hand."),
    "no_valid_plan": lambda n, k: _("No plan that keeps every rule was found."),
}


def _named(ids: Mapping[str, Any], problem: Problem, *, amount: int) -> Named:
    day = ids.get("day")
    shown_day = day_words(first_day_of(problem) + dt.timedelta(days=int(day))) if day is not None else ""
    return Named(
        booking=_name(Booking, ids.get("booking"), "batch__name"),
        bench=_name(Bench, ids.get("bench"), "name"),
        source=_name(DroneSource, ids.get("source"), "name"),
        day=shown_day,
        amount=amount,
    )


def _name(model: Any, key: Any, field: str) -> str:
    if key is None or not str(key).isdigit():
        return ""
    return str(model.objects.filter(pk=int(key)).values_list(field, flat=True).first() or "")
