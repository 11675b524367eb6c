"""What goes into an evaluation and what comes out: plain dataclasses shared by the kernels and the app."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

from breeding.genetics.types import Floats

Effects: TypeAlias = Literal["both", "worker", "queen"]


@dataclass(frozen=True, slots=True)
class Record:
    """One season's results of one colony, under the queen whose workers were tested.

    ``values``: trait -> result in the trait's unit, None or absent when not recorded.
    ``fixed``: factor -> level (also holds the levels of the random factors of the model).
    """

    queen: str
    values: Mapping[str, float | None]
    fixed: Mapping[str, str] = field(default_factory=dict)
    covariates: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ModelSpec:
    """Which effects explain a record besides the worker group and the queen.

    ``random`` names non-genetic random factors (for example mating area x year of openly mated
    queens); their covariance stands in ``Parameters.random``. Records without a level get none.
    ``effects`` may leave out the worker or the queen effect; its rows of ``Parameters.G0`` are then 0.
    """

    fixed: tuple[str, ...] = ()
    covariates: tuple[str, ...] = ()
    permanent_colony: bool = False
    groups: Literal["none", "fixed"] = "none"
    random: tuple[str, ...] = ()
    effects: Effects = "both"

    def kept_effects(self, n_traits: int) -> list[int]:
        """Which of the 2t columns (trait 1 worker, trait 1 queen, ...) the model holds."""
        wanted = {"both": (0, 1), "worker": (0,), "queen": (1,)}[self.effects]
        return [2 * trait + effect for trait in range(n_traits) for effect in wanted]


@dataclass(frozen=True, slots=True)
class Parameters:
    """(Co)variances in squared units of the traits.

    ``G0`` : (2t, 2t), order trait 1 worker, trait 1 queen, trait 2 worker, ... on the scale of
    unrelated non-inbred queens. ``R0`` : (t, t) within one record. ``permanent`` : (t, t) of one colony.
    """

    traits: tuple[str, ...]
    G0: Floats
    R0: Floats
    permanent: Floats | None = None
    random: Mapping[str, Floats] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Estimate:
    """A predicted value, the standard error of its prediction (same unit), its reliability (0 to 1)."""

    value: float
    error: float
    reliability: float


@dataclass(frozen=True, slots=True)
class TraitEstimates:
    """One queen, one trait, in the trait's unit.

    ``worker``, ``queen``: her own genes. ``total``: their sum, her value as a source of drones.
    ``as_mother``: worker + queen effect of her worker group, the mean of her daughters.
    ``performance``: her worker group's worker effect + her own queen effect, her colony's expectation.
    The last two are None while she is not mated.
    """

    worker: Estimate
    queen: Estimate
    total: Estimate
    as_mother: Estimate | None
    performance: Estimate | None
    records: int


@dataclass(frozen=True, slots=True)
class MeritEstimates:
    """Weighted merit in genetic standard deviations: own genes, daughters' mean, own colony."""

    as_drone_source: Estimate
    as_mother: Estimate | None
    performance: Estimate | None
