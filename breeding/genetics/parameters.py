"""(Co)variances of worker and queen effects: starter sets, heritabilities, checks."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from breeding.genetics.covariances import require_positive_definite
from breeding.genetics.records import Effects, ModelSpec, Parameters
from breeding.genetics.types import Floats, InputError

# Mean relationship of two workers of a colony with pools of sister drone-producing queens.
MEAN_A_WW = 0.35


@dataclass(frozen=True, slots=True)
class Heritabilities:
    """``worker``: a-bar s2_w / s2_P; ``queen``: s2_q / s2_P; ``correlation`` between both effects."""

    worker: float
    queen: float
    correlation: float

    @property
    def colony_without_covariance(self) -> float:
        return self.worker + self.queen


# Our own choice inside the published ranges; replace by own estimates from a few hundred colonies on.
STARTERS: Mapping[str, Heritabilities] = {
    "honey": Heritabilities(0.25, 0.15, -0.5),
    "gentleness": Heritabilities(0.35, 0.25, -0.4),
    "calmness": Heritabilities(0.35, 0.25, -0.4),
    "swarming": Heritabilities(0.25, 0.20, -0.4),
    "hygienic": Heritabilities(0.25, 0.15, -0.3),
    "varroa": Heritabilities(0.10, 0.05, -0.2),
}


@dataclass(frozen=True, slots=True)
class Components:
    """Variances of one trait in squared units: worker, worker-queen covariance, queen, residual."""

    worker: float
    covariance: float
    queen: float
    residual: float

    def matrix(self) -> Floats:
        return np.array([[self.worker, self.covariance], [self.covariance, self.queen]])


def components_of(
    phenotypic_variance: float, heritabilities: Heritabilities, *, mean_a_ww: float = MEAN_A_WW
) -> Components:
    """Variance components of one trait from its phenotypic variance [squared unit of the trait].

    Raises
    ------
    InputError
        Nothing is left for the residual, or the numbers leave their ranges.
    """
    h = heritabilities
    if not phenotypic_variance > 0:
        raise InputError("phenotypic_variance", f"must be above 0, not {phenotypic_variance:g}")
    if not 0 < h.worker < 1 or not 0 < h.queen < 1 or not -1 < h.correlation < 1:
        raise InputError("heritabilities", "must lie between 0 and 1, the correlation between -1 and 1")
    worker = h.worker * phenotypic_variance / mean_a_ww
    queen = h.queen * phenotypic_variance
    covariance = h.correlation * float(np.sqrt(worker * queen))
    residual = phenotypic_variance * (1 - h.worker - h.queen) - covariance
    if residual <= 0:
        raise InputError("heritabilities", f"leave no residual variance ({residual:.4g})")
    return Components(worker, covariance, queen, residual)


def heritabilities_of(components: Components, *, mean_a_ww: float = MEAN_A_WW) -> Heritabilities:
    """The way back: heritabilities and correlation of given components."""
    whole = phenotypic_variance(components, a_ww=mean_a_ww)
    return Heritabilities(
        mean_a_ww * components.worker / whole,
        components.queen / whole,
        components.covariance / float(np.sqrt(components.worker * components.queen)),
    )


def phenotypic_variance(components: Components, *, a_ww: float, a_qw: float = 0.5, a_qq: float = 1.0) -> float:
    """Variance of a colony's record: a_WW s2_w + a_QQ s2_q + 2 a_QW s_wq + s2_e."""
    c = components
    return a_ww * c.worker + a_qq * c.queen + 2 * a_qw * c.covariance + c.residual


def starter_parameters(traits: Mapping[str, tuple[str, float]], *, mean_a_ww: float = MEAN_A_WW) -> Parameters:
    """Parameters of several traits without correlations between traits.

    traits : trait -> (name of a starter set, phenotypic variance in squared units).
    """
    parts: list[Components] = []
    for trait, (starter, variance) in traits.items():
        if starter not in STARTERS:
            raise InputError(f"traits.{trait}", f'unknown starter set "{starter}"')
        parts.append(components_of(variance, STARTERS[starter], mean_a_ww=mean_a_ww))
    return joined_parameters(list(traits), parts)


