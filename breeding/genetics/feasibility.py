"""Whether the data can carry two effects per colony, and which single effect is left if not.

References
----------
Du et al. (2022), G3, model selection (abstract): the model with both effects needs at least part of the
queens mated under control and records on more than 20 % of the colonies; with controlled matings a model
of one effect overestimates heritability.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from breeding.genetics.pedigree import Open, Pedigree
from breeding.genetics.records import Effects, Record

# Share of the colonies that must have records for two effects.
ENOUGH_RECORDED = 0.2


@dataclass(frozen=True, slots=True)
class Feasibility:
    """``effects`` that the data can carry, and the counts that say so.

    colonies : mated queens of the pedigree; recorded : those with a record; controlled : recorded queens
    that were not mated openly.
    """

    effects: Effects
    colonies: int
    recorded: int
    controlled: int

    @property
    def few_recorded(self) -> bool:
        return self.recorded <= ENOUGH_RECORDED * self.colonies

    @property
    def overestimates(self) -> bool:
        """Whether the one effect left will be taken for more heritable than it is."""
        return self.effects != "both" and self.controlled > 0

    def reasons(self) -> tuple[str, ...]:
        """Why two effects are not told apart, in words; nothing when they are."""
        said: list[str] = []
        if self.few_recorded:
            said.append(
                f"Only {self.recorded} of {self.colonies} colonies have records; worker and queen effect are hardly "
                "told apart up to one in five."
            )
        if not self.controlled:
            said.append("No tested queen was mated under control; worker and queen effect can hardly be told apart.")
        return tuple(said)


def feasible_effects(pedigree: Pedigree, records: Sequence[Record]) -> Feasibility:
    """What the data of ids can carry."""
    mated = set(pedigree.matings)
    mated |= {queen.dam for queen in pedigree.queens if queen.dam is not None}
    recorded = {r.queen for r in records if any(value is not None for value in r.values.values())}
    mated |= recorded
    controlled = sum(1 for id_ in recorded if not isinstance(pedigree.matings.get(id_, Open()), Open))
    return feasible_by_counts(len(mated), len(recorded), controlled)


def feasible_by_counts(colonies: int, recorded: int, controlled: int) -> Feasibility:
    """Both effects, or the one that is left.

    Notes
    -----
    Our choice of the one: the worker effect where mates are known, since it is the only one through which
    the drones used enter a record; the queen effect where they are not.
    """
    few = recorded <= ENOUGH_RECORDED * colonies
    effects: Effects = "both" if controlled and not few else "worker" if controlled else "queen"
    return Feasibility(effects, colonies, recorded, controlled)
