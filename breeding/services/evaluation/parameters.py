"""Which (co)variances and weights a run uses, and how many effects its data can carry."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from accounts.models import Cooperative
from accounts.refusals import Refusal
from accounts.told import Told, one_after_the_other
from accounts.told import told as _
from breeding.genetics.feasibility import Feasibility
from breeding.genetics.parameters import (
    MEAN_A_WW,
    Heritabilities,
    components_of,
    joined_parameters,
    one_effect_parameters,
)
from breeding.genetics.records import Effects, ModelSpec, Parameters
from breeding.genetics.types import InputError
from breeding.models import Trait, VarianceAdoption, VarianceEstimate
from breeding.queries.connection import FACTOR
from breeding.queries.variances import adoption_in_use
from breeding.services.evaluation.asking import USUAL


@dataclass(frozen=True)
class UsedParameters:
    """`source`: short key kept with the run; `words`: where they come from, for people; `spec`: the model."""

    parameters: Parameters
    source: str
    words: Told
    spec: ModelSpec


def parameters_of(
    cooperative: Cooperative, traits: Sequence[Trait], *, choice: str = USUAL, effects: Effects = "both"
) -> UsedParameters:
    """The (co)variances of a run: the adopted estimates where there are some, else each trait's starting values.

    effects : those that the data can carry; for one alone the heritable variance of both stands on it.
    """
    start = starting_parameters(traits)
    adoption = adoption_in_use(cooperative) if choice == USUAL else None
    if adoption is None or adoption.estimate is None:
        return UsedParameters(
            one_effect_parameters(start, effects),
            "starter",
            _("Variances are the starting values of each trait.")
            if choice != USUAL
            else _(
                "Variances are the starting values of each trait; no estimates of the cooperative's own are in use."
            ),
            ModelSpec(fixed=(FACTOR,), effects=effects),
        )
    taken = _taken(adoption, traits, effects)
    parameters = _with_estimates(start, adoption.estimate, taken)
    return UsedParameters(
        one_effect_parameters(parameters, effects),
        f"estimate {adoption.estimate.number}" if taken else "starter",
        _source_words(adoption.estimate, traits, taken),
        ModelSpec(fixed=(FACTOR,), permanent_colony=parameters.permanent is not None, effects=effects),
    )


def _taken(adoption: VarianceAdoption, traits: Sequence[Trait], effects: Effects) -> list[str]:
    """Adopted traits of the run whose estimates hold the effects that it needs."""
    assert adoption.estimate is not None
    found = adoption.estimate.traits
    return [
        trait.key
        for trait in traits
        if trait.key in adoption.traits and (effects != "both" or found[trait.key]["effects"] == "both")
    ]


def _with_estimates(start: Parameters, estimate: VarianceEstimate, taken: Sequence[str]) -> Parameters:
    """The starting matrices with the estimated ones of some traits in their place.

    A lasting effect of the colony is kept when every trait of the run has one, else it counts as chance.
    """
    matrices = estimate.matrices
    where = [matrices["traits"].index(key) for key in taken]
    at = [start.traits.index(key) for key in taken]
    G0, R0 = start.G0.copy(), start.R0.copy()
    own_G, own_R = np.array(matrices["G0"]), np.array(matrices["R0"])
    lasting = np.array(matrices["permanent"])[np.ix_(where, where)]
    keeps = bool(taken) and len(taken) == len(start.traits) and bool((np.diag(lasting) > 0).all())
    effects_at = [2 * k + effect for k in at for effect in (0, 1)]
    effects_where = [2 * k + effect for k in where for effect in (0, 1)]
    G0[np.ix_(effects_at, effects_at)] = own_G[np.ix_(effects_where, effects_where)]
    R0[np.ix_(at, at)] = own_R[np.ix_(where, where)] + (0 if keeps else lasting)
    permanent = np.zeros_like(R0)
    permanent[np.ix_(at, at)] = lasting
    return replace(start, G0=G0, R0=R0, permanent=permanent if keeps else None)


def _source_words(estimate: VarianceEstimate, traits: Sequence[Trait], taken: Sequence[str]) -> Told:
    own = [str(trait) for trait in traits if trait.key in taken]
    others = [str(trait) for trait in traits if trait.key not in taken]
    if not own:
        return _(
            "Variances are the starting values of each trait; the cooperative's estimates %(number)s hold none that "
            "this evaluation can use."
        ) % {"number": estimate.number}
    if not others:
        return _("Variances are the cooperative's own estimates %(number)s.") % {"number": estimate.number}
    return _(
        "Variances of %(own)s are the cooperative's own estimates %(number)s; those of %(others)s are starting values."
    ) % {"own": ", ".join(own), "number": estimate.number, "others": ", ".join(others)}


def effects_words(feasible: Feasibility) -> list[Told]:
    """What a run says when its data cannot carry both effects."""
    if feasible.effects == "both":
        return []
    counts = {"recorded": feasible.recorded, "mated": feasible.colonies}
    if feasible.controlled:
        why = _("Only %(recorded)s of %(mated)s colonies have results; more than one in five is needed.") % counts
        what = _("So all breeding value is put on the workers; this takes traits for more heritable than they are.")
    else:
        why = _("No tested queen was mated under control, so worker and queen effect cannot be told apart.")
        what = _("So all breeding value is put on the queen.")
    return [one_after_the_other([why, what])]


def starting_parameters(traits: Sequence[Trait]) -> Parameters:
    """Variances from each trait's own row, no covariance between traits: nothing is assumed that was not measured."""
    parts = []
    for trait in traits:
        known = Heritabilities(float(trait.h2_worker), float(trait.h2_queen), float(trait.correlation_worker_queen))
        try:
            parts.append(components_of(float(trait.phenotypic_sd) ** 2, known, mean_a_ww=MEAN_A_WW))
        except InputError as error:
            raise Refusal(
                _("The starting values of %(trait)s cannot be used: %(reason)s.")
                % {"trait": str(trait), "reason": error.reason},
                rule="parameters",
            ) from error
    return joined_parameters([trait.key for trait in traits], parts)


def merit_weights(traits: Sequence[Trait]) -> dict[str, float]:
    """Weight of each trait in the merit, negative where low is good."""
    weights = {t.key: float(t.merit_weight) * (1 if t.high_is_good else -1) for t in traits}
    if not any(weights.values()):
        raise Refusal(
            _("Every trait that has scores has weight 0 in the merit. Give at least one of them a weight."),
            rule="weights",
        )
    return weights
