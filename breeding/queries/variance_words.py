"""What the estimate of a trait says and does not say, in words and rows for its page."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.utils.formats import number_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from breeding.models import Trait, VarianceAdoption, VarianceEstimate
from breeding.queries.variances import EDGE, ESTIMABLE, FEW, FLAT, NOT_APART, NOT_CONVERGED, usable_keys

# Results below which an estimate is called thin ("a few hundred colonies"), and the usual 5 %; our choice.
ENOUGH_TO_TRUST = 200
SURELY = 0.05


@dataclass(frozen=True)
class Figure:
    """One figure of a trait: its starting value beside the estimate and its error, as texts ("–" for none)."""

    label: str
    start: str
    own: str


@dataclass(frozen=True)
class TraitRow:
    trait: Trait
    figures: Sequence[Figure]
    words: Sequence[str]
    can_adopt: bool
    is_adopted: bool
    is_offered: bool  # ticked beforehand: can be adopted and nothing speaks against trusting it


def trait_rows(
    traits: Sequence[Trait], estimate: VarianceEstimate | None, adoption: VarianceAdoption | None
) -> list[TraitRow]:
    """One row for each trait that takes part in evaluations, with or without an estimate."""
    usable = set(usable_keys(estimate)) if estimate else set()
    in_use = adoption is not None and estimate is not None and adoption.estimate_id == estimate.pk
    adopted = set(adoption.traits) if adoption and in_use else set()
    rows = []
    for trait in traits:
        found = estimate.traits.get(trait.key) if estimate else None
        words = trait_words(found) if found else [_("No estimate yet.")]
        shown = found if found and found["status"] == ESTIMABLE else {}  # errors on an edge mean nothing
        can_adopt = trait.key in usable
        is_offered = can_adopt and not in_use and not (_doubts(found) if found else [])
        rows.append(TraitRow(trait, _figures(trait, shown), words, can_adopt, trait.key in adopted, is_offered))
    return rows


def trait_words(found: Mapping[str, Any]) -> list[str]:
    """How the search ended, what the data show, and how far to trust it."""
    status = found["status"]
    if status == FEW:
        return [
            ngettext(
                "%(records)s result; a search is started from %(needed)s on.",
                "%(records)s results; a search is started from %(needed)s on.",
                found["records"],
            )
            % found
        ]
    if status == FLAT:
        return [_("All results within an apiary and year are the same: nothing to estimate.")]
    said = [*_ending(found), *_effects(found)]
    if status == ESTIMABLE:
        said += _trust(found)
    return said


def together_words(estimate: VarianceEstimate, names: Mapping[str, str]) -> str:
    """How the search for correlations between traits ended; empty when it was not asked for or succeeded."""
    together = estimate.together
    if not together or "r" in together:
        return ""
    shown = ", ".join(names.get(key, key) for key in together["traits"])
    if together["status"] == FEW:
        return _("Correlations between traits need two traits with both effects estimated alone first.")
    return _("The correlations between %(traits)s could not be estimated with these data; each trait stands alone.") % {
        "traits": shown
    }


def together_rows(estimate: VarianceEstimate, names: Mapping[str, str]) -> list[tuple[str, str, str]]:
    """(two traits, correlation of the worker effects ± error, of the queen effects ± error)."""
    together = estimate.together
    if "r" not in together:
        return []
    keys, r, se = together["traits"], together["r"], together["se"]
    rows = []
    for a in range(len(keys)):
        for b in range(a):
            pair = f"{names.get(keys[b], keys[b])} – {names.get(keys[a], keys[a])}"
            cells = [_with_error([r[2 * a + e][2 * b + e], se[2 * a + e][2 * b + e]]) for e in (0, 1)]
            rows.append((pair, cells[0], cells[1]))
    return rows


def _ending(found: Mapping[str, Any]) -> list[str]:
    match found["status"]:
        case s if s == ESTIMABLE:
            return []
        case s if s == NOT_APART:
            return [_("Not estimable: these data cannot tell the parts of the variance apart.")]
        case s if s == NOT_CONVERGED:
            return [
                _("Not estimable: the search found no end in %(rounds)s rounds. More results may help.")
                % {"rounds": found["rounds"]}
            ]
        case s if s == EDGE:
            return [_("Not estimable with these data: %(edges)s.") % {"edges": "; ".join(_edges(found))}]
    raise ValueError(f"unknown ending: {found['status']}")


def _edges(found: Mapping[str, Any]) -> list[str]:
    said = []
    for edge in found["edges"]:
        if edge["term"] == "permanent":
            said.append(_("the lasting effect of the colony reaches 0"))
        elif edge["kind"] == "variance":
            is_queen = found["effects"] == "queen" or edge["effects"][0] % 2 == 1
            said.append(_("the queens' variance reaches 0") if is_queen else _("the workers' variance reaches 0"))
        elif edge["kind"] == "correlation":
            r = (found["correlation"] or [0.0])[0]
            said.append(
                _("the correlation of worker and queen effect reaches %(end)s") % {"end": "1" if r > 0 else "−1"}
            )
        else:
            said.append(_("nothing is left to chance"))
    return said


def _effects(found: Mapping[str, Any]) -> list[str]:
    """One effect or two, and whether the data ask for both."""
    if found["effects"] != "both":
        if not found["controlled"]:
            return [_("Only the queens' part is estimated: no tested queen was mated under control.")]
        return [
            _(
                "Only the workers' part is estimated, and as too heritable: %(colonies)s of %(mated)s colonies have "
                "results, more than one in five is needed for both."
            )
            % found
        ]
    if found["status"] != ESTIMABLE or not found["tests"]:
        return []
    alone = {test["against"]: test["p"] for test in found["tests"]}
    enough = [
        words
        for against, words in (("queen", _("the queens' part alone")), ("worker", _("the workers' part alone")))
        if alone.get(against, 0.0) >= SURELY
    ]
    if not enough:
        return [_("The data show both effects.")]
    p = min(alone[against] for against in alone if alone[against] >= SURELY)
    return [
        _("These data are explained as well by %(alone)s (p = %(p)s); two effects are not proven.")
        % {"alone": _(" or by ").join(enough), "p": number_format(round(p, 2), decimal_pos=2)}
    ]


def _trust(found: Mapping[str, Any]) -> list[str]:
    said = _doubts(found)
    if found["permanent"]:
        said.append(
            _("A lasting effect of the colony that is not inherited makes %(share)s of the variance.")
            % {"share": _with_error(found["permanent"])}
        )
    return said


def _doubts(found: Mapping[str, Any]) -> list[str]:
    """What speaks against trusting an estimate."""
    said = []
    if found["records"] < ENOUGH_TO_TRUST:
        said.append(
            _("From %(records)s results only; a few hundred are wanted before trusting it.")
            % {"records": found["records"]}
        )
    wide = [
        name
        for name, pair in ((_("workers"), found["h2_worker"]), (_("queens"), found["h2_queen"]))
        if pair and pair[1] > pair[0] / 2
    ]
    if wide:
        said.append(
            _("Very unsure for %(whom)s: the error is more than half of the value.") % {"whom": _(" and ").join(wide)}
        )
    return said


def _figures(trait: Trait, found: Mapping[str, Any]) -> list[Figure]:
    return [
        Figure(_("Heritable, workers"), _plain(trait.h2_worker), _with_error(found.get("h2_worker"))),
        Figure(_("Heritable, queens"), _plain(trait.h2_queen), _with_error(found.get("h2_queen"))),
        Figure(_("Correlation"), _plain(trait.correlation_worker_queen), _with_error(found.get("correlation"))),
        Figure(
            _("Spread of results"),
            _plain(trait.phenotypic_sd),
            _with_error(found.get("phenotypic_sd")),
        ),
    ]


def _plain(number: Any) -> str:
    return number_format(round(float(number), 2), decimal_pos=2).replace("-", "−")


def _with_error(pair: Sequence[float] | None) -> str:
    return "–" if pair is None else f"{_plain(pair[0])} ± {_plain(pair[1])}"
