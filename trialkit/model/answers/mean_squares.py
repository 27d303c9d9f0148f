"""Mean squares of a fit: one per random term and one for the residual, with their df.

The sums of squares are sequential, terms with few levels first: what a term adds to the fixed
part and to the terms before it. In a balanced layout they are those of the analysis of
variance, each its expected mean square times a chi-square over its degrees of freedom. In an
unbalanced one that is an approximation, with Satterthwaite's degrees of freedom.

References
----------
.. [1] Henderson CR (1953). Estimation of variance and covariance components. Biometrics
   9:226-252 (sequential sums of squares; from memory).
.. [2] Satterthwaite FE (1946). An approximate distribution of estimates of variance
   components. Biometrics Bulletin 2:110-114.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import special

from trialkit.arrays import Floats
from trialkit.model.columns.terms import indicator
from trialkit.model.fitted import Fitted
from trialkit.model.likelihood.threads import one_blas_thread

_TINY = 1e-8  # a direction shorter than this is spanned by the terms before


@dataclass(frozen=True)
class MeanSquares:
    """Mean squares of a fit, coarsest term first, the residual last.

    Parameters
    ----------
    names : tuple of str
        Random terms, then ``"residual"``.
    values : ndarray, shape (m,)
        Mean squares, user's unit; missing where a term has no degree of freedom left.
    df : ndarray, shape (m,)
        Degrees of freedom, Satterthwaite's where the layout is unbalanced.
    weights : ndarray, shape (m, m)
        The expected mean squares are ``weights @ variances``; zero below the diagonal.
    """

    names: tuple[str, ...]
    values: Floats
    df: Floats
    weights: Floats

    def components(self, squares: Floats, *, possible: bool = True) -> Floats:
        """Solve expected mean squares for variances, finest first.

        Parameters
        ----------
        squares : ndarray, shape (..., m)
            Expected mean squares.
        possible : bool
            Where a mean square lies below what the finer variances ask for, its own variance
            is zero; otherwise it lies below zero.

        Returns
        -------
        ndarray, shape (..., m)
            Variances; those of terms without df are missing.
        """
        out = np.zeros_like(np.asarray(squares, dtype=float))
        for i in reversed(range(len(self.names))):
            if np.isfinite(self.values[i]):
                finer = out[..., i + 1 :] @ self.weights[i, i + 1 :]
                own = (squares[..., i] - finer) / self.weights[i, i]
                out[..., i] = np.maximum(own, 0.0) if possible else own
        out[..., ~np.isfinite(self.values)] = np.nan
        return out

    def draws(self, uniform: Floats) -> Floats:
        """Give variances that could have led to these mean squares (fiducial draws).

        Parameters
        ----------
        uniform : ndarray, shape (draws, m)
            Numbers between 0 and 1, evenly spread.

        Returns
        -------
        ndarray, shape (draws, m)
            Each expected mean square is the one seen times df over a chi-square, and the
            variances are solved from these. They are differences of mean squares, so single
            ones may lie below zero; what is made of them must stay possible.
        """
        known = np.isfinite(self.values)
        df = np.where(known, self.df, 1.0)
        squares = np.where(known, self.values, 0.0) * df / special.chdtri(df, uniform)
        return self.components(squares, possible=False)


def mean_squares(fit: Fitted) -> MeanSquares:
    """Give the mean squares of a fit's random terms and of its residual.

    Parameters
    ----------
    fit : Fitted

    Returns
    -------
    MeanSquares

    Notes
    -----
    With `residual_by` the residual stands for all groups, their variances in the proportion
    found. Large fits have no sums of squares; theirs are the expected mean squares at the
    variances found, with the df that the average information gives.

    Examples
    --------
    Six invented chambers of four blocks, two schedules: 4 and 18 df.

    >>> import numpy as np, pandas as pd
    >>> from trialkit.model.fit import fit
    >>> rng = np.random.default_rng(3)
    >>> table = pd.DataFrame({
    ...     "chamber": np.repeat(["T1", "T2", "T3", "T4", "T5", "T6"], 4),
    ...     "schedule": np.repeat(["usual", "sparse"] * 3, 4),
    ... })
    >>> table["fresh_g"] = 400 + np.repeat(rng.normal(0, 20, 6), 4) + rng.normal(0, 30, 24)
    >>> found = mean_squares(fit(table, response="fresh_g", fixed="schedule", random=["chamber"]))
    >>> found.names, found.df.round(6).tolist()
    (('chamber', 'residual'), [4.0, 18.0])
    >>> found.weights.round(6).tolist()
    [[4.0, 1.0], [0.0, 1.0]]
    """
    if fit.data.small is None:
        return _of_large(fit)
    with one_blas_thread(len(fit.reduced.stratum)):
        return _Sequence(fit).result()


class _Sequence:
    """Sums of squares, one term after the other, in the coordinates of the error contrasts."""

    def __init__(self, fit: Fitted) -> None:
        self.fit, self.reduced = fit, fit.reduced
        self.terms = sorted(fit.groupings, key=lambda g: g.q)
        k = self.reduced.K.shape[1]
        self.space = np.zeros((k, 0))  # directions of the terms so far
        n_terms = len(self.terms)
        self.shapes = [self._shape(i) for i in range(n_terms + 1)]

    def _coef(self, i: int) -> Floats:
        """Give the weights of a parameter in the elements; all residuals count as one."""
        reduced = self.reduced
        if i < len(self.terms):
            return np.asarray(reduced.coef[:, reduced.params.index(self.terms[i].term.name)])
        residual = reduced.coef[:, reduced.n_random :]
        if residual.shape[1] == 1:
            return np.asarray(residual[:, 0])
        phi = self.fit.phi[reduced.n_random :]
        rows = reduced.out + np.bincount(reduced.stratum, minlength=reduced.n_strata)
        return np.asarray(residual @ phi / (rows @ residual[: reduced.n_strata] @ phi / rows.sum()))

    def _shape(self, i: int) -> tuple[Floats, Floats]:
        """Give a parameter's matrix in the contrasts, and per stratum outside them."""
        coef = self._coef(i)
        return np.tensordot(coef, self.reduced.GK, axes=1), coef[: self.reduced.n_strata]

    def result(self) -> MeanSquares:
        """Take the terms in turn, then what is left."""
        parts, outside_left = [], np.ones(self.reduced.n_strata, dtype=bool)
        for i, grouping in enumerate(self.terms):
            basis = self._new_directions(i, grouping)
            # an absorbed factor owns the strata between its units, outside the contrasts too
            own = outside_left & (self.shapes[i][1] > 0)
            outside_left &= ~own
            parts.append((basis, own))
        k = len(self.space)
        full, _ = np.linalg.qr(np.hstack([self.space, np.eye(k)]))
        parts.append((full[:, self.space.shape[1] : k], outside_left))
        return self._solve(parts)

    def _new_directions(self, i: int, grouping: Any) -> Floats:
        columns: Floats
        if (self.shapes[i][1] > 0).any():  # absorbed: known by its matrix only
            columns = self.shapes[i][0]
        else:
            columns = self.reduced.K.T @ (self.reduced.rows.A @ indicator(grouping))
        size = np.linalg.norm(columns)
        columns = columns - self.space @ (self.space.T @ columns)
        columns = columns - self.space @ (self.space.T @ columns)
        u, s, _ = np.linalg.svd(columns, full_matrices=False)
        basis = u[:, s > _TINY * max(float(size), 1e-300)]
        self.space = np.hstack([self.space, basis])
        return np.asarray(basis)

    def _solve(self, parts: list[tuple[Floats, Any]]) -> MeanSquares:
        fit, reduced = self.fit, self.reduced
        m = len(parts)
        e, out_ss = fit.responses.e[0], fit.responses.out_ss[0]
        count = np.array([basis.shape[1] + reduced.out[own].sum() for basis, own in parts])
        ss = np.array(
            [float(np.sum((basis.T @ e) ** 2)) + out_ss[own].sum() for basis, own in parts]
        )
        Q = np.hstack([basis for basis, _ in parts])
        ends = np.cumsum([0, *(basis.shape[1] for basis, _ in parts)])
        weights = np.zeros((m, m))
        for j, (inside, outside) in enumerate(self.shapes):
            traces = np.concatenate([[0.0], np.cumsum(np.sum((inside @ Q) * Q, axis=0))])
            per_part = np.diff(traces[ends])
            beyond = [float(outside[own] @ reduced.out[own]) for _, own in parts]
            weights[: j + 1, j] = (per_part + beyond)[: j + 1]
        known = (count > 0) & (np.diag(weights) > 0)
        safe = np.where(count > 0, count, 1.0)
        unit = fit.scale**2
        names = (*(g.term.name for g in self.terms), "residual")
        made = MeanSquares(
            names,
            np.where(known, ss / safe * unit, np.nan),
            np.where(known, count, 0.0),
            np.where(known[:, None], weights / safe[:, None], 0.0),
        )
        phi = np.nan_to_num(made.components(np.nan_to_num(made.values))) / unit
        inside = sum(p * shape for p, (shape, _) in zip(phi, self.shapes, strict=True))
        outside = sum(p * coef for p, (_, coef) in zip(phi, self.shapes, strict=True))
        df = [
            _box_df(
                basis.T @ np.asarray(inside) @ basis, np.asarray(outside)[own], reduced.out[own]
            )
            for basis, own in parts
        ]
        to_user = np.array([*(g.unit**2 for g in self.terms), 1.0])
        return MeanSquares(names, made.values, np.where(known, df, 0.0), made.weights * to_user)


