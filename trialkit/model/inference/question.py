"""What a hypothesis is about: its units, the terms that block it, and ways to analyse it.

The *own units* of a hypothesis are the coarsest random term whose units do not
mix its levels: the units that received the treatment. Terms nested in them (shelves,
blocks) are sub-samples; every other random term *blocks* the hypothesis. All of this is read
off the table, so the choices below depend on the layout and the variances alone.

A hypothesis can be analysed

- in the whole model, with all terms random;
- with some blocking terms fixed (the intra-block analysis);
- on the values of the own units, each unit weighing the same.

`trialkit.model.inference.default` chooses between them.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from trialkit.arrays import Floats
from trialkit.errors import ModelError
from trialkit.model.columns.matrices import INTERCEPT, estimable_part
from trialkit.model.columns.rank import full_rank, independent
from trialkit.model.columns.terms import Grouping, indicator
from trialkit.model.inference.blocking import (
    Block,
    FixedTerms,
    Problem,
    constant,
    constant_within,
    first_rows,
    fix_terms,
    nested,
    unit_gram,
    unit_means,
    when_fixed,
    within_levels,
)
from trialkit.model.inference.memory import recall, shared_property
from trialkit.model.likelihood.prepare import Prepared

ORTHOGONAL = 1e-7  # loss of information, relative, below which a term does not block
RESIDUAL = "residual"


@dataclass(frozen=True, eq=False)
class Question:
    """Rows ``L`` asked of a design, with the structure that bears on them.

    Parameters
    ----------
    prepared : Prepared
    L : ndarray, shape (l, p)
        Rows in the kept treatment-coded coefficients.
    """

    prepared: Prepared
    L: Floats
    problems: dict[tuple[bool, tuple[str, ...]], Problem | None] = field(default_factory=dict)

    @cached_property
    def in_sum_coding(self) -> Floats:
        """Give the rows in sum-to-zero coefficients, shape (l, p_all)."""
        full = np.zeros((len(self.L), len(self.prepared.design.names)))
        full[:, self.prepared.design.kept] = self.L
        out = full @ self.prepared.design.from_sum
        out[np.abs(out) < 1e-9 * max(1e-300, float(np.abs(out).max(initial=0.0)))] = 0.0
        return out

    @cached_property
    def terms(self) -> tuple[str, ...]:
        """Give the fixed terms the rows touch."""
        used = np.abs(self.in_sum_coding).max(axis=0, initial=0.0) > 0
        return tuple(name for name, s in self.prepared.design.spans.items() if used[s].any())

    @cached_property
    def is_comparison(self) -> bool:
        """Say whether the rows compare (a mean also carries the intercept)."""
        return INTERCEPT not in self.terms

    @cached_property
    def decided_on(self) -> Floats:
        """Give the rows that choices are made for: the whole hypotheses of the terms touched.

        So a difference is analysed as the test of its factor is.
        """
        if not self.is_comparison:
            return self.L
        rows = self._whole_hypothesis
        return rows if len(rows) else self.L

    @property
    def _whole_hypothesis(self) -> Floats:
        """Give the rows of the fixed terms touched, all that the data can estimate."""

        def make() -> Floats:
            design = self.prepared.design
            whole = np.vstack([design.hypothesis(name) for name in self.terms])
            return independent(estimable_part(design, whole)[:, design.kept])

        return recall(self.prepared, ("whole hypothesis", self.terms), make)

    @cached_property
    def about(self) -> tuple[Hashable, ...]:
        """Give what the choices depend on: the fixed terms touched, rarely the rows."""
        if not self.is_comparison or len(self._whole_hypothesis):
            return self.terms
        return (*self.terms, self.L.tobytes())

    @shared_property
    def _strata(self) -> dict[str, Block | None]:
        """Give what each intercept term costs when fixed; None where it is in the error."""
        intercepts = [g for g in self.prepared.groupings if g.weight is None]
        return self._when_fixed(self.prepared.X, self.decided_on, intercepts)

    def _when_fixed(
        self, X: Floats, L: Floats, terms: Sequence[Grouping], *, of: Hashable = "rows"
    ) -> dict[str, Block | None]:
        """Give what each term costs ``L`` when fixed beside the columns ``X``, named by `of`."""
        inverse = np.linalg.pinv(L @ np.linalg.solve(X.T @ X, L.T))

        def cost(g: Grouping) -> Block | None:
            key = ("within levels", of, g.term.name)
            return when_fixed(L, inverse, recall(self.prepared, key, lambda: within_levels(X, g)))

        return {g.term.name: cost(g) for g in terms}

    @shared_property
    def own(self) -> Grouping | None:
        """Give the random term whose units received the treatment; None for single rows.

        It is the coarsest term that cannot be fixed without losing the rows.
        """
        intercepts = [g for g in self.prepared.groupings if g.weight is None]
        if self.is_comparison:
            mixed = [
                g
                for g in intercepts
                if g.term.name in self._strata and self._strata[g.term.name] is None
            ]
        else:
            X, spans = self.prepared.X_sum, self.prepared.design.spans
            block = np.hstack([X[:, spans[name]] for name in self.terms])
            mixed = [g for g in intercepts if constant_within(block, g)]
        return min(mixed, key=lambda g: g.q, default=None)

    @shared_property
    def below(self) -> tuple[Grouping, ...]:
        """Give the random terms nested in the own units."""
        if self.own is None:
            return ()
        return tuple(
            g for g in self.prepared.groupings if g is not self.own and nested(g, self.own)
        )

    @shared_property
    def blocking(self) -> dict[str, Block]:
        """Give the terms that block the rows and could be fixed.

        A term is left out where the rows are orthogonal to it, and where fixing it would
        leave them inestimable (then it is part of their error).
        """
        if not self.is_comparison:
            return {}
        beneath = {g.term.name for g in self.below}
        return {
            name: block
            for name, block in self._strata.items()
            if block is not None and block.loss > ORTHOGONAL and name not in beneath
        }

    @shared_property
    def unit_blocking(self) -> dict[str, Block]:
        """Give the terms that block the rows on unit values."""
        parts = self._unit_parts
        if parts is None or not self.is_comparison:
            return {}
        _, X, touched = parts
        # as in `decided_on`: every row of the sum-to-zero coefficients that are touched
        spans = self.prepared.design.spans
        used = np.concatenate(
            [np.full(spans[n].stop - spans[n].start, n in self.terms) for n in self._unit_terms]
        )
        L = np.eye(touched.shape[1])[used]
        assert self.own is not None
        costs = self._when_fixed(X, L, self._above, of=self.own.term.name)
        return {n: b for n, b in costs.items() if b is not None and b.loss > ORTHOGONAL}

    @shared_property
    def _above(self) -> tuple[Grouping, ...]:
        """Give the terms that the own units are nested in, as groupings of units."""
        own = self.own
        if own is None:
            return ()
        first = first_rows(own)
        return tuple(
            Grouping(g.term, g.codes[first], g.labels, None, 1.0)
            for g in self.prepared.groupings
            if g is not own and g.weight is None and nested(own, g)
        )

    @cached_property
    def _residuals(self) -> tuple[str, ...]:
        """Name the residual variances: one, or one per group of rows."""
        small = self.prepared.small
        return ("residual",) if small is None else tuple(small.params[small.n_random :])

    @shared_property
    def containment_df(self) -> int:
        """Give the df that the own units have left, or the rows where nothing contains them."""
        data, own = self.prepared, self.own
        X, n = data.X, len(data.y)
        rank = np.linalg.matrix_rank
        if own is None:
            Zs = [indicator(g) for g in data.groupings]
            return int(n - rank(np.hstack([X, *Zs])))
        beneath = {g.term.name for g in self.below} | {own.term.name}
        others = [indicator(g) for g in data.groupings if g.term.name not in beneath]
        without = rank(np.hstack([X, *others]))
        return int(rank(np.hstack([X, *others, indicator(own)])) - without)

    @shared_property
    def own_share(self) -> dict[str, float]:
        """Give how much each variance adds to the mean of an own unit, on average.

        Blocking terms are left out.
        """
        n = len(self.prepared.y)
        codes = np.arange(n) if self.own is None else self.own.codes
        sizes = np.bincount(codes)
        out = {}
        if self.own is not None:
            out[self.own.term.name] = 1.0
        for g in self.below:
            if g.weight is not None:
                continue
            pairs, counts = np.unique(codes * g.q + g.codes, return_counts=True)
            out[g.term.name] = float(
                np.mean(np.bincount(pairs // g.q, weights=counts.astype(float) ** 2) / sizes**2)
            )
        groups = self.prepared.residual_groups
        for i, name in enumerate(self._residuals):
            here = None if groups is None else (groups.codes == i).astype(float)
            rows = np.bincount(codes, weights=here)
            out[name] = float(np.mean(rows / sizes**2))
        return out

    def problem(self, units: bool, fixed: tuple[str, ...]) -> Problem | None:
        """Give the analysis on own units or rows with some blocking terms fixed.

        None where it cannot be made (rows inestimable, nothing left for the error).
        """
        key = (units, fixed)
        if key not in self.problems:
            self.problems[key] = self._on_units(fixed) if units else self._on_rows(fixed)
        return self.problems[key]

    def _on_rows(self, fixed: tuple[str, ...]) -> Problem | None:
        data = self.prepared
        made = recall(
            data,
            ("rows", fixed),
            lambda: fix_terms(data.X, data.groupings, fixed, data.residual_groups),
        )
        rows = made.rows(self.L)
        if rows is None or made.reduced is None:
            return None
        return Problem(made.reduced, rows, key=("rows", fixed))

    @shared_property
    def equal_units(self) -> bool:
        """Say whether every own unit weighs the same already."""
        own, data = self.own, self.prepared
        if own is None:
            return True
        sizes = np.bincount(own.codes)
        if len(np.unique(sizes)) > 1:
            return False
        # what differs within units must have the same mean in each unit
        X, spans = data.X_sum, data.design.spans
        parts = [X[:, s] for s in spans.values() if not constant_within(X[:, s], own)]
        for g in data.groupings:
            if g is own or g.weight is not None or nested(own, g):
                continue
            if g in self.below:
                pairs, counts = np.unique(own.codes * g.q + g.codes, return_counts=True)
                squares = np.bincount(pairs // g.q, weights=counts.astype(float) ** 2)
                if len(np.unique(squares)) > 1:
                    return False
            else:
                parts.append(indicator(g))
        return all(constant(unit_means(part, own)) for part in parts)

    @shared_property
    def _unit_terms(self) -> list[str]:
        """Name the fixed terms that do not vary within own units."""
        X, spans = self.prepared.X_sum, self.prepared.design.spans
        own = self.own
        return [n for n in spans if own is not None and constant_within(X[:, spans[n]], own)]

    @shared_property
    def _unit_columns(self) -> tuple[Floats, Floats] | None:
        """Give an orthonormal basis of the own units and of what varies within them.

        Beside it the triangle that takes the basis back to the columns, units first.
        """
        own, data = self.own, self.prepared
        if own is None or not data.design.kept.all():
            return None
        X, spans = data.X_sum, data.design.spans
        unit_terms = self._unit_terms
        if not set(self.terms) <= set(unit_terms):
            return None
        inner = [X[:, spans[name]] for name in spans if name not in unit_terms]
        for g in data.groupings:
            if g is own or g in self.below or g.weight is not None or nested(own, g):
                continue
            Z = indicator(g)
            inner.append(Z[:, :-1] - Z[:, -1:])
        F = np.hstack([indicator(own), *inner])
        kept, null = full_rank(F)
        if null.shape[1] and np.abs(null[: own.q]).max() > 1e-9:
            return None
        Q, T = np.linalg.qr(F[:, kept])
        return np.asarray(Q), np.asarray(T)

    @property
    def within_basis(self) -> Floats | None:
        """Give columns beyond which rows differ within the own units, orthonormal."""
        columns = self._unit_columns
        return None if columns is None else columns[0]

    @property
    def unit_design(self) -> tuple[Floats, Floats, tuple[Grouping, ...]]:
        """Give rows → unit values, fixed columns of the units, and the terms above them."""
        if self._unit_parts is None:
            raise ModelError("the rows are not compared between groups of units")
        return self._unit_parts[0], self._unit_parts[1], self._above

    @shared_property
    def _unit_values(self) -> tuple[Floats, Floats] | None:
        """Give rows → unit values, and the fixed columns of units."""
        own, columns = self.own, self._unit_columns
        if own is None or columns is None:
            return None
        Q, T = columns
        X, spans = self.prepared.X_sum, self.prepared.design.spans
        rows = np.asarray(np.linalg.solve(T, Q.T)[: own.q])
        first = first_rows(own)
        return rows, np.hstack([X[first][:, spans[name]] for name in self._unit_terms])

    @cached_property
    def _unit_parts(self) -> tuple[Floats, Floats, Floats] | None:
        """Give rows → unit values, the fixed columns of units, and ``L`` for them."""
        values, spans = self._unit_values, self.prepared.design.spans
        if values is None:
            return None
        L_units = np.hstack([self.in_sum_coding[:, spans[name]] for name in self._unit_terms])
        return *values, L_units

    def _on_units(self, fixed: tuple[str, ...]) -> Problem | None:
        parts = self._unit_parts
        if parts is None or self.own is None:
            return None
        rows, _, L = parts
        key = ("units", self.own.term.name, fixed)
        made, shapes = recall(self.prepared, key, lambda: self._units_with(fixed))
        kept = made.rows(L)
        if kept is None or made.reduced is None:
            return None
        return Problem(made.reduced, kept, rows, shapes, key=key)

    def _units_with(self, fixed: tuple[str, ...]) -> tuple[FixedTerms, dict[str, Floats]]:
        """Give the model of unit values, and the covariance each variance gives them."""
        assert self._unit_values is not None
        assert self.own is not None
        rows, X = self._unit_values
        made = fix_terms(X, self._above, fixed, None, complete=True)
        if made.reduced is None:
            return made, {}
        A = made.reduced.rows.A
        shapes = {self.own.term.name: np.eye(len(A))}
        for g in self.below:
            if g.weight is None:
                shapes[g.term.name] = A @ unit_gram(g, rows) @ A.T
        groups = self.prepared.residual_groups
        for i, name in enumerate(self._residuals):
            part = rows if groups is None else rows[:, groups.codes == i]
            shapes[name] = A @ (part @ part.T) @ A.T
        return made, shapes
