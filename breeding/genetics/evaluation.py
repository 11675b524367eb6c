"""The one call of the app: pedigree and records in, values with errors and reliabilities out."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from breeding.genetics.absorbed import Method
from breeding.genetics.colony_errors import ColonyErrors
from breeding.genetics.colony_model import ColonyModel
from breeding.genetics.feasibility import feasible_effects
from breeding.genetics.nodes import NodeTable, build_nodes
from breeding.genetics.parameters import merit_contrast
from breeding.genetics.pedigree import Pedigree
from breeding.genetics.prediction import Predicted, Prediction
from breeding.genetics.ranking import Criterion, Place, likely_places
from breeding.genetics.records import Estimate, MeritEstimates, ModelSpec, Parameters, Record, TraitEstimates
from breeding.genetics.relationship import known_generations
from breeding.genetics.types import Floats, InputError, Ints

METHOD = "absorbed equations, sparse Cholesky, exact inverse elements"
ITERATED = "absorbed equations, preconditioned conjugate gradients, reliabilities by drawing"
AGAIN = "absorbed equations, preconditioned conjugate gradients, errors of an earlier evaluation"
Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Estimates:
    """Arrays of one criterion, shape (n_queens, n_columns); NaN where a queen has no such value."""

    value: Floats
    error: Floats
    reliability: Floats

    def at(self, row: int, column: int) -> Estimate | None:
        value = float(self.value[row, column])
        if np.isnan(value):
            return None
        return Estimate(value, float(self.error[row, column]), float(self.reliability[row, column]))


@dataclass(frozen=True)
class SolverReport:
    method: str
    iterations: int
    relative_residual: float
    equations: int


@dataclass(frozen=True)
class Evaluation:
    """Result of one run. Rows follow ``queens``, columns ``traits``; merit has one column."""

    traits: tuple[str, ...]
    queens: tuple[str, ...]
    worker: Estimates
    queen: Estimates
    total: Estimates
    as_mother: Estimates
    performance: Estimates
    merit_drones: Estimates
    merit_mother: Estimates
    merit_performance: Estimates
    records: Ints
    inbreeding: Floats
    worker_inbreeding: Floats
    known_generations: Floats
    fixed: Mapping[str, Mapping[str, float]]
    loglik: float
    solver: SolverReport
    notes: tuple[str, ...] = ()
    row: Mapping[str, int] = field(default_factory=dict, repr=False)
    prediction: Prediction | None = field(default=None, repr=False)
    merit_weights: Floats | None = field(default=None, repr=False)

    def trait(self, queen: str, trait: str) -> TraitEstimates:
        """All values of one queen in one trait."""
        i, k = self.row[queen], self.traits.index(trait)
        worker, own, total = (e.at(i, k) for e in (self.worker, self.queen, self.total))
        assert worker is not None
        assert own is not None
        assert total is not None
        return TraitEstimates(
            worker, own, total, self.as_mother.at(i, k), self.performance.at(i, k), int(self.records[i, k])
        )

    def merit(self, queen: str) -> MeritEstimates:
        """Merit of one queen under the weights of the run."""
        i = self.row[queen]
        own = self.merit_drones.at(i, 0)
        assert own is not None
        return MeritEstimates(own, self.merit_mother.at(i, 0), self.merit_performance.at(i, 0))

    def likely_places(
        self, candidates: Sequence[str], *, criterion: Criterion, rng: np.random.Generator, draws: int = 2000
    ) -> dict[str, Place]:
        """Place of each candidate by merit, from the joint prediction-error distribution.

        Candidates without a mating have no place by ``mother`` or ``performance`` and are left out.
        """
        assert self.prediction is not None
        assert self.merit_weights is not None
        for i, candidate in enumerate(candidates):
            if candidate not in self.row:
                raise InputError(f"candidates[{i}]", f'unknown queen "{candidate}"')
        return likely_places(self.prediction, self.merit_weights, candidates, criterion=criterion, rng=rng, draws=draws)


def evaluate(
    pedigree: Pedigree | NodeTable,
    records: Sequence[Record] | ColonyModel,
    model: ModelSpec,
    parameters: Parameters,
    *,
    weights: Mapping[str, float],
    reference: Sequence[str] | Ints | None = None,
    progress: Progress | None = None,
    errors: ColonyErrors | None = None,
    start: Floats | None = None,
    method: Method | None = None,
) -> Evaluation:
    """Predict worker and queen effects of all queens from their pedigree and all records.

    Parameters
    ----------
    pedigree, records : of ids, or in arrays (``node_table``, ``colony_model_of_arrays``).
    weights : trait -> weight of the merit, negative where low is good; scaled to sum |w| = 1.
    reference : ids or rows of the queens whose mean is 0 (the living, tested stock); None keeps the base
        population as 0. One shift per trait and effect, so that all criteria stay comparable; errors and
        reliabilities stay those of the values themselves.
    progress : called with a step in words and the finished part, 0 to 1.
    errors : those of an earlier evaluation of the same pedigree, variances and nearly the same records, to be
        shown instead of working them out; values are new all the same.
    start : (n_equations,). Unknowns of an earlier evaluation to iterate from, where equations are iterated.
    method : how to solve; None takes the factor as far as it goes. With known errors nothing needs the factor.

    Raises
    ------
    InputError
        With the path of what cannot be used.

    Notes
    -----
    All traits are solved together, so merit and its error hold the correlations between traits. Values are
    exact. So are errors as long as the factor of the equations is no larger than about two minutes' work;
    beyond, they are drawn, and a note says with which expected error of the reliabilities.
    """
    tell = progress or (lambda step, part: None)
    tell("Relationships", 0.0)
    table = _table(pedigree, records)
    tell("Equations", 0.25)
    prediction = Prediction(table, records, model, parameters, method=method, errors=errors, start=start)
    k = merit_contrast(parameters, weights)
    tell("Errors and reliabilities", 0.6)
    made = _assemble(prediction, k, reference)
    tell("Done", 1.0)
    fit = prediction.fit
    ids = table.queen_ids
    F_workers = np.full(len(ids), np.nan)
    F_workers[prediction.mated.queens] = prediction.mated.worker_inbreeding
    return Evaluation(
        traits=parameters.traits,
        queens=tuple(ids),
        **made,
        records=_record_counts(prediction),
        inbreeding=table.F,
        worker_inbreeding=F_workers,
        known_generations=known_generations(table),
        fixed=prediction.colony.fixed(fit),
        loglik=fit.loglik,
        solver=solver_report(prediction),
        notes=(
            *_reasons(pedigree, records, model),
            *_drawn(prediction),
        ),
        row={id_: i for i, id_ in enumerate(ids)},
        prediction=prediction,
        merit_weights=k,
    )


def _table(pedigree: Pedigree | NodeTable, records: Sequence[Record] | ColonyModel) -> NodeTable:
    if isinstance(pedigree, NodeTable):
        return pedigree
    if isinstance(records, ColonyModel):
        return records.table
    return build_nodes(pedigree, mated=[r.queen for r in records if r.queen])


def _reasons(
    pedigree: Pedigree | NodeTable, records: Sequence[Record] | ColonyModel, model: ModelSpec
) -> tuple[str, ...]:
    """Why two effects are not told apart; whoever brings arrays asks ``feasible_effects`` himself."""
    if model.effects != "both" or isinstance(pedigree, NodeTable) or isinstance(records, ColonyModel):
        return ()
    return feasible_effects(pedigree, records).reasons()


def _assemble(prediction: Prediction, k: Floats, reference: Sequence[str] | Ints | None) -> dict[str, Estimates]:
    queens, workers = prediction.of(prediction.queens), prediction.of(prediction.workers)
    n, mated = len(queens.value), prediction.mated.queens
    everyone = np.arange(n)
    shift = _shift(prediction, queens, reference)
    columns: dict[str, list[tuple[Floats, Floats, Floats]]] = {
        name: [] for name in ("worker", "queen", "total", "as_mother", "performance")
    }

    def shifted(found: tuple[Floats, Floats, Floats], by: Floats) -> tuple[Floats, Floats, Floats]:
        return found[0] - float(shift @ by), found[1], found[2]

    for trait in range(len(prediction.parameters.traits)):
        worker, queen, total = prediction.trait_contrasts(trait)
        columns["worker"].append(shifted(queens.contrast(worker), worker))
        columns["queen"].append(shifted(queens.contrast(queen), queen))
        columns["total"].append(shifted(queens.contrast(total), total))
        columns["as_mother"].append(shifted(workers.contrast(total), total))
        columns["performance"].append(shifted(prediction.performance(workers, queens, total), total))
    made = {
        name: _estimates(parts, mated if name in ("as_mother", "performance") else everyone, n)
        for name, parts in columns.items()
    }
    made["merit_drones"] = _estimates([shifted(queens.contrast(k), k)], everyone, n)
    made["merit_mother"] = _estimates([shifted(workers.contrast(k), k)], mated, n)
    made["merit_performance"] = _estimates([shifted(prediction.performance(workers, queens, k), k)], mated, n)
    return made


def _estimates(parts: list[tuple[Floats, Floats, Floats]], rows: Ints, n: int) -> Estimates:
    arrays: list[Floats] = []
    for which in range(3):
        full = np.full((n, len(parts)), np.nan)
        for column, part in enumerate(parts):
            full[rows, column] = part[which]
        arrays.append(full)
    return Estimates(arrays[0], arrays[1], arrays[2])


def _shift(prediction: Prediction, queens: Predicted, reference: Sequence[str] | Ints | None) -> Floats:
    if reference is None or not len(reference):
        return np.zeros(queens.value.shape[1])
    if isinstance(reference, np.ndarray):
        return np.asarray(queens.value[reference].mean(axis=0))
    index = prediction.table.layout.index
    for i, id_ in enumerate(reference):
        if index.get(id_, prediction.table.layout.n_queens) >= prediction.table.layout.n_queens:
            raise InputError(f"reference[{i}]", f'unknown queen "{id_}"')
    return np.asarray(queens.value[[index[id_] for id_ in reference]].mean(axis=0))


def _record_counts(prediction: Prediction) -> Ints:
    data = prediction.colony.data
    counts = np.zeros((prediction.table.layout.n_queens, data.n_traits), dtype=np.int64)
    np.add.at(counts, data.queens, np.isfinite(data.y).astype(np.int64))
    return counts


def solver_report(prediction: Prediction) -> SolverReport:
    """How the equations were solved, in words and numbers."""
    fit = prediction.fit
    method = METHOD if fit.method == "factor" else AGAIN if prediction.has_known_errors else ITERATED
    return SolverReport(method, fit.iterations, fit.relative_residual, fit.model.n_equations)


def _drawn(prediction: Prediction) -> tuple[str, ...]:
    if prediction.reliability_rmse is None:
        return ()
    return (f"Reliabilities were worked out by drawing; their expected error is {prediction.reliability_rmse:.3f}.",)