def _box_df(V: Floats, extra: Floats, times: Floats) -> float:
    """Give Satterthwaite's df of a sum of squares of this covariance (Box 1954)."""
    first = float(np.trace(V)) + float(extra @ times)
    second = float(np.sum(V * V)) + float(extra**2 @ times)
    return first**2 / second if second > 0 else 0.0


def _of_large(fit: Fitted) -> MeanSquares:
    """Give expected mean squares at the variances of a large fit, df from its information."""
    terms = sorted(fit.groupings, key=lambda g: g.q)
    names = (*(g.term.name for g in terms), "residual")
    at = [list(fit.variances.index).index(name) for name in names]
    n = float(fit.n)
    repeats = np.array([*(n / g.q for g in terms), 1.0])  # rows in each unit
    columns = [*(set(g.term.columns) for g in terms), None]
    m = len(names)
    weights = np.zeros((m, m))
    for i in range(m):
        for j in range(i, m):
            finer, mine = columns[j], columns[i]
            below = finer is None or (mine is not None and mine <= finer)
            weights[i, j] = repeats[j] if below else 0.0
    phi = fit.variances.to_numpy(dtype=float)[at]
    unit = np.asarray(fit.solver.units, dtype=float)[at] * fit.scale**2
    cov = np.linalg.inv(fit.large.point.information)[np.ix_(at, at)] * np.outer(unit, unit)
    values = weights @ np.maximum(phi, 0.0)
    spread = np.einsum("ij,jk,ik->i", weights, cov, weights)
    return MeanSquares(names, values, 2 * values**2 / spread, weights)
