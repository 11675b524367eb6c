"""Mendelian variances and inbreeding of all entities, level by level.

Only entities that were bred from are anybody's ancestors. Inbreeding of daughters needs the relationship of
a mother with the drones she carries; it is traced once per distinct pair of parents, and drone sources are
taken many at a time.

References
----------
Meuwissen & Luo (1992), 10.1186/1297-9686-24-4-305; Colleau (2002), 10.1186/1297-9686-34-4-409 (one upward
and one downward pass give the relationships of one unit with all ancestors).
"""

import numpy as np
from scipy import sparse

from breeding.genetics.entities import DRONE, MIXTURE, OPEN, QUEEN, SISTERS, STATION, Layout, spread
from breeding.genetics.grouping import distinct_rows, joint_codes, row_codes
from breeding.genetics.tracing import Tracer
from breeding.genetics.types import Bools, Csr, Ints


class Mendelian:
    """D (n_entities,) and F (n_queens,) of a layout; ``order`` lists the entities by level.

    ``diagonal`` (n_entities,) holds a of drone sets and sister groups that have descendants, else NaN.
    """

    def __init__(self, plan: Layout) -> None:
        self.plan = plan
        n = len(plan.kind)
        self.D = np.zeros(n)
        self.F = np.zeros(plan.n_queens)
        self.diagonal = np.full(n, np.nan)
        self._brood_F = np.zeros(plan.n_queens)  # inbreeding of daughters
        self._v = np.zeros(plan.n_queens)  # Mendelian variance of daughters
        dams = np.flatnonzero(plan.has_young)
        self._needed = np.zeros(n, dtype=bool)
        self._needed[plan.set_of[dams]] = True
        self._traced = plan.parental | self._needed
        self._tracer = Tracer()
        at = np.maximum(plan.level[dams], plan.level[plan.set_of[dams]])
        dams = dams[np.argsort(at, kind="stable")]
        top = int(plan.level.max(initial=-1)) + 2
        dam_edges = np.searchsorted(np.sort(at), np.arange(top))
        # Kinds of one level stand together, each in input order.
        self.order = np.argsort(plan.level, kind="stable")
        self._entity = self.order[self._traced[self.order]]  # of each traced unit
        self._number = np.full(n, -1, dtype=np.int64)
        self._number[self._entity] = np.arange(len(self._entity))
        rank = plan.level * 8 + plan.kind
        by_kind = np.argsort(rank, kind="stable")
        edges = np.searchsorted(rank[by_kind], np.arange(8 * top))
        level_edges = np.searchsorted(plan.level[self.order], np.arange(top))
        for level in range(top - 1):
            for kind in (QUEEN, DRONE, MIXTURE, STATION, OPEN, SISTERS):
                members = by_kind[edges[8 * level + kind] : edges[8 * level + kind + 1]]
                if len(members):
                    self._place(kind, members)
            members = self.order[level_edges[level] : level_edges[level + 1]]
            self._extend(members[self._traced[members]])
            self._close_single(by_kind[edges[8 * level + MIXTURE] : edges[8 * level + MIXTURE + 1]])
            self._close_dams(dams[dam_edges[level] : dam_edges[level + 1]])

    def _place(self, kind: int, members: Ints) -> None:
        """Mendelian variances, and the diagonals that need no tracing."""
        plan = self.plan
        dam, count = plan.dam[members], plan.count[members]
        known = dam >= 0
        match kind:
            case 0:  # queen
                self.D[members] = np.where(known, self._v[dam], 1.0)
                self.F[members] = np.where(known, self._brood_F[dam], 0.0)
            case 1:  # drone
                self.D[members] = np.where(known, 1.0 - self.F[dam], 2.0)
                self.diagonal[members] = 2.0
            case 2:  # mixture
                at, which = spread(plan.sources.start, members)
                n = plan.source_drones[at]
                own = plan.sources.weight[at] ** 2 * (1.0 - self.F[plan.sources.index[at]])
                own = np.divide(own, n, out=np.zeros(len(n)), where=n > 0)
                self.D[members] = np.bincount(which, weights=own, minlength=len(members))
            case 3:  # station
                mothers = self.diagonal[plan.station[members]]
                self.D[members] = np.divide(2.0 - mothers, count, out=np.zeros(len(members)), where=count > 0)
                self.diagonal[members] = mothers + self.D[members]
            case 4:  # open
                self.D[members] = np.divide(2.0, count, out=np.zeros(len(members)), where=count > 0)
                self.diagonal[members] = self.D[members]
            case _:  # sisters: worker group of their mother and their own term
                own = np.where(known, self._v[dam], 1.0) / count
                drones = np.where(known, self.diagonal[plan.set_of[dam]], 0.0)
                shared = 0.25 * (1.0 + self.F[dam]) + 0.25 * drones + self._brood_F[dam]
                self.D[members] = own
                self.diagonal[members] = own + np.where(known, shared, 0.0)

    def _extend(self, new: Ints) -> None:
        if len(new):
            self._tracer.add_level(self._parents_of(new), self.D[new])

    def _close_single(self, members: Ints) -> None:
        """Diagonals of mixtures of one source that queens with daughters carry."""
        start = self.plan.parents.start
        members = members[self._needed[members] & (start[members + 1] - start[members] == 1)]
        self.diagonal[members] = 1.0 + self.F[self.plan.parents.index[start[members]]] + self.D[members]

    def _close_dams(self, dams: Ints) -> None:
        """Inbreeding and Mendelian variance of the daughters of queens that were bred from.

        Notes
        -----
        The younger of two different units counts with its parents: sisters with the same sources then ask for
        one relationship. Q may be a source of B or older than one; B may be a drone or batch that Q descends from.
        """
        if not len(dams):
            return
        plan = self.plan
        sets = plan.set_of[dams]
        right = self._mixed(sets, lift=plan.level[sets] >= plan.level[dams])
        row = np.repeat(np.arange(len(dams)), np.diff(right.indptr))
        others = self._entity[right.indices]
        fixed = (plan.level[others] > plan.level[dams][row]) | (others == dams[row])
        lift = plan.dam[dams] >= 0
        lift[row[fixed]] = False
        left = self._mixed(dams, lift=lift)
        # The sources of mixtures with each other are asked for at the same time: they share their sweeps.
        mixed = np.unique(sets[np.isnan(self.diagonal[sets])])
        sources = self._parents_of(mixed)
        _, pairs, at = np.unique(joint_codes(row_codes(left), row_codes(right)), return_index=True, return_inverse=True)
        mixtures, at_mixtures = distinct_rows(sources)
        shared = self._tracer.pairs(
            sparse.vstack([left[pairs], sources[mixtures]], format="csr"),
            sparse.vstack([right[pairs], sources[mixtures]], format="csr"),
        )
        self.diagonal[mixed] = shared[len(pairs) :][at_mixtures] + self.D[mixed]
        shared = shared[: len(pairs)][at]
        self._brood_F[dams] = 0.5 * shared
        self._v[dams] = 0.25 * (1.0 - self.F[dams]) + 0.25 * (2.0 - self.diagonal[sets])

    def _mixed(self, entities: Ints, *, lift: Bools) -> Csr:
        """Units by their parents where ``lift``, else by themselves; (n, size of the tracer)."""
        n, size = len(entities), self._tracer.size
        if lift.all():
            return self._parents_of(entities)
        columns = np.maximum(self._number[entities], 0).astype(np.int32)
        starts = np.arange(n + 1, dtype=np.int32)
        own = sparse.csr_array((np.ones(n), columns, starts), shape=(n, max(1, size)))
        if not lift.any():
            return own
        parents = self._parents_of(entities)
        chosen = sparse.diags_array(lift.astype(float)) @ parents + sparse.diags_array((~lift).astype(float)) @ own
        made = sparse.csr_array(chosen)
        made.eliminate_zeros()
        return made

    def _parents_of(self, entities: Ints) -> Csr:
        plan = self.plan
        at, which = spread(plan.parents.start, entities)
        starts = np.zeros(len(entities) + 1, dtype=np.int32)
        np.cumsum(np.bincount(which, minlength=len(entities)), out=starts[1:])
        columns = self._number[plan.parents.index[at]].astype(np.int32)  # what scipy takes without looking
        shape = (len(entities), max(1, self._tracer.size))
        made = sparse.csr_array((plan.parents.weight[at], columns, starts), shape=shape)
        made.sort_indices()
        return made
