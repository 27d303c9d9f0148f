"""What the fit owes to each batch, chamber or block, without fitting again.

With the variances held at their estimates, leaving out rows ``I`` is the same as giving
each of them a coefficient of its own, so everything follows from one factorisation:

    V = R + Z D Z',  C = (X' V^-1 X)^-1,  P = V^-1 - V^-1 X C X' V^-1
    d = P_II^-1 (P y)_I
    beta without I = beta - C X' (V^-1)_I d
    C without I    = C + C X' (V^-1)_I  P_II^-1  (V^-1)_I' X C

``V^-1`` comes from the mixed-model equations ``D^-1 + Z' R^-1 Z``, which exist for variances
below zero as well; terms with variance exactly zero are left out. If ``P_II`` is singular,
some coefficient cannot be estimated without the rows ``I``.

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
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import linalg, sparse

Floats = NDArray[np.float64]
Codes = NDArray[np.intp]


@dataclass(frozen=True)
class Grouped:
    """A random term: which level each row belongs to, its variance, and a slope column.

    Parameters
    ----------
    name : str
        Name of the term.
    codes : ndarray of int, shape (n,)
        Level of each row.
    labels : tuple
        Names of the levels.
    variance : float
        Its variance; may be below zero.
    weight : ndarray, shape (n,), optional
        The slope's column; ones when None.
    """

    name: str
    codes: Codes
    labels: tuple[Any, ...]
    variance: float
    weight: Floats | None = None

    def counts(self, residual: Floats) -> bool:
        """Say whether the variance is far enough from zero to matter beside the residual."""
        return abs(self.variance) > 1e-10 * float(residual.max())

    def columns(self) -> sparse.csr_array:
        """Give the term's columns of ``Z``, shape (n, levels)."""
        n = len(self.codes)
        values = np.ones(n) if self.weight is None else self.weight
        return sparse.csr_array((values, (np.arange(n), self.codes)), shape=(n, len(self.labels)))


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
    def _z(self) -> sparse.csr_array:
        blocks = [term.columns() for term in self.terms if term.counts(self.residual)]
        if not blocks:
            return sparse.csr_array((len(self.y), 0))
        return sparse.csr_array(sparse.hstack(blocks))

    @cached_property
    def _inner_inverse(self) -> Floats:
        """Inverse of ``D^-1 + Z' R^-1 Z``, dense."""
        spread = [
            np.full(len(term.labels), term.variance)
            for term in self.terms
            if term.counts(self.residual)
        ]
        if not spread:
            return np.zeros((0, 0))
        Z = self._z
        inner = (Z.T @ Z.multiply(self._weight[:, None]).tocsr()).toarray()
        inner[np.diag_indices_from(inner)] += 1.0 / np.concatenate(spread)
        inverse = np.linalg.inv(inner)
        return np.asarray((inverse + inverse.T) / 2, dtype=float)

    def times_inverse(self, columns: Floats) -> Floats:
        """Give ``V^-1`` times columns, shape (n, m)."""
        weighted = columns * self._weight[:, None]
        if self._z.shape[1] == 0:
            return np.asarray(weighted)
        back = self._z @ (self._inner_inverse @ (self._z.T @ weighted))
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
        Z = self._z
        if Z.shape[1] == 0:
            return self._weight
        # row by row z_i' M z_i, in pieces so that memory stays small
        taken = np.empty(len(self.y))
        for start in range(0, len(self.y), 4096):
            piece = Z[start : start + 4096]
            taken[start : start + 4096] = (piece * (piece @ self._inner_inverse)).sum(axis=1)
        return np.asarray(self._weight - self._weight**2 * taken)

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
        size = np.empty(len(term.labels))
        for start in range(0, len(size), 256):
            piece = Z[:, start : start + 256].toarray()
            VZ = self.times_inverse(piece)
            XVZ = self.X.T @ VZ
            direct = np.einsum("ij,ij->j", piece, VZ)
            size[start : start + 256] = direct - np.einsum("ij,ik,kj->j", XVZ, self.cov, XVZ)
        known = size > 1e-10 * np.abs(size).max()
        ratio = np.where(known, score / np.sqrt(np.where(known, size, 1.0)), math.nan)
        return np.asarray(term.variance * score), ratio

    def free_effects(self, term: Grouped) -> int:
        """Give how many effects of a term are left free by the fixed part."""
        Q, _ = np.linalg.qr(self.X)
        Z = term.columns()
        crossed = Z.T @ Q
        left = (Z.T @ Z).toarray() - crossed @ crossed.T
        return int(np.linalg.matrix_rank(left, tol=1e-9 * np.abs(left).max(), hermitian=True))

    def without(self, rows: Codes) -> Deleted | None:
        """Give the coefficients without some rows; None if one cannot be estimated then."""
        kept = np.delete(self.X, rows, axis=0)
        if len(kept) < self.X.shape[1] or _rank_lost(self.X, kept):
            return None
        VI = np.diag(self._weight[rows])
        if self._z.shape[1]:
            ZI = self._z[rows].multiply(self._weight[rows][:, None]).tocsr()
            VI = VI - ZI @ (ZI @ self._inner_inverse).T
        XV = self.vx[rows].T
        P_II = VI - XV.T @ self.cov @ XV
        P_II = (P_II + P_II.T) / 2
        factor = linalg.lu_factor(P_II)
        CXV = self.cov @ XV
        change = CXV @ linalg.lu_solve(factor, self.py[rows])
        C = self.cov + CXV @ linalg.lu_solve(factor, CXV.T)
        return Deleted(self.beta - change, np.asarray((C + C.T) / 2))


@dataclass(frozen=True)
class Deleted:
    """Coefficients and their covariance without some rows."""

    beta: Floats
    cov: Floats


def _rank_lost(X: Floats, kept: Floats) -> bool:
    """Say whether fewer coefficients can be estimated from the rows kept."""
    size = np.maximum(np.linalg.norm(X, axis=0), 1e-300)
    cross = (kept / size).T @ (kept / size)
    values = np.linalg.eigvalsh(cross)
    whole = np.linalg.eigvalsh((X / size).T @ (X / size))
    return bool(values[0] < 1e-9 * whole[0])


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
    solved: Solved, term: Grouped, contrasts: Floats, names: Sequence[str], *, most_rows: int = 3000
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
    most_rows : int
        Levels with more rows than this are not left out (their measures stay missing).

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
    for code, label in enumerate(term.labels):
        rows = np.flatnonzero(term.codes == code)
        line: dict[str, object] = {"term": term.name, "level": label, "rows": len(rows)}
        deleted = solved.without(rows) if len(rows) <= most_rows else None
        line["estimable"] = deleted is not None or len(rows) > most_rows
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
