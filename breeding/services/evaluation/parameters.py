"""Which (co)variances and weights a run uses."""

from collections.abc import Sequence
from dataclasses import dataclass

from django.utils.translation import gettext as _

from accounts.models import Cooperative
from accounts.refusals import Refusal
from breeding.genetics.parameters import MEAN_A_WW, Heritabilities, components_of, joined_parameters
from breeding.genetics.records import Parameters
from breeding.genetics.types import InputError
from breeding.models import Trait
from breeding.services.evaluation.asking import USUAL


@dataclass(frozen=True)
class UsedParameters:
    """`source`: short key kept with the run; `words`: where they come from, for people."""

    parameters: Parameters
    source: str
    words: str


def parameters_of(cooperative: Cooperative, traits: Sequence[Trait], *, choice: str = USUAL) -> UsedParameters:
    """The (co)variances of a run: the starting values of the traits."""
    return UsedParameters(
        starting_parameters(traits),
        "starter",
        _("Variances are the starting values of each trait; the cooperative has adopted no estimates of its own."),
    )


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
                % {"trait": trait.name, "reason": error.reason},
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
