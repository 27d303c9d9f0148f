"""Pieces of a layout: what lies within what, and what fixing a term costs."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from trialkit.arrays import Floats
from trialkit.errors import ModelError
from trialkit.model.columns.rank import full_rank
from trialkit.model.columns.terms import Grouping, indicator
from trialkit.model.likelihood.reduced import Reduced, reduce_design


@dataclass(frozen=True)
class Problem:
    """One way to analyse a hypothesis, as a mixed model of its own.

    Parameters
    ----------
    reduced : Reduced
    L : ndarray, shape (l, p)
        The hypothesis in the coefficients of this model.
    rows : ndarray, shape (units, n), or None
        How the values analysed come from the rows of the table; None for the rows themselves.
    shapes : dict
        Parameter name of the whole model to the covariance it gives the unit values, r × r
        in the coordinates of `reduced`.
    key : tuple
        What names this analysis among those of one table.
    """

    reduced: Reduced
    L: Floats
    rows: Floats | None = None
    shapes: dict[str, Floats] = field(default_factory=dict)
    key: tuple[Hashable, ...] = ()

    def values(self, Y: Floats) -> Floats:
        """Give the values analysed for responses by row, shape (R, units)."""
        return Y if self.rows is None else Y @ self.rows.T


@dataclass(frozen=True)
class Block:
    """A term that blocks a hypothesis.

    Parameters
    ----------
    df : int
        Degrees of freedom that its levels have beside the fixed part.
    loss : float
        Largest share of information lost by fixing it, if its variance were zero.
    """

    df: int
    loss: float


def first_rows(g: Grouping) -> NDArray[np.intp]:
    """Give the first row of each level."""
    first = np.zeros(g.q, dtype=np.intp)
    first[g.codes[::-1]] = np.arange(len(g.codes))[::-1]
    return first


def unit_means(block: Floats, own: Grouping) -> Floats:
    """Give the mean of each column over the rows of each unit."""
    sizes = np.bincount(own.codes)
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    order = np.argsort(own.codes, kind="stable")
    return np.asarray(np.add.reduceat(block[order], starts, axis=0) / sizes[:, None])


def constant(block: Floats) -> bool:
    """Say whether all rows are the same."""
    gap = np.abs(block - block[0]).max(initial=0.0)
    return bool(gap <= 1e-9 * max(1.0, float(np.abs(block).max(initial=0.0))))


def constant_within(block: Floats, g: Grouping) -> bool:
    """Say whether the rows of each level are the same."""
    gap = np.abs(block - block[first_rows(g)][g.codes]).max(initial=0.0)
    return bool(gap <= 1e-9 * max(1.0, float(np.abs(block).max(initial=0.0))))


def nested(inner: Grouping, outer: Grouping) -> bool:
    """Say whether each level of one term lies in one level of another."""
    return bool((outer.codes == outer.codes[first_rows(inner)][inner.codes]).all())


def unit_gram(g: Grouping, rows: Floats) -> Floats:
    """Give the covariance that a term of variance one gives to linear maps of the rows."""
    sums = np.zeros((len(rows), g.q))
    np.add.at(sums.T, g.codes, rows.T)
    return sums @ sums.T


@dataclass(frozen=True)
class Within:
    """What fixed columns tell within the levels of a term.

    Parameters
    ----------
    values : ndarray, shape (k,)
        Eigenvalues above zero of their cross-products, means of the levels taken off.
    vectors : ndarray, shape (p, k)
    df : int
        Degrees of freedom that the levels have beside the columns.
    """

    values: Floats
    vectors: Floats
    df: int


def within_levels(X: Floats, g: Grouping) -> Within:
    """Give what fixed columns tell within the levels of a term."""
    sizes = np.bincount(g.codes)
    order = np.argsort(g.codes, kind="stable")
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    sums = np.add.reduceat(X[order], starts, axis=0)
    whole = X.T @ X
    gram = whole - (sums.T / sizes) @ sums
    values, vectors = np.linalg.eigh((gram + gram.T) / 2)
    keep = values > 1e-9 * max(float(np.trace(whole)), 1e-300) / len(values)
    return Within(values[keep], vectors[:, keep], int(g.q + keep.sum() - X.shape[1]))


def when_fixed(L: Floats, inverse: Floats, within: Within) -> Block | None:
    """Give what fixing a term costs the rows ``L``; None where they would be lost.

    Parameters
    ----------
    L : ndarray, shape (l, p)
    inverse : ndarray, shape (l, l)
        Inverse of their covariance with nothing fixed, over the residual variance.
    within : Within
    """
    LV = L @ within.vectors
    if np.abs(L - LV @ within.vectors.T).max() > 1e-7 * np.abs(L).max():
        return None
    intra = (LV / within.values) @ LV.T
    loss = 1 - 1 / max(1.0, float(np.linalg.eigvals(inverse @ intra).real.max()))
    return Block(within.df, loss)


@dataclass(frozen=True)
class FixedTerms:
    """A model with some of its random terms fixed, before anything is asked of it.

    Parameters
    ----------
    kept : ndarray of bool, shape (columns,)
        False for a column that earlier columns determine.
    null : ndarray, shape (columns, columns − rank)
    reduced : Reduced or None
        None where nothing is left for the error.
    """

    kept: NDArray[np.bool_]
    null: Floats
    reduced: Reduced | None

    def rows(self, L: Floats) -> Floats | None:
        """Give rows for the kept columns; None where they are inestimable."""
        wide = np.hstack([L, np.zeros((len(L), len(self.kept) - L.shape[1]))])
        if self.null.shape[1] and np.abs(wide @ self.null).max() > 1e-7 * np.abs(L).max():
            return None
        return wide[:, self.kept]


def fix_terms(
    X: Floats,
    groupings: tuple[Grouping, ...],
    fixed: tuple[str, ...],
    residual_groups: Grouping | None,
    *,
    complete: bool = False,
) -> FixedTerms:
    """Give the model with some random terms fixed."""
    chosen = [g for g in groupings if g.term.name in fixed]
    others = tuple(g for g in groupings if g.term.name not in fixed)
    F = np.hstack([X, *(indicator(g) for g in chosen)])
    kept: NDArray[np.bool_]
    kept, null = full_rank(F)
    F = F[:, kept]
    if F.shape[1] >= len(F):
        return FixedTerms(kept, null, None)
    try:
        reduced = reduce_design(
            F, others, residual_groups=residual_groups, absorb=not complete, complete=complete
        )
    except ModelError:  # variances that cannot be told apart
        return FixedTerms(kept, null, None)
    return FixedTerms(kept, null, reduced)
