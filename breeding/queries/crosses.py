"""What a cross would give: merit of the daughters, inbreeding of the workers, viability of the brood.

Who is inseminated: a virgin herself; of a mated queen the daughters raised from her colony, who carry half of her
and half of the drones she met. A mated queen herself is never inseminated again.

Only the pedigree behind the queens concerned is read. The numbers are worked out in `cross_kernel`, which is loaded
with the first question alone: it brings the numerical libraries.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from django.db.models import F, QuerySet

from accounts.models import Cooperative
from breeding.models import EvaluationRun, Merit, PlannedCross, Queen, QueenStatus, TraitValue

# Sex alleles of an open stock: an effective number of 20, our choice inside the published range
# (28 and 32 in two Australian breeding stocks, 121 in Poland; frequencies are uneven). A small closed stock: 10.
OPEN_STOCK_ALLELES, CLOSED_STOCK_ALLELES = 20, 10
# Inbreeding of the workers from which a cross is named close: half sisters' offspring level.
CLOSE_INBREEDING = 0.125

# Worker and queen effect by trait key, in the trait's unit.
Effects = tuple[dict[str, float], dict[str, float]]


@dataclass(frozen=True)
class TraitOutlook:
    """One trait of a cross, in its unit. `workers`: mean worker effect; `colony`: performance of the colony;
    `daughters`: mean of queens raised from it. `…_sd`: spread between workers, between daughters."""

    workers: float
    workers_sd: float
    colony: float
    daughters: float
    daughters_sd: float


@dataclass(frozen=True)
class CrossPrediction:
    """One mother with one mixture. Merit in genetic SD; inbreeding and viability are shares of 1.

    `merit`, `merit_sd`, `traits` (by trait key): of queens raised from the cross, mean and spread; None and empty
    when the run knows one of the parents not. `of_daughters`: the mother is mated, her daughters are inseminated.
    `warning`: `strong` below 75 % of the brood, `mild` below 85 %, else empty. `below_75`: share of cases in which
    less than 75 % of the brood lives. `known_generations`: mean of both sides; inbreeding counts only what is known.
    """

    mother_id: int
    drone_queen_ids: tuple[int, ...]
    of_daughters: bool
    merit: float | None
    merit_sd: float | None
    traits: dict[str, TraitOutlook]
    worker_inbreeding: float
    viability: float
    viability_low: float
    viability_high: float
    below_75: float
    warning: str
    known_generations: float

    @property
    def is_close(self) -> bool:
        return self.worker_inbreeding >= CLOSE_INBREEDING

    @property
    def is_sound(self) -> bool:
        return not (self.is_close or self.warning)

    @property
    def empty_cells_in(self) -> int | None:
        """About 1 brood cell in this many stays empty; None when hardly any."""
        lost = 1 - self.viability
        return round(1 / lost) if lost >= 0.02 else None


@dataclass(frozen=True)
class CrossOptions:
    """`drones`: for each queen, None the usual dose; `genotypes`: queen id -> her two sex alleles, where known."""

    drones: int | None = None
    alleles: int = OPEN_STOCK_ALLELES
    genotypes: Mapping[int, tuple[str, str]] = field(default_factory=dict)


@dataclass(frozen=True)
class CrossGrid:
    """Every mother with every source; `cells[i][j]` is mother i with source j."""

    mothers: list[Queen]
    sources: list[Queen]
    cells: list[list[CrossPrediction]]


def predict_crosses(
    mother: Queen, drone_queens: Sequence[Queen], run: EvaluationRun | None, options: CrossOptions | None = None
) -> list[CrossPrediction]:
    """One prediction for each source taken alone, in the order given."""
    if not drone_queens:
        return []
    return cross_grid([mother], drone_queens, run, options).cells[0]


def cross_grid(
    mothers: Sequence[Queen],
    drone_queens: Sequence[Queen],
    run: EvaluationRun | None,
    options: CrossOptions | None = None,
) -> CrossGrid:
    """All mothers with all sources at once, each source alone."""
    if not mothers or not drone_queens:
        return CrossGrid(list(mothers), list(drone_queens), [[] for _ in mothers])
    from breeding.queries import cross_kernel

    cells = cross_kernel.grid(
        [(mother.pk, is_of_daughters(mother)) for mother in mothers],
        [queen.pk for queen in drone_queens],
        effects_of(run, {q.pk for q in (*mothers, *drone_queens)}, {m.pk for m in mothers if is_of_daughters(m)}),
        run.parameters if run else None,
        options or CrossOptions(),
    )
    return CrossGrid(list(mothers), list(drone_queens), cells)


def predict_mixture(
    mother: Queen,
    shares: Mapping[Queen, float],
    run: EvaluationRun | None,
    options: CrossOptions | None = None,
) -> CrossPrediction:
    """One source, or several mixed for each queen; `shares` need no fixed sum."""
    return predict_each([(mother, shares)], run, options)[0]


def predict_each(
    wanted: Sequence[tuple[Queen, Mapping[Queen, float]]],
    run: EvaluationRun | None,
    options: CrossOptions | None = None,
) -> list[CrossPrediction]:
    """Each of these crosses, in the order given; a single source has the same figures as in `cross_grid`."""
    alone = [(mother, next(iter(shares))) for mother, shares in wanted if len(shares) == 1]
    mixed = [(mother, shares) for mother, shares in wanted if len(shares) > 1]
    grid = cross_grid(list(dict.fromkeys(m for m, _ in alone)), list(dict.fromkeys(s for _, s in alone)), run, options)
    row = {mother: i for i, mother in enumerate(grid.mothers)}
    column = {source: j for j, source in enumerate(grid.sources)}
    singles = iter([grid.cells[row[mother]][column[source]] for mother, source in alone])
    found: Iterator[CrossPrediction] = iter([])
    if mixed:
        from breeding.queries import cross_kernel

        raised = {mother.pk for mother, _ in mixed if is_of_daughters(mother)}
        queens = {queen.pk for mother, shares in mixed for queen in (mother, *shares)}
        found = iter(
            cross_kernel.mixtures(
                [
                    ((mother.pk, mother.pk in raised), {queen.pk: share for queen, share in shares.items()})
                    for mother, shares in mixed
                ],
                effects_of(run, queens, raised),
                run.parameters if run else None,
                options or CrossOptions(),
            )
        )
    return [next(singles) if len(shares) == 1 else next(found) for _, shares in wanted]


def is_of_daughters(mother: Queen) -> bool:
    """Is it her daughters who are inseminated? Her own spermatheca is filled once in her life."""
    return mother.status != QueenStatus.VIRGIN


def effects_of(run: EvaluationRun | None, queen_ids: set[int], mother_ids: set[int]) -> dict[tuple[int, bool], Effects]:
    """Effects of the run by (queen, False) and, for mothers, of their mean daughter by (mother, True).

    A queen younger than the run is expected to be like her mother's daughters.
    """
    if run is None:
        return {}
    found: dict[tuple[int, bool], Effects] = {}
    younger = dict(
        Queen.objects.filter(pk__in=queen_ids, mother__isnull=False)
        .exclude(trait_values__run=run)
        .values_list("pk", "mother_id")
    )
    rows = TraitValue.objects.filter(run=run, queen__in=queen_ids | set(younger.values())).values_list(
        "queen_id", "trait__key", "worker", "queen_effect", "as_mother", "performance"
    )
    for pk, key, worker, laying, as_mother, performance in rows:
        _put(found, (pk, False), key, worker, laying)
        if as_mother is not None and performance is not None:
            # Her colony performs as its workers' effect and her own queen effect: the first is that of her daughters.
            of_workers = performance - laying
            _put(found, (pk, True), key, of_workers, as_mother - of_workers)
    for pk, mother in younger.items():
        if (mother, True) in found:
            found[pk, False] = found[mother, True]
    return {key: effects for key, effects in found.items() if key[0] in (mother_ids if key[1] else queen_ids)}


def _put(
    found: dict[tuple[int, bool], Effects], key: tuple[int, bool], trait: str, worker: float, queen: float
) -> None:
    workers, queens = found.setdefault(key, ({}, {}))
    workers[trait], queens[trait] = worker, queen


def best_mothers(run: EvaluationRun, number: int) -> list[Queen]:
    """Living mated queens whose daughters have the highest expected merit."""
    merits = (
        Merit.objects.filter(run=run, as_mother__isnull=False, queen__status=QueenStatus.MATED)
        .select_related("queen__line")
        .order_by("-as_mother", "queen__label")[:number]
    )
    return [merit.queen for merit in merits]


def planned_crosses_of(cooperative: Cooperative) -> QuerySet[PlannedCross]:
    """Saved crosses, the coming season first, with their sources."""
    return (
        PlannedCross.objects.filter(cooperative=cooperative)
        .select_related("mother__line", "mother__owner", "planned_by")
        .prefetch_related("shares__drone_queen")
        .order_by(F("season_year").desc(), "mother__label", "pk")
    )