def joined_parameters(traits: Sequence[str], parts: Sequence[Components]) -> Parameters:
    """Block-diagonal parameters from one set of components per trait."""
    t = len(parts)
    G0 = np.zeros((2 * t, 2 * t))
    for k, part in enumerate(parts):
        G0[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] = part.matrix()
    return Parameters(tuple(traits), G0, np.diag([part.residual for part in parts]))


def one_effect_parameters(parameters: Parameters, effects: Effects, *, mean_a_ww: float = MEAN_A_WW) -> Parameters:
    """The same phenotypic variances with everything heritable put on one effect, the other 0.

    Heritable in a colony's result is a-bar s2_w + s2_q + s_wq, between traits alike; this stands on the
    effect that is left (divided by a-bar for the worker). Parameters that hold one effect already are
    moved to the other in the same way. ``both`` gives them back as they are.
    """
    if effects == "both":
        return parameters
    G = parameters.G0
    worker, queen, cross = G[0::2, 0::2], G[1::2, 1::2], G[0::2, 1::2]
    heritable = mean_a_ww * worker + queen + 0.5 * (cross + cross.T)
    made = np.zeros_like(G)
    if effects == "queen":
        made[1::2, 1::2] = heritable
    else:
        made[0::2, 0::2] = heritable / mean_a_ww
    return replace(parameters, G0=made)


def genetic_sd(parameters: Parameters) -> dict[str, float]:
    """sqrt(s2_w + s2_q + 2 s_wq) per trait: the spread of worker + queen effect among unrelated queens."""
    made: dict[str, float] = {}
    for k, trait in enumerate(parameters.traits):
        made[trait] = float(np.sqrt(parameters.G0[2 * k : 2 * k + 2, 2 * k : 2 * k + 2].sum()))
    return made


def merit_contrast(parameters: Parameters, weights: Mapping[str, float], *, path: str = "weights") -> Floats:
    """Weight of each effect in the merit, (2t,): w_t / sd_t for both effects, sum |w| = 1.

    Raises
    ------
    InputError
        Unknown trait, or no weight other than 0.
    """
    for trait, weight in weights.items():
        if trait not in parameters.traits:
            raise InputError(f"{path}.{trait}", f'unknown trait "{trait}"')
        if not np.isfinite(weight):
            raise InputError(f"{path}.{trait}", "must be a number")
    whole = sum(abs(w) for w in weights.values())
    if whole == 0:
        raise InputError(path, "needs at least one weight other than 0")
    sd = genetic_sd(parameters)
    contrast = [weights.get(trait, 0.0) / whole / sd[trait] for trait in parameters.traits]
    return np.repeat(contrast, 2)


def check_parameters(parameters: Parameters, *, effects: Effects = "both", path: str = "parameters") -> None:
    """Refuse matrices of the wrong size or without an inverse; effects that the model leaves out must be 0."""
    t = len(parameters.traits)
    if t == 0:
        raise InputError(f"{path}.traits", "needs at least one trait")
    if len(set(parameters.traits)) < t:
        raise InputError(f"{path}.traits", "a trait stands twice")
    wanted = [("G0", parameters.G0, 2 * t), ("R0", parameters.R0, t)]
    if parameters.permanent is not None:
        wanted.append(("permanent", parameters.permanent, t))
    wanted += [(f"random.{name}", K, t) for name, K in parameters.random.items()]
    for name, K, size in wanted:
        if np.shape(K) != (size, size):
            raise InputError(f"{path}.{name}", f"must be {size} x {size} for {t} traits")
        if name == "G0" and effects != "both":
            kept = ModelSpec(effects=effects).kept_effects(t)
            left_out = np.setdiff1d(np.arange(2 * t), kept)
            if np.any(K[left_out]) or np.any(K[:, left_out]):
                raise InputError(f"{path}.G0", f"must be 0 for what a {effects}-only model leaves out")
            K = K[np.ix_(kept, kept)]
        require_positive_definite(np.asarray(K, dtype=float), f"{path}.{name}")
