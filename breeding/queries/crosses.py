"""What a cross would give: merit of the daughters, inbreeding of the workers, viability of the brood.

Who is inseminated: a virgin herself; of a mated queen the daughters raised from her colony, who carry half of her
and half of the drones she met. A mated queen herself is never inseminated again.

Only the pedigree behind the queens concerned is read, and the simulated viability of each pair is kept in the
cache under a fingerprint of exactly that pedigree: a corrected mating gives a new one by itself.
"""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from django.core.cache import cache

from breeding.genetics import pedigree as kernel
from breeding.genetics.crosses import Cross, EffectValues, plan_crosses
from breeding.genetics.viability import WARN_BELOW, WARN_STRONGLY_BELOW, Viability, brood_viability
from breeding.models import EvaluationRun, Queen, QueenStatus, TraitValue
from breeding.queries.ancestry import ancestors_of, sources_of
from breeding.queries.connection import sources_by_queen
from breeding.queries.pedigree import pedigree_of_queens

# Sex alleles of an open stock: an effective number of 20, our choice inside the published range
# (28 and 32 in two Australian breeding stocks, 121 in Poland; frequencies are uneven).
SEX_ALLELES = 20
REPLICATES = 3_000  # standard error of the mean about 0.2 points at most
SEED = 19_760_401
KEPT_SECONDS = 30 * 24 * 3600
# Inbreeding of the workers from which a cross is named close: half sisters' offspring level.
CLOSE_INBREEDING = 0.125
DAUGHTER = "daughter"


@dataclass(frozen=True)
class CrossPrediction:
    """One mother with one mixture. Merit in genetic SD; inbreeding and viability are shares of 1.

    `merit`, `traits` (trait key -> value in its unit): expected of queens raised from the cross; None and empty
    when the run knows one of the parents not. `of_daughters`: the mother is mated, her daughters are inseminated.
    """

    mother_id: int
    drone_queen_ids: tuple[int, ...]
    of_daughters: bool
    merit: float | None
    traits: dict[str, float]
    worker_inbreeding: float
    viability: float
    viability_low: float
    viability_high: float

    @property
    def warning(self) -> str:
        """`strong` below 75 % of the brood, `mild` below 85 %, else empty."""
        if self.viability < WARN_STRONGLY_BELOW:
            return "strong"
        return "mild" if self.viability < WARN_BELOW else ""

    @property
    def is_close(self) -> bool:
        return self.worker_inbreeding >= CLOSE_INBREEDING

    @property
    def empty_cells_in(self) -> int | None:
        """About 1 brood cell in this many stays empty; None when hardly any."""
        lost = 1 - self.viability
        return round(1 / lost) if lost >= 0.02 else None


def predict_crosses(
    mother: Queen, drone_queens: Sequence[Queen], run: EvaluationRun | None, *, drones: int = kernel.USUAL_DOSE_UL
) -> list[CrossPrediction]:
    """One prediction for each source taken alone, in the order given; `drones` in all, about 1 per µl."""
    return _predicted(mother, [{queen.pk: 1.0} for queen in drone_queens], run, drones=drones)


def predict_mixture(
    mother: Queen, drone_queens: Sequence[Queen], run: EvaluationRun | None, *, drones: int = kernel.USUAL_DOSE_UL
) -> CrossPrediction:
    """All sources mixed in equal parts."""
    return _predicted(mother, [{queen.pk: 1.0 for queen in drone_queens}], run, drones=drones)[0]


def _predicted(
    mother: Queen, mixtures: Sequence[dict[int, float]], run: EvaluationRun | None, *, drones: int
) -> list[CrossPrediction]:
    if not mixtures:
        return []
    ids = {mother.pk} | {pk for mixture in mixtures for pk in mixture}
    met = sources_of([mother.pk]).get(mother.pk, set())
    pedigree = pedigree_of_queens(ancestors_of(ids | met))
    of_daughters = mother.status != QueenStatus.VIRGIN
    values = _effect_values(run, ids) if run else {}
    inseminated = str(mother.pk)
    if of_daughters:
        inseminated = DAUGHTER
        pedigree = replace(pedigree, queens=[*pedigree.queens, kernel.Queen(DAUGHTER, str(mother.pk))])
        values |= _daughter_values(run, {DAUGHTER: mother.pk}) if run else {}
    pedigree = _pruned(pedigree, {queen.id for queen in pedigree.queens})
    crosses = [
        Cross(inseminated, {str(pk): share for pk, share in mixture.items()}, n_drones=drones) for mixture in mixtures
    ]
    known = [{cross.queen, *cross.sources} <= set(values) for cross in crosses]
    results = plan_crosses(pedigree, crosses)
    valued = iter(
        plan_crosses(
            pedigree,
            [cross for cross, has in zip(crosses, known, strict=True) if has],
            values,
            weights=run.parameters["weights"],
            genetic_sd=run.parameters["genetic_sd"],
        )
        if run and any(known)
        else []
    )
    links = _links(pedigree)
    predictions = []
    for mixture, cross, result, has in zip(mixtures, crosses, results, known, strict=True):
        viability = _viability(pedigree, links, cross)
        value = next(valued) if has else None
        predictions.append(
            CrossPrediction(
                mother_id=mother.pk,
                drone_queen_ids=tuple(mixture),
                of_daughters=of_daughters,
                merit=value.merit if value else None,
                traits={key: trait.daughters for key, trait in value.traits.items()} if value else {},
                worker_inbreeding=result.worker_inbreeding,
                viability=viability.expected,
                viability_low=viability.low5,
                viability_high=viability.high95,
            )
        )
    return predictions


