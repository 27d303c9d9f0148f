"""Error strata as projections of the rows, and how responses come into coordinates."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trialkit.arrays import Floats
from trialkit.short_repr import short_repr


@dataclass(frozen=True)
class Responses:
    """Responses on one design, in coordinates, scaled to residual variance one.

    Parameters
    ----------
    beta0 : ndarray, shape (responses, p)
        Least-squares coefficients, which were taken out first.
    scale : ndarray, shape (responses,)
        Root of the residual mean square by least squares, in the user's unit.
    y : ndarray, shape (responses, r)
        What is left, in coordinates, divided by `scale`.
    e : ndarray, shape (responses, k)
        The same in error contrasts.
    out_ss : ndarray, shape (responses, strata)
        Sum of squares outside the coordinates, in squared scale units.
    spread : ndarray, shape (responses,)
        Root mean square of the raw response about its mean.
    """

    beta0: Floats
    scale: Floats
    y: Floats
    e: Floats
    out_ss: Floats
    spread: Floats

    __repr__ = short_repr

    def take(self, at: NDArray[np.intp]) -> Responses:
        """Give some of the responses."""
        return Responses(
            self.beta0[at],
            self.scale[at],
            self.y[at],
            self.e[at],
            self.out_ss[at],
            self.spread[at],
        )


@dataclass(frozen=True)
class RowMaps:
    """How rows become coordinates (kept apart so that a result can drop it).

    Parameters
    ----------
    Q : ndarray, shape (n, p)
        Orthonormal fixed columns.
    back : ndarray, shape (p, p)
        From coefficients of `Q` to those of the treatment-coded columns.
    A : ndarray, shape (r, n)
        Rows to coordinates.
    strata : tuple of Stratum
    """

    Q: Floats
    back: Floats
    A: Floats
    strata: tuple[Stratum, ...]

    __repr__ = short_repr

    def project(self, Y: Floats, K: Floats) -> Responses:
        """Take least squares out of each response and bring the rest into coordinates."""
        Y = np.atleast_2d(np.asarray(Y, dtype=float))
        ones = self.Q.sum(axis=0)
        constant = self.Q.shape[1] > 0 and bool(np.abs(self.Q @ ones - 1).max() < 1e-9)
        # taking the first value off is exact in floating point where values lie close together
        shift = Y[:, :1] if constant else np.zeros((len(Y), 1))
        left = Y - shift
        # size first: values near the largest float must not overflow when squared
        size = np.maximum(np.abs(left).max(axis=1), np.finfo(float).tiny)
        left = left / size[:, None]
        spread = size * left.std(axis=1)
        beta = np.zeros((len(Y), self.Q.shape[1]))
        for _ in range(3):  # repeated, so that a large mean leaves no rounding behind
            step = left @ self.Q
            left = left - step @ self.Q.T
            beta += step
        df = Y.shape[1] - self.Q.shape[1]
        root = np.sqrt(np.einsum("ij,ij->i", left, left) / df)
        safe = np.where(root > 0, root, 1.0)
        left = left / safe[:, None]
        y = left @ self.A.T
        out_ss = np.empty((len(Y), len(self.strata)))
        start = 0
        for s, own in enumerate(project_each(self.strata, left)):
            part = y[:, start : start + self.strata[s].r]
            start += self.strata[s].r
            whole = np.einsum("ij,ij->i", own, left)
            out_ss[:, s] = whole - np.einsum("ij,ij->i", part, part)
        return Responses(
            beta0=(beta @ self.back.T) * size[:, None] + shift * np.round(self.back @ ones, 10),
            scale=root * size,
            y=y,
            e=y @ K,
            out_ss=np.maximum(out_ss, 0.0),
            spread=spread,
        )


@dataclass(frozen=True)
class Stratum:
    """An orthogonal projection of the rows, applied without being formed.

    ``Pi v = where * v`` (separate residuals), ``blocks of one size: mean``, or the rest
    within blocks.
    """

    kind: str  # "rows", "between", "within"
    df: int
    where: NDArray[np.bool_] | None = None
    codes: NDArray[np.intp] | None = None
    sizes: NDArray[np.intp] | None = None
    size: int = 0
    r: int = 0

    def means(self, V: Floats) -> Floats:
        """Give block means of each row of ``V``, shape (rows of V, blocks)."""
        assert self.codes is not None
        assert self.sizes is not None
        order = np.argsort(self.codes, kind="stable")
        starts = np.concatenate([[0], np.cumsum(self.sizes)[:-1]])
        sums: Floats = np.add.reduceat(V[:, order], starts, axis=1)
        return sums / self.sizes

    def apply(self, V: Floats, means: Floats | None = None) -> Floats:
        """Project each row of ``V``, shape (vectors, n); `means` of blocks where they are known."""
        if self.kind == "rows":
            return V if self.where is None else V * self.where
        assert self.codes is not None
        assert self.sizes is not None
        means = self.means(V) if means is None else means
        if self.kind == "within":
            return V - means[:, self.codes]
        return np.where(self.sizes == self.size, means, 0.0)[:, self.codes]


def project_each(strata: Sequence[Stratum], V: Floats) -> Iterator[Floats]:
    """Give the projections of each row of ``V``; strata of the same blocks share their means."""
    means = strata[0].means(V) if strata[0].codes is not None else None
    for stratum in strata:
        yield stratum.apply(V, means)
