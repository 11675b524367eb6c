"""A few queens of one evaluation side by side: values with their errors, descent, kinship among them."""

from collections.abc import Sequence
from dataclasses import dataclass

from accounts.access import Viewer
from breeding.models import EvaluationRun, Merit, Trait, TraitValue
from breeding.queries.kinship import kinship_between
from breeding.queries.ranking import traits_of_run, with_values
from breeding.queries.stock import queens_seen_by

MOST_COMPARED = 4


@dataclass(frozen=True)
class Compared:
    """Queens in the order in which they were asked for; the lists of each trait and the kinships follow it."""

    merits: list[Merit]
    traits: list[tuple[Trait, list[TraitValue | None]]]
    kinship: list[list[float]]

    @property
    def leader(self) -> Merit:
        """The highest merit."""
        return max(self.merits, key=lambda merit: merit.merit)

    @property
    def is_surely_ahead(self) -> bool:
        """Her likely places lie before those of every other one."""
        first = self.leader
        others = [merit for merit in self.merits if merit is not first]
        if first.place_worst is None or any(merit.place_best is None for merit in others):
            return False
        return all(first.place_worst < (merit.place_best or 0) for merit in others)


def compared(viewer: Viewer, run: EvaluationRun, queens: Sequence[int]) -> Compared | None:
    """The first four of these queens that the run has a merit of; None when it has of none."""
    seen = queens_seen_by(viewer).filter(pk__in=queens)
    found = {
        merit.queen_id: merit
        for merit in Merit.objects.filter(run=run, queen__in=seen).select_related(
            "queen__line", "queen__owner", "queen__mother"
        )
    }
    merits = [found[pk] for pk in dict.fromkeys(queens) if pk in found][:MOST_COMPARED]
    if not merits:
        return None
    traits = list(traits_of_run(run))
    rows = with_values(run, merits, traits)
    by_trait = [(trait, [row.values[at] for row in rows]) for at, trait in enumerate(traits)]
    return Compared(merits, by_trait, kinship_between([merit.queen_id for merit in merits]))
