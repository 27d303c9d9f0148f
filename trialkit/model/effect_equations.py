"""The mixed-model equations of the random effects, with the largest term eliminated.

``M = D^-1 + Z' R^-1 Z`` exists for variances below zero as well; terms with variance exactly
zero are left out. The term with most levels, ``b``, has a diagonal block ``d``, so that with
``B`` its cross-products with the other effects only their Schur complement is dense:

    S = M_cc - B' d^-1 B,  W = Z_c - Z_b d^-1 B
    Z M^-1 Z' = Z_b d^-1 Z_b' + W S^-1 W'

References
----------
.. [1] Henderson CR (1984). Applications of linear models in animal breeding. Univ. Guelph.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

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
class EffectEquations:
    """``Z M^-1 Z'`` of some random terms, in parts that fit the memory.

    Parameters
    ----------
    n : int
        Rows.
    Zb : sparse array, shape (n, q_b), or None
        Columns of the term with most levels; None where no variance counts.
    d : ndarray, shape (q_b,)
        Its diagonal block of the equations.
    W : sparse array, shape (n, q_c)
        Columns of the other terms, with the eliminated term taken out.
    S : ndarray, shape (q_c, q_c)
        Inverse of the Schur complement.
    """

    n: int
    Zb: Any = field(repr=False)
    d: Floats = field(repr=False)
    W: Any = field(repr=False)
    S: Floats = field(repr=False)

    @classmethod
    def of(cls, terms: Sequence[Grouped], residual: Floats) -> EffectEquations:
        """Form and solve the equations of terms with their variances."""
        n, weight = len(residual), 1.0 / residual
        held = [term for term in terms if term.counts(residual)]
        nothing = np.zeros((0, 0))
        if not held:
            return cls(n, None, np.zeros(0), sparse.csr_array((n, 0)), nothing)
        first = max(held, key=lambda term: len(term.labels))
        rest = [term for term in held if term is not first]
        Zb = first.columns()
        d = np.asarray(Zb.multiply(Zb).T @ weight) + 1.0 / first.variance
        if not rest:
            return cls(n, Zb, d, sparse.csr_array((n, 0)), nothing)
        Zc = sparse.csr_array(sparse.hstack([term.columns() for term in rest]))
        scaled = Zc.multiply(weight[:, None]).tocsr()
        B = sparse.csr_array(Zb.T @ scaled)
        taken = sparse.csr_array(B.multiply((1.0 / d)[:, None]))
        inner = (Zc.T @ scaled - B.T @ taken).toarray()
        spread = np.concatenate([np.full(len(term.labels), term.variance) for term in rest])
        inner[np.diag_indices_from(inner)] += 1.0 / spread
        inverse = np.linalg.inv(inner)
        W = sparse.csr_array(Zc - Zb @ taken)
        return cls(n, Zb, d, W, (inverse + inverse.T) / 2)

    def predict(self, columns: Floats) -> Floats:
        """Give ``Z M^-1 Z'`` times columns, shape (n, m)."""
        if self.Zb is None:
            return np.zeros_like(columns)
        out = self.Zb @ ((self.Zb.T @ columns) / self.d[:, None])
        return np.asarray(out + self.W @ (self.S @ (self.W.T @ columns)))

    def row_variances(self) -> Floats:
        """Give the diagonal of ``Z M^-1 Z'``, shape (n,)."""
        if self.Zb is None:
            return np.zeros(self.n)
        out = np.asarray(self.Zb.multiply(self.Zb) @ (1.0 / self.d))
        for start in range(0, self.n if self.W.shape[1] else 0, 2048):  # memory stays small
            piece = self.W[start : start + 2048]
            out[start : start + 2048] += np.asarray(piece.multiply(piece @ self.S).sum(axis=1))
        return out

    def row_covariance(self, rows: Codes) -> Floats:
        """Give ``Z M^-1 Z'`` of some rows, shape (rows, rows)."""
        if self.Zb is None:
            return np.zeros((len(rows), len(rows)))
        own, W = self.Zb[rows], self.W[rows]
        out = (own.multiply(1.0 / self.d) @ own.T).toarray()
        return np.asarray(out + (W @ (W @ self.S).T))

    def column_variances(self, Z: Any, weight: Floats) -> Floats:
        """Give the diagonal of ``Z' V^-1 Z`` for other columns, ``V^-1 = R^-1 - R^-1 (...) R^-1``.

        Parameters
        ----------
        Z : sparse array, shape (n, q)
        weight : ndarray, shape (n,)
            Diagonal of ``R^-1``.
        """
        scaled = Z.multiply(weight[:, None]).tocsr()
        out = np.asarray(Z.multiply(scaled).sum(axis=0)).ravel().astype(float)
        if self.Zb is None:
            return out
        onto = sparse.csr_array(scaled.T @ self.Zb)
        out -= np.asarray(onto.multiply(onto) @ (1.0 / self.d))
        other = sparse.csr_array(scaled.T @ self.W)
        for start in range(0, len(out) if self.W.shape[1] else 0, 2048):
            piece = other[start : start + 2048]
            out[start : start + 2048] -= np.asarray(piece.multiply(piece @ self.S).sum(axis=1))
        return out
