"""A plan of contributions: how many daughters of which mothers, and whose drones, under a ceiling of coancestry.

The numbers are worked out in `contribution_kernel`, which is loaded with the first plan alone.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal

from django.utils.translation import get_language

from accounts.queries.changes import Mark, changes_mark
from breeding.models import EvaluationRun, Merit, Queen, QueenStatus
from breeding.queries.crosses import CrossOptions, CrossPrediction

CANDIDATES_AT_MOST = 200
Goal = Literal["inbreeding", "viability"]


@dataclass(frozen=True)
class Candidate:
    """`merit`: of her daughters on the mothers' side, of her own genes as a source; in genetic SD."""

    queen: Queen
    merit: float


@dataclass(frozen=True)
class Wish:
    """What a plan shall hold. `rate`: largest rise of coancestry in a generation; `ceiling` instead of it, if given.

    `queens`: to be raised and inseminated. `…_most`, `…_least`: queens from one mother, with drones of one source;
    most None: no limit; below least nobody is used at all.
    """

    rate: float = 0.01
    ceiling: float | None = None
    queens: int = 40
    mother_most: int | None = None
    source_most: int | None = None
    mother_least: int = 1
    source_least: int = 1
    goal: Goal = "inbreeding"
    options: CrossOptions = field(default_factory=CrossOptions)


@dataclass(frozen=True)
class Use:
    """One candidate in the plan: her share of the path, and how many queens that is."""

    candidate: Candidate
    share: float
    number: int


@dataclass(frozen=True)
class Pair:
    mother: Queen
    source: Queen
    number: int
    prediction: CrossPrediction


@dataclass(frozen=True)
class Allocated:
    """Mothers and sources brought together; `mean`, `at_random`: of inbreeding or viability over all queens."""

    pairs: list[Pair]
    mean: float
    at_random: float
    all_sound: bool


@dataclass(frozen=True)
class Plan:
    """Coancestry is that of the next generation, gain its expected merit in genetic SD.

    `status`: `optimal`, `infeasible` (below `least`) or `not_converged`, which `message` explains. `now`: mean
    coancestry between the candidates; None with a single one. `curve`: (coancestry, gain) of the best plans.
    `whole`: gain and coancestry after rounding to whole queens.
    """

    status: str
    message: str
    target: float
    now: float | None
    least: float
    gain: float
    coancestry: float
    gain_lost: float
    curve: list[tuple[float, float]]
    equal: tuple[float, float]
    mothers: list[Use]
    sources: list[Use]
    whole: tuple[float, float] | None
    allocated: Allocated | None
    candidates: tuple[int, int]

    @property
    def least_rate(self) -> float | None:
        """The smallest rate of coancestry these candidates allow."""
        return None if self.now is None else (self.least - self.now) / (1 - self.now)


def mother_candidates(run: EvaluationRun, queens: Sequence[Queen] | None = None) -> list[Candidate]:
    """Mated living queens with the merit of their daughters, best first; of `queens`, those the run knows."""
    merits = Merit.objects.filter(run=run, as_mother__isnull=False).select_related("queen__line")
    merits = merits.filter(queen__in=queens) if queens else merits.filter(queen__status=QueenStatus.MATED)
    return [Candidate(m.queen, m.as_mother or 0.0) for m in merits.order_by("-as_mother", "queen__label")[:_MOST]]


def source_candidates(run: EvaluationRun, queens: Sequence[Queen] | None = None) -> list[Candidate]:
    """Ranked living queens with the merit of their own genes, best first; of `queens`, those the run knows."""
    merits = Merit.objects.filter(run=run).select_related("queen__line")
    if queens:
        merits = merits.filter(queen__in=queens)
    else:
        merits = merits.filter(ranked__isnull=False).exclude(queen__status=QueenStatus.GONE)
    return [Candidate(m.queen, m.merit) for m in merits.order_by("-merit", "queen__label")[:_MOST]]


_MOST = CANDIDATES_AT_MOST


def contribution_plan(
    run: EvaluationRun,
    mothers: Sequence[Candidate],
    sources: Sequence[Candidate],
    wish: Wish,
) -> Plan:
    """The best plan for a wish.

    Raises
    ------
    accounts.refusals.Refusal
        Limits that cannot be met, with the field they stand in.
    """
    mark, language = changes_mark(run.cooperative_id), get_language() or ""
    return _planned(_Asked(run, tuple(mothers), tuple(sources), wish, mark, language))


@dataclass(frozen=True, eq=False)
class _Asked:
    """A question with all that its answer follows from; what is known of the stock stands in the mark of changes."""

    run: EvaluationRun
    mothers: tuple[Candidate, ...]
    sources: tuple[Candidate, ...]
    wish: Wish
    mark: Mark
    language: str  # a plan that fails says why in words

    @property
    def _key(self) -> tuple[object, ...]:
        wish = self.wish
        genotypes = tuple(sorted(wish.options.genotypes.items()))
        rest = tuple(value for name, value in vars(wish).items() if name != "options")
        options = (wish.options.drones, wish.options.alleles, genotypes)
        return (self.run.pk, self.mark, self.language, self.mothers, self.sources, rest, options)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Asked) and self._key == other._key

    def __hash__(self) -> int:
        return hash(self._key)


@lru_cache(maxsize=8)  # a plan is looked at, downloaded and saved: the solver is asked once
def _planned(asked: _Asked) -> Plan:
    from breeding.queries import contribution_kernel

    return contribution_kernel.plan(asked.run, asked.mothers, asked.sources, asked.wish)