def _effect_values(run: EvaluationRun, queen_ids: set[int]) -> dict[str, EffectValues]:
    """Values of the run; a queen younger than the run is expected to be like her mother's daughters."""
    rows = TraitValue.objects.filter(run=run, queen__in=queen_ids).values_list(
        "queen_id", "trait__key", "worker", "queen_effect"
    )
    worker: dict[int, dict[str, float]] = {}
    queen: dict[int, dict[str, float]] = {}
    for pk, key, worker_effect, queen_effect in rows:
        worker.setdefault(pk, {})[key] = worker_effect
        queen.setdefault(pk, {})[key] = queen_effect
    values = {str(pk): EffectValues(worker[pk], queen[pk]) for pk in worker}
    missing = queen_ids - set(worker)
    if missing:
        mothers = Queen.objects.filter(pk__in=missing, mother__isnull=False).values_list("pk", "mother_id")
        values |= _daughter_values(run, {str(pk): mother for pk, mother in mothers})
    return values


def _daughter_values(run: EvaluationRun, mothers: dict[str, int]) -> dict[str, EffectValues]:
    """The mean of each mother's daughters. A run keeps the sum of both effects, all that is asked of it here."""
    rows: dict[int, dict[str, float]] = {}
    for pk, key, value in TraitValue.objects.filter(run=run, queen__in=set(mothers.values())).values_list(
        "queen_id", "trait__key", "as_mother"
    ):
        if value is not None:
            rows.setdefault(pk, {})[key] = value
    return {
        id_: EffectValues(rows[mother], dict.fromkeys(rows[mother], 0.0))
        for id_, mother in mothers.items()
        if mother in rows
    }


def _viability(pedigree: kernel.Pedigree, links: dict[str, set[str]], cross: Cross) -> Viability:
    """From the cache, else simulated on the pedigree behind this cross alone with a fixed seed."""
    behind = _closure({cross.queen, *cross.sources}, links)
    part = _pruned(pedigree, behind)
    print_ = hashlib.sha256(repr((part, cross, SEX_ALLELES, REPLICATES, SEED)).encode()).hexdigest()
    key = f"viability:{print_}"
    kept: Viability | None = cache.get(key)
    if kept is None:
        rng = np.random.default_rng(SEED)
        kept = brood_viability(part, alleles=SEX_ALLELES, rng=rng, crosses=[cross], replicates=REPLICATES).crosses[0]
        cache.set(key, kept, KEPT_SECONDS)
    return kept


def _links(pedigree: kernel.Pedigree) -> dict[str, set[str]]:
    sources = sources_by_queen(pedigree)
    return {
        queen.id: {queen.dam, *sources.get(queen.dam, ())} if queen.dam is not None else set()
        for queen in pedigree.queens
    }


def _closure(start: set[str], links: dict[str, set[str]]) -> set[str]:
    seen, open_ = set(start), list(start)
    while open_:
        for parent in links.get(open_.pop(), ()):
            if parent not in seen:
                seen.add(parent)
                open_.append(parent)
    return seen


def _pruned(pedigree: kernel.Pedigree, keep: set[str]) -> kernel.Pedigree:
    """The queens to keep and the matings of those among them that are mothers there."""
    mothers = {queen.dam for queen in pedigree.queens if queen.id in keep and queen.dam is not None}
    matings = {id_: mating for id_, mating in pedigree.matings.items() if id_ in mothers}
    drones = {m.drone for m in matings.values() if isinstance(m, kernel.SingleDrone)}
    batches = {m.batch for m in matings.values() if isinstance(m, kernel.SharedBatch)}
    groups = {m.group for m in matings.values() if isinstance(m, kernel.Station)}
    return kernel.Pedigree(
        queens=[queen for queen in pedigree.queens if queen.id in keep],
        matings=matings,
        drones=[drone for drone in pedigree.drones if drone.id in drones],
        batches=[batch for batch in pedigree.batches if batch.id in batches],
        groups=[group for group in pedigree.groups if group.id in groups],
    )
