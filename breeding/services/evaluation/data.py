"""What an evaluation is worked out from, in arrays: comparable results, the stock behind them, and what follows."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from accounts.models import Cooperative
from accounts.refusals import Refusal
from accounts.told import Told
from accounts.told import told as _
from accounts.told import told_of as ngettext
from breeding.genetics.colony_model import ColonyModel, Levels, colony_model_of_arrays
from breeding.genetics.entities import OPEN, Layout
from breeding.genetics.feasibility import Feasibility, feasible_by_counts
from breeding.genetics.nodes import NodeTable, node_table
from breeding.genetics.records import ModelSpec
from breeding.genetics.types import Bools, Ints
from breeding.models import Trait
from breeding.queries.connection import FACTOR
from breeding.queries.pedigree_arrays import NOBODY, Stock, stock_of
from breeding.queries.records import level_names
from breeding.queries.season_arrays import SeasonArrays
from breeding.services.evaluation.asking import Choices

NAMED_AT_MOST = 6


@dataclass(frozen=True, eq=False)
class Data:
    """Results of the traits that have some, each row a colony, queen and year; `rows` is the queen's row in the stock.

    levels : apiary × year of each result. notes : what was left out, in words.
    """

    stock: Stock
    traits: tuple[Trait, ...]
    results: SeasonArrays
    rows: Ints
    levels: Levels
    notes: tuple[Told, ...]

    @cached_property
    def table(self) -> NodeTable:
        return node_table(self.stock.plan)

    def model(self, spec: ModelSpec, chosen: Bools | None = None) -> ColonyModel:
        """The equations of all results, or of the chosen ones that hold any value."""
        values, keys = self.results.values, self.results.trait_keys
        if chosen is None:
            return colony_model_of_arrays(self.table, keys, self.rows, values, spec, factors={FACTOR: self.levels})
        part, code = np.unique(self.levels.code[chosen], return_inverse=True)
        levels = Levels(code, tuple(self.levels.names[at] for at in part))
        return colony_model_of_arrays(
            self.table, keys, self.rows[chosen], values[chosen], spec, factors={FACTOR: levels}
        )

    @cached_property
    def feasible(self) -> Feasibility:
        """Whether worker and queen effect can be told apart."""
        plan, tested = self.stock.plan, np.unique(self.rows)
        controlled = int((plan.kind[plan.set_of[tested]] != OPEN).sum())
        return feasible_by_counts(int((plan.set_of >= 0).sum()), len(tested), controlled)

    @cached_property
    def reference(self) -> Ints:
        """Rows of the living, tested queens, whose mean is zero."""
        tested = np.unique(self.rows)
        return tested[self.stock.is_living[tested]]

    @cached_property
    def candidates(self) -> Ints:
        """Rows of who gets a likely place: living queens that are mated or tested; virgins are not yet candidates."""
        tested = np.zeros(len(self.stock.pk), dtype=bool)
        tested[self.rows] = True
        return np.flatnonzero(self.stock.is_mated | (tested & self.stock.is_living))


def traits_asked(cooperative: Cooperative, choices: Choices) -> list[Trait]:
    asked = Trait.objects.filter(cooperative=cooperative, in_evaluation=True)
    return list(asked.filter(key__in=choices.trait_keys) if choices.trait_keys else asked)


def read_data(cooperative: Cooperative, traits: Sequence[Trait], results: SeasonArrays) -> Data:
    """The results that hang together over relatives, with the pedigree; refused when most do not, or there are none."""
    if not len(results):
        raise Refusal(
            _("There are no scores in that period. Enter scores for some colonies, then start again."),
            rule="no_scores",
        )
    stock = stock_of(cooperative, heads=np.unique(results.queen))
    rows = stock.rows_of(results.queen)
    if (rows == NOBODY).any():
        raise Refusal(
            _("Some scores belong to queens of another cooperative. Correct who headed those colonies."),
            rule="other_cooperative",
        )
    notes = [_second_method_words(results.n_left_out)] if results.n_left_out else []
    places, code = np.unique(results.apiary * 10_000 + results.year, return_inverse=True)
    names = tuple(f"{place // 10_000}/{place % 10_000}" for place in places.tolist())
    together = comparable(stock.plan, rows, code)
    if not together.all():
        apart = sorted({names[level] for level in np.unique(code[~together]).tolist()})
        notes.append(_apart_words(cooperative, apart, is_most=together.sum() * 2 <= len(together)))
        results, rows = results.only(together), rows[together]
        kept, code = np.unique(code[together], return_inverse=True)
        names = tuple(names[at] for at in kept.tolist())
    has: Bools = np.asarray(np.isfinite(results.values).any(axis=0))
    used = tuple(trait for trait, any_ in zip(traits, has.tolist(), strict=True) if any_)
    return Data(stock, used, results.traits_only(has), rows, Levels(code, names), tuple(notes))


def comparable(plan: Layout, rows: Ints, level: Ints) -> Bools:
    """Which results hang together, most of them first: joined by common queens, relatives of any degree, and levels.

    rows, level : (n,). Row of the tested queen, and number of the apiary-year.
    """
    n = len(plan.kind)
    child = np.repeat(np.arange(n), np.diff(plan.parents.start))
    mated = np.flatnonzero(plan.set_of >= 0)
    left = np.concatenate([child, mated, rows])
    right = np.concatenate([plan.parents.index, plan.set_of[mated], n + level])
    size = n + int(level.max(initial=-1)) + 1
    graph = sparse.coo_array((np.ones(len(left), dtype=np.int8), (left, right)), shape=(size, size))
    _, part = connected_components(graph, directed=False)
    own = part[rows]
    return np.asarray(own == np.bincount(own).argmax())


def _second_method_words(number: int) -> Told:
    return _("%(number)s scores of a second test method in the same apiary and year took no part.") % {"number": number}


def _apart_words(cooperative: Cooperative, levels: Sequence[str], *, is_most: bool) -> Told:
    """What is left out because it stands apart; refused when that is half of the results or more."""
    known = level_names(cooperative, levels)
    names = _listed([known[level] for level in levels])
    if is_most:
        raise Refusal(
            _(
                "The tested groups share no relatives, so their queens cannot be compared: %(names)s. Record the "
                "mothers and matings that join them, or test sisters at several apiaries."
            )
            % {"names": names},
            rule="not_connected",
        )
    return ngettext(
        "Left out, because no relative was tested elsewhere: %(names)s.",
        "Left out, because no relatives were tested elsewhere: %(names)s.",
        len(levels),
    ) % {"names": names}


def _listed(names: Sequence[str]) -> str | Told:
    shown = ", ".join(names[:NAMED_AT_MOST])
    more = len(names) - NAMED_AT_MOST
    if more <= 0:
        return shown
    return ngettext("%(shown)s and %(more)s more", "%(shown)s and %(more)s more", more) % {"shown": shown, "more": more}
