"""What a layout says of the errors that the analysis may judge a treatment by.

Two rules of the analysis depend on the layout: a random term batch × treatment may take the place
of the error between units (`trialkit.model.inference.crossed_effect`), and levels with unequal
numbers of units get an error each (`trialkit.model.inference.unequal_spread`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import prod

import numpy as np

from trialkit.arrays import Floats, Ints
from trialkit.design.layout.efficiency import incidence
from trialkit.design.layout.units import strata_coefficients, unit_levels, unit_of
from trialkit.model.inference.smallsample import combine_df
from trialkit.model.inference.unequal_spread import LEAST_FREE, UNEQUAL, shape_trust
from trialkit.structure import Structure, Term

BATCH = "batch"
_MANY = 700  # units beyond which ranks are counted, and an error by level costs next to nothing


@dataclass(frozen=True)
class BatchTerm:
    """What a layout tells of a random term batch × treatment.

    Parameters
    ----------
    df : tuple of int
        Degrees of freedom of the term and of the units beside it; none where the analysis does
        not look at it.
    share : float
        Part of the term's variance that its mean square carries, once units that lie across
        batches (chambers) are allowed for.
    """

    df: tuple[int, int] = (0, 0)
    share: float = 1.0

    def with_batches(self, added: int, levels: int, df: int) -> BatchTerm:
        """Give it for more batches, which bring `df` degrees of freedom in all."""
        if not any(self.df):
            return self
        term = added * (levels - 1)
        return replace(self, df=(self.df[0] + term, self.df[1] + df - term))


def batch_term(
    structure: Structure, counts: Mapping[str, int], given_to: Term, level: Ints, levels: int
) -> BatchTerm:
    """Give what a layout tells of batch × treatment.

    Parameters
    ----------
    structure, counts
        Unit structure and levels per unit factor.
    given_to : tuple of str
        Units that the treatment is given to.
    level : array of int
        Its level in each of them, in plan order.
    levels : int
    """
    if BATCH not in given_to or counts[BATCH] < 2:
        return BatchTerm()
    n = prod(counts[factor] for factor in given_to)
    if n > _MANY:
        term = (counts[BATCH] - 1) * (levels - 1)
        alone = sum(counts[factor] - 1 for factor in given_to) + levels - 1
        return BatchTerm((term, n - 1 - alone - term))
    units = unit_levels(given_to, counts)
    base = np.hstack([np.eye(counts[factor])[units[factor]] for factor in given_to])
    base = np.hstack([base, np.eye(levels)[level]])
    crossed = np.eye(counts[BATCH] * levels)[units[BATCH] * levels + level]
    kept, values, _ = np.linalg.svd(base, full_matrices=False)
    kept = kept[:, values > 1e-9 * values[0]]
    left = crossed - kept @ (kept.T @ crossed)
    term = int(np.linalg.matrix_rank(left, tol=1e-8))
    if term == 0:
        return BatchTerm((0, n - kept.shape[1]))
    each = n / np.count_nonzero(crossed.any(axis=0))
    share = float((left**2).sum() / (term * each))
    return BatchTerm((term, n - kept.shape[1] - term), round(min(share, 1.0), 9))


@dataclass(frozen=True, eq=False)
class LevelErrors:
    """Squares that each level's units leave, where levels have unequal numbers of units.

    Parameters
    ----------
    own : array, shape (levels, cells, cells)
        For a row of cell means solved by the information of the stratum, the squared weights of
        the units of each level.
    solved : array, shape (cells, cells)
        Inverse of that information.
    squares : array, shape (levels, levels)
        ``tr(M E_j M E_k)``: what level j's squares expect per variance of level k.
    """

    own: Floats
    solved: Floats
    squares: Floats

    def scaled(self, gain: float) -> LevelErrors:
        """Give them for so many times the degrees of freedom."""
        return replace(self, squares=self.squares * gain)

    def share(self, rows: Floats) -> Floats:
        """Give the df of an error by level over those of the one error, for each row.

        Where spreads are equal, as planning takes them to be. As in the analysis the error is
        ``sum_j c_j S_j``, partly of the shape found within units and partly by level alone.
        """
        half = rows @ self.solved
        own = np.einsum("la,kab,lb->lk", half, self.own, half)
        total = self.squares.sum()
        alone = own @ np.linalg.pinv(self.squares)
        shaped = np.repeat(own.sum(axis=1)[:, None] / total, own.shape[1], axis=1)
        few = np.diag(self.squares).min() < LEAST_FREE
        trust = 1.0 if few else float(shape_trust(self._df(alone).mean()))
        found = self._df(trust * shaped + (1 - trust) * alone)
        return np.asarray(np.minimum(found / total, 1.0))

    def _df(self, forms: Floats) -> Floats:
        mean = forms @ self.squares.sum(axis=1)
        return np.asarray(mean**2 / np.einsum("li,ij,lj->l", forms, self.squares, forms))

    def together(self, rows: Floats, df: float) -> float:
        """Give the df of all rows' test, with `df` for one error."""
        return float(combine_df(df * self.share(rows)[None])[0])


def level_errors(
    structure: Structure,
    counts: Mapping[str, int],
    stratum: Term,
    finest: Term,
    cell: Ints,
    level_of_cell: Ints,
) -> LevelErrors | None:
    """Give the squares by level; None where numbers are alike, or units are single rows.

    Parameters
    ----------
    structure, counts
        Unit structure and levels per unit factor.
    stratum, finest : tuple of str
        Where the treatment is compared, and the units that `cell` is listed for.
    cell : array of int
        Treatment combination of each of these.
    level_of_cell : array of int
        Level of the treatment (or combination of levels) compared in each combination.
    """
    if stratum == structure.strata(counts)[-1]:
        return None
    n = prod(counts[name] for name in stratum)
    home = unit_of(finest, stratum, counts)
    level = np.full(n, -1)
    level[home] = level_of_cell[cell]
    sizes = np.bincount(level)
    sizes = sizes[sizes > 0]
    mixed = (level[home] != level_of_cell[cell]).any()
    if mixed or n > _MANY or sizes.min() < 2 or sizes.max() < UNEQUAL * sizes.min():
        return None
    P = _projection(structure, counts, stratum)
    X = P @ (incidence(cell, home, int(cell.max()) + 1, n) / (len(cell) / n)).T
    solved: Floats = np.asarray(np.linalg.pinv(X.T @ X, rcond=1e-9, hermitian=True), dtype=float)
    M = P - X @ solved @ X.T
    groups = [np.flatnonzero(level == k) for k in np.unique(level)]
    squares = np.array([[(M[np.ix_(a, b)] ** 2).sum() for b in groups] for a in groups])
    if squares.sum() < 1 - 1e-6:
        return None
    return LevelErrors(np.array([X[a].T @ X[a] for a in groups]), solved, squares)


def _projection(structure: Structure, counts: Mapping[str, int], stratum: Term) -> Floats:
    """Give the projection of unit values onto the contrasts of their stratum."""
    n = prod(counts[name] for name in stratum)
    out = np.zeros((n, n))
    for above, value in strata_coefficients(structure, counts, stratum).items():
        holder = unit_of(stratum, above, counts)
        together = holder[:, None] == holder[None, :]
        out += value * together / together.sum(axis=1, keepdims=True)
    return out
