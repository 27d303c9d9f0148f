"""What the fit owes to each batch, chamber or block, without fitting again.

With the variances held at their estimates, leaving out rows ``I`` is the same as giving
each of them a coefficient of its own, so everything follows from one factorisation:

    V = R + Z D Z',  C = (X' V^-1 X)^-1,  P = V^-1 - V^-1 X C X' V^-1
    d = P_II^-1 (P y)_I
    beta without I = beta - C X' (V^-1)_I d
    C without I    = C + C X' (V^-1)_I  P_II^-1  (V^-1)_I' X C

``V^-1`` comes from the mixed-model equations (`trialkit.model.checks.effect_equations`). If
``P_II`` is singular, some coefficient cannot be estimated without the rows ``I``. Where a level
holds very many rows, the equations of the rows that are left are solved instead.

References
----------
.. [1] Christensen R, Pearson LM, Johnson W (1992). Case-deletion diagnostics for mixed
   models. Technometrics 34:38-45. doi:10.2307/1269550
.. [2] Demidenko E, Stukel TA (2005). Influence analysis for linear mixed-effects models.
   Stat Med 24:893-909. doi:10.1002/sim.1974
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from trialkit.arrays import Codes, Floats
from trialkit.model.checks.effect_equations import EffectEquations, Grouped

MOST_ROWS = 1000  # rows up to which a level is left out by the algebra of single rows


@dataclass(frozen=True)
class Solved:
    """Generalised least squares with the variances held.

    Parameters
    ----------
    X : ndarray, shape (n, p)
        Fixed columns of full rank.
    y : ndarray, shape (n,)
        Response.
    terms : tuple of Grouped
        Random terms.
    residual : ndarray, shape (n,)
        Residual variance of each row.
    """

    X: Floats
    y: Floats
    terms: tuple[Grouped, ...]
    residual: Floats

    @cached_property
    def _weight(self) -> Floats:
        return np.asarray(1.0 / self.residual)

    @cached_property
    def _split(self) -> EffectEquations:
        return EffectEquations.of(self.terms, self.residual)

    def times_inverse(self, columns: Floats) -> Floats:
        """Give ``V^-1`` times columns, shape (n, m)."""
        weighted = columns * self._weight[:, None]
        back = self._split.predict(weighted)
        return np.asarray(weighted - back * self._weight[:, None])

    @cached_property
    def vx(self) -> Floats:
        """``V^-1 X``, shape (n, p)."""
        return self.times_inverse(self.X)

    @cached_property
    def cov(self) -> Floats:
        """Covariance of the coefficients, ``(X' V^-1 X)^-1``."""
        C = np.linalg.inv(self.X.T @ self.vx)
        return np.asarray((C + C.T) / 2, dtype=float)

    @cached_property
    def beta(self) -> Floats:
        """Coefficients, shape (p,)."""
        return np.asarray(self.cov @ (self.vx.T @ self.y))

    @cached_property
    def py(self) -> Floats:
        """``P y``, shape (n,); the residuals of the rows are ``R P y``."""
        return self.times_inverse((self.y - self.X @ self.beta)[:, None])[:, 0]

    @cached_property
    def inverse_diagonal(self) -> Floats:
        """Diagonal of ``V^-1``, shape (n,)."""
        return np.asarray(self._weight - self._weight**2 * self._split.row_variances())

    @cached_property
    def p_diagonal(self) -> Floats:
        """Diagonal of ``P``, shape (n,)."""
        return np.asarray(
            self.inverse_diagonal - np.einsum("ij,jk,ik->i", self.vx, self.cov, self.vx)
        )

    @cached_property
    def leverage(self) -> Floats:
        """Share of each row that the fixed part takes, 0 to 1, shape (n,).

        NaN throughout where the covariance is not positive definite.
        """
        inverse = self.inverse_diagonal
        share = 1 - self.p_diagonal / np.where(inverse > 0, inverse, math.nan)
        if not (share > -1e-9).all():  # some mean has a variance below zero: nothing to share
            return np.full(len(share), math.nan)
        return np.asarray(share)

    @cached_property
    def standardised(self) -> Floats:
        """Row residuals over their standard error, ``(P y)_i / sqrt(P_ii)``, shape (n,).

        A row that alone determines a coefficient has no residual: NaN.
        """
        free = self.p_diagonal > 1e-8 * self._weight
        size = np.sqrt(np.where(free, self.p_diagonal, 1.0))
        return np.where(free, self.py / size, math.nan)

    def effects(self, term: Grouped) -> tuple[Floats, Floats]:
        """Give predicted effects of a term and the same over their standard error.

        The standardised effect ``Z_k' P y / sqrt(Z_k' P Z_k)`` also exists where the variance
        is zero or below; it asks how far the level lies from the others.

        Returns
        -------
        effect, standardised : ndarray, shape (levels,)
        """
        Z = term.columns()
        score = Z.T @ self.py
        size = self._split.column_variances(Z, self._weight)
        XVZ = Z.T @ self.vx
        size = size - np.einsum("ij,jk,ik->i", XVZ, self.cov, XVZ)
        known = size > 1e-10 * np.abs(size).max()
        ratio = np.where(known, score / np.sqrt(np.where(known, size, 1.0)), math.nan)
        return np.asarray(term.variance * score), ratio

    def free_effects(self, term: Grouped) -> int:
        """Give how many effects of a term are left free by the fixed part.

        All but the directions of the fixed part that are constant within the term's levels.
        """
        Q, _ = np.linalg.qr(self.X)
        Z = term.columns()
        size = np.asarray(Z.multiply(Z).sum(axis=0)).ravel()
        used = size > 0
        within = Q - Z @ ((Z.T @ Q) / np.where(used, size, 1.0)[:, None])
        values = np.linalg.eigvalsh(within.T @ within)
        return int(used.sum()) - int((values < 1e-9).sum())

    def without(self, rows: Codes) -> Deleted | None:
        """Give the coefficients without some rows; None if one cannot be estimated then."""
        if len(self.y) - len(rows) < self.X.shape[1] or self._rank_lost(rows):
            return None
        if len(rows) > MOST_ROWS:  # a part of the trial: solving what is left costs less
            return self._solved_without(rows)
        weight = self._weight[rows]
        VI = np.diag(weight) - weight[:, None] * self._split.row_covariance(rows) * weight
        XV = self.vx[rows].T
        P_II = VI - XV.T @ self.cov @ XV
        P_II = (P_II + P_II.T) / 2
        CXV = self.cov @ XV
        try:
            given = np.linalg.solve(P_II, np.column_stack([self.py[rows], CXV.T]))
        except np.linalg.LinAlgError:
            return self._solved_without(rows)
        change = CXV @ given[:, 0]
        C = self.cov + CXV @ given[:, 1:]
        return Deleted(self.beta - change, np.asarray((C + C.T) / 2))

    def _solved_without(self, rows: Codes) -> Deleted:
        keep = np.ones(len(self.y), dtype=bool)
        keep[rows] = False
        terms = tuple(
            replace(
                term,
                codes=term.codes[keep],
                weight=None if term.weight is None else term.weight[keep],
            )
            for term in self.terms
        )
        other = Solved(self.X[keep], self.y[keep], terms, self.residual[keep])
        return Deleted(other.beta, other.cov)

    @cached_property
    def _cross(self) -> tuple[Floats, Floats, float]:
        """Scaled columns, their cross-products and the smallest eigenvalue of these."""
        scaled = self.X / np.maximum(np.linalg.norm(self.X, axis=0), 1e-300)
        cross = scaled.T @ scaled
        return scaled, cross, float(np.linalg.eigvalsh(cross)[0])

    def _rank_lost(self, rows: Codes) -> bool:
        """Say whether fewer coefficients can be estimated without some rows."""
        scaled, cross, smallest = self._cross
        lost = scaled[rows]
        return bool(np.linalg.eigvalsh(cross - lost.T @ lost)[0] < 1e-9 * smallest)


@dataclass(frozen=True)
class Deleted:
    """Coefficients and their covariance without some rows."""

    beta: Floats
    cov: Floats


def deletion_measures(
    beta: Floats, C: Floats, other_beta: Floats, other_C: Floats
) -> dict[str, float]:
    """Measure how far two fits lie apart, one of them with rows left out.

    Parameters
    ----------
    beta, C : ndarray
        Coefficients and covariance of the whole data, shapes (p,) and (p, p).
    other_beta, other_C : ndarray
        The same without the rows.

    Returns
    -------
    dict
        ``cooks_d`` = d' C^-1 d / p, ``mdffits`` = d' C_other^-1 d / p, ``covtrace`` =
        |tr(C^-1 C_other) - p|, ``covratio`` = |C_other| / |C|.

    References
    ----------
    .. [1] Christensen, Pearson, Johnson (1992), doi:10.2307/1269550
    """
    d = beta - other_beta
    p = len(beta)
    return {
        "cooks_d": float(d @ np.linalg.solve(C, d)) / p,
        "mdffits": float(d @ np.linalg.solve(other_C, d)) / p,
        "covtrace": abs(float(np.trace(np.linalg.solve(C, other_C))) - p),
        "covratio": float(np.exp(np.linalg.slogdet(other_C)[1] - np.linalg.slogdet(C)[1])),
    }


def cluster_influence(
    solved: Solved, term: Grouped, contrasts: Floats, names: Sequence[str]
) -> pd.DataFrame:
    """Leave out each level of a term in turn, with the variances held.

    Parameters
    ----------
    solved : Solved
        The fit with its variances.
    term : Grouped
        Term whose levels are left out.
    contrasts : ndarray, shape (m, p)
        Comparisons whose change is watched, as rows over the coefficients.
    names : sequence of str
        Their names.

    Returns
    -------
    DataFrame
        One row per level: `term, level, rows, cooks_d, mdffits, covtrace, covratio,
        comparison` (the one that moves most), `change` (with minus without, in the unit of
        the response), `change_se` (the same in standard errors), `estimable`.
    """
    size = np.einsum("ij,jk,ik->i", contrasts, solved.cov, contrasts)
    se = np.sqrt(np.where(size > 0, size, math.inf))  # no standard error: no change in them
    out = []
    order = np.argsort(term.codes, kind="stable")
    stops = np.cumsum(np.bincount(term.codes, minlength=len(term.labels)))
    for label, rows in zip(term.labels, np.split(order, stops[:-1]), strict=True):
        line: dict[str, object] = {"term": term.name, "level": label, "rows": len(rows)}
        deleted = solved.without(rows)
        line["estimable"] = deleted is not None
        if deleted is not None:
            line |= deletion_measures(solved.beta, solved.cov, deleted.beta, deleted.cov)
            moved = contrasts @ (solved.beta - deleted.beta)
            worst = int(np.argmax(np.abs(moved / se)))
            line["comparison"] = names[worst]
            line["change"] = float(moved[worst])
            line["change_se"] = float(moved[worst] / se[worst])
        out.append(line)
    columns = ["term", "level", "rows", "cooks_d", "mdffits", "covtrace", "covratio"]
    columns += ["comparison", "change", "change_se", "estimable"]
    return pd.DataFrame(out).reindex(columns=columns)
