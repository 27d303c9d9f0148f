"""Comparisons between levels with unequal numbers of units, whose spreads may differ.

One common error serves every comparison while each level has as many units and they spread alike.
With eight runs of one schedule and four of the other it does not: if the four spread more, the
common error is too small (and too large if they spread less). So

- where one level has at least `UNEQUAL` times the units of another, comparisons are made on unit
  values and the error is told apart by level, whatever the spreads found;
- where three or more levels have about as many units, it is told apart where a test finds that
  they do not spread alike (`trialkit.model.inference.spread_tests`): a common error is then too
  small for comparisons with the level that spreads most. With two levels it serves.

With ``z`` the unit values, ``M`` the projection onto what the fixed part and the fixed blocks
leave, ``e = M z``, ``E_j`` the units of level ``j`` and ``w`` the weights of a comparison, the
error found between units is shared out in two ways:

- by the *shape* that rows within the units give: ``s_j``, their mean square at level ``j``, so that
  the variance of a unit at level ``j`` is ``s_j e'e / sum_k s_k tr(M E_k)``. Rows are many, so
  this costs next to nothing where spreads are equal;
- by *level alone*: the solution of ``e'E_j e = sum_k tr(M E_j M E_k) v_k`` (in a one-way layout
  the variance within each level, so that the test is Welch's).

Both count the same where the second has `ALIKE_DF` degrees of freedom; fewer lean on the shape,
and more speak for themselves (`shape_trust`; the square keeps the power of few units and takes
the shape out soon where runs spread unequally and blocks do not). Degrees of freedom are those
of the quadratic form that results, at the variances found (Satterthwaite 1946; Box 1954).

References
----------
.. [1] Welch BL (1938). The significance of the difference between two means when the
   population variances are unequal. Biometrika 29:350-362. doi:10.1093/biomet/29.3-4.350
.. [2] Satterthwaite FE (1946). An approximate distribution of estimates of variance components.
   Biometrics Bull 2:110-114. doi:10.2307/3002019
.. [3] Box GEP (1954). Some theorems on quadratic forms applied in the study of analysis of
   variance problems, I. Ann Math Stat 25:290-302. doi:10.1214/aoms/1177728786
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trialkit.arrays import Floats
from trialkit.model.inference.answer import Answer
from trialkit.model.inference.blocking import first_rows
from trialkit.model.inference.memory import recall
from trialkit.model.inference.question import Question
from trialkit.model.inference.smallsample import combine_df, solve_each

UNEQUAL = 1.25  # units of the level with most over that with fewest, from which it matters
ALIKE_DF = 3.0  # df of the errors by level alone from which they count more than the shape
LEAST_FREE = 0.5  # df between the units of a level, below which it has no error of its own
LEAST_WITHIN = 4  # df within the units of each level, from which their shape is used


@dataclass(frozen=True, eq=False)
class SpreadLevels:
    """Levels that a comparison lies between, and the units of each.

    Parameters
    ----------
    name : str
        Factors, joined by ``":"``.
    codes : ndarray of int, shape (units,)
        Level of each unit.
    labels : tuple of str
        Names of the levels.
    """

    name: str
    codes: NDArray[np.intp]
    labels: tuple[str, ...]

    @property
    def count(self) -> int:
        """Give the number of levels."""
        return len(self.labels)

    @property
    def sizes(self) -> NDArray[np.intp]:
        """Give the number of units of each level."""
        return np.bincount(self.codes, minlength=self.count)


@dataclass(frozen=True, eq=False)
class UnitParts:
    """What an answer on unit values was made of, in the coordinates of its problem.

    Parameters
    ----------
    A : ndarray, shape (r, units)
        Units to coordinates.
    P : ndarray, shape (R, r, r)
        ``V^-1 - V^-1 X C X'V^-1`` times the error variance; ``M`` where no block is random.
    D : ndarray, shape (R, r, r)
        Covariance that the unit values have with one error, over that error.
    weights : ndarray, shape (R, r, l)
    left : ndarray, shape (R, r)
        ``P z``, user's unit.
    error : ndarray, shape (R,)
        The one error variance, user's unit.
    """

    A: Floats
    P: Floats
    D: Floats
    weights: Floats
    left: Floats
    error: Floats


def spread_levels(question: Question) -> SpreadLevels | None:
    """Give the levels a comparison is between; None where it is not between groups of units."""
    key = ("spread levels", question.about)
    return recall(question.prepared, key, lambda: _find_levels(question))


def _find_levels(question: Question) -> SpreadLevels | None:
    design, own = question.prepared.design, question.own
    if own is None or not question.is_comparison:
        return None
    factors = list(dict.fromkeys(f for term in question.terms for f in term.split(":")))
    if not factors or not set(factors) <= set(design.levels):
        return None
    table, first = question.prepared.table, first_rows(own)
    columns = [table[name].iloc[first].astype(str) for name in factors]
    labels = np.array([":".join(parts) for parts in zip(*columns, strict=True)], dtype=object)
    present, codes = np.unique(labels, return_inverse=True)
    names = tuple(map(str, present))
    return SpreadLevels(":".join(factors), codes.reshape(-1).astype(np.intp), names)


def unequal_levels(question: Question) -> SpreadLevels | None:
    """Give the levels where their numbers of units call for an error by level, else None."""
    levels = spread_levels(question)
    if levels is None or levels.count < 2:
        return None
    sizes = levels.sizes
    if sizes.min() < 2 or sizes.max() < UNEQUAL * sizes.min():
        return None
    return levels


def several_levels(question: Question) -> SpreadLevels | None:
    """Give three or more levels of one factor with about as many units each, else None.

    Units that are named after the levels themselves (batch × treatment) are left out: too few
    of them belong to a level.
    """
    levels = spread_levels(question)
    if levels is None or levels.count < 3 or ":" in levels.name or levels.sizes.min() < 2:
        return None
    assert question.own is not None
    if levels.name in question.own.term.name.split(":"):
        return None
    return levels if levels.sizes.max() < UNEQUAL * levels.sizes.min() else None


def shape_trust(df: Floats) -> Floats:
    """Give the weight of the shape within units beside errors by level alone on so many df.

    Examples
    --------
    >>> shape_trust(np.array([1.5, 3.0, 9.0])).tolist()
    [0.8, 0.5, 0.1]
    """
    return np.asarray(1 / (1 + (df / ALIKE_DF) ** 2))


def within_shape(question: Question, levels: SpreadLevels, Y: Floats) -> Floats:
    """Give the mean square of rows within the units of each level, shape (R, levels).

    All one where some level has too few rows to tell.
    """
    own, basis = question.own, question.within_basis
    assert own is not None
    assert basis is not None
    left = Y - (Y @ basis) @ basis.T
    of_row = levels.codes[own.codes]
    free = 1 - np.einsum("ij,ij->i", basis, basis)
    df = np.bincount(of_row, weights=free, minlength=levels.count)
    if df.min() < LEAST_WITHIN:
        return np.ones((len(Y), levels.count))
    member = np.eye(levels.count)[of_row]
    squares = (left**2) @ member / df
    return np.asarray(np.maximum(squares, 1e-9 * squares.max(axis=1, keepdims=True)))


def with_spread_by_level(
    answer: Answer,
    levels: SpreadLevels,
    parts: UnitParts,
    shape: Floats,
    *,
    joint: bool,
) -> Answer:
    """Put an error by level in place of the common error between units.

    Parameters
    ----------
    answer : Answer
        By the values of the own units with one error, user's unit.
    levels : SpreadLevels
    parts : UnitParts
        What that answer was made of.
    shape : ndarray, shape (R, levels)
        Mean squares within the units of each level.
    joint : bool

    Returns
    -------
    Answer
    """
    weights = parts.weights
    J = np.einsum("ai,ij,bi->jab", parts.A, np.eye(levels.count)[levels.codes], parts.A)
    E = J[None] @ parts.D[:, None] @ J[None]
    cross = np.einsum("ral,rkab,rbm->rklm", weights, E, weights)
    own = np.einsum("rkll->rlk", cross)
    law = _Law.of(parts.P, J, E)
    S = np.einsum("ra,jab,rb->rj", parts.left, J, parts.left)
    total = law.expected(shape).sum(axis=1)
    inverse = np.linalg.pinv(law.T)
    alone = np.einsum("rkj,rlk->rlj", inverse, own)
    shaped = np.einsum("rlk,rk->rl", own, shape) / total[:, None]
    # of the sum of v_j / n_j, so that the weight is the same whichever rows are asked
    summed = np.einsum("rkj,k->rj", inverse, 1 / levels.sizes)[:, None]
    df_alone = law.form_df(summed, np.ones_like(shape))[:, 0] * 2 / levels.count
    few = np.einsum("rkk->rk", law.T).min(axis=1) < LEAST_FREE
    trust = np.where(few, 1.0, shape_trust(df_alone))
    forms = trust[:, None, None] * shaped[:, :, None] + (1 - trust)[:, None, None] * alone
    by_shape = shape * (S.sum(axis=1) / total)[:, None]
    by_level = np.maximum(np.einsum("rkj,rj->rk", inverse, S), 0.0)
    found = trust[:, None] * by_shape + (1 - trust)[:, None] * by_level
    cov = answer.cov + np.einsum("rk,rklm->rlm", found - parts.error[:, None], cross)
    common = law.form_df(np.ones_like(forms), np.ones_like(shape))
    df = answer.df * np.minimum(law.form_df(forms, found) / common, 1.0)
    F, den = answer.F, answer.den_df
    if joint:
        solved = solve_each(cov, answer.estimate[:, :, None])[:, :, 0]
        F = np.einsum("rl,rl->r", answer.estimate, solved) / answer.estimate.shape[1]
        den = combine_df(df)
    method = np.array([f"{m}, spread by {levels.name}" for m in answer.method], dtype=object)
    return Answer(answer.estimate, cov, df, F, den, method)


@dataclass(frozen=True, eq=False)
class _Law:
    """Moments of the squares that each level leaves, ``S_j = e'E_j e``.

    Parameters
    ----------
    J : ndarray, shape (k, r, r)
        Units of each level.
    above : ndarray, shape (R, r, r)
        What random blocks put into the covariance of ``e`` (zero where none is random).
    units : ndarray, shape (R, k, r, r)
        What a variance of one at each level puts into it.
    T : ndarray, shape (R, k, k)
        Expectation of ``S_j`` per variance of level ``k``; blocks count to the level itself.
    """

    J: Floats
    above: Floats
    units: Floats
    T: Floats

    @classmethod
    def of(cls, P: Floats, J: Floats, E: Floats) -> _Law:
        """Work the moments out."""
        units = P[:, None] @ E @ P[:, None]
        above = P - P @ P
        T = np.einsum("jab,rkba->rjk", J, units)
        at = np.arange(len(J))
        T[:, at, at] += np.einsum("jab,rba->rj", J, above)
        return cls(J, above, units, T)

    def covariance(self, shape: Floats) -> Floats:
        """Give the covariance of ``e`` at variances of a shape, shape (R, r, r)."""
        size = np.einsum("rkaa->rk", self.units)
        mean = np.einsum("rk,rk->r", shape, size) / size.sum(axis=1)
        return np.asarray(
            mean[:, None, None] * self.above + np.einsum("rk,rkab->rab", shape, self.units)
        )

    def expected(self, shape: Floats) -> Floats:
        """Give the expectation of each ``S_j`` at variances of a shape."""
        return np.asarray(np.einsum("jab,rba->rj", self.J, self.covariance(shape)))

    def form_df(self, forms: Floats, shape: Floats) -> Floats:
        """Give Satterthwaite's df of ``sum_j c_j S_j`` at variances of a shape, shape (R, l)."""
        JK = self.J[None] @ self.covariance(shape)[:, None]
        both = np.einsum("riab,rjba->rij", JK, JK)
        mean = np.einsum("rlj,rjaa->rl", forms, JK)
        spread = np.einsum("rli,rij,rlj->rl", forms, both, forms)
        return np.asarray(mean**2 / np.maximum(spread, 1e-300))
