"""The restricted likelihood of many responses at given variances, with its derivatives.

In error contrasts (`trialkit.model.likelihood.reduced`): ``W = K'VK``, ``P = W^-1``, ``e = K'y``,
and for the variance ``a_e`` of element ``e`` with matrix ``G_e``:

- score ``s_e = -1/2 [tr(P G_e) - e'P G_e P e]``
- observed information ``-1/2 tr(P G_e P G_f) + e'P G_e P G_f P e``
- expected information ``1/2 tr(P G_e P G_f)``

Strata add what lies outside the coordinates. The parameters ``phi`` enter by ``a = coef @ phi``,
so scores and informations of ``phi`` are linear maps of these.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trialkit.arrays import Floats
from trialkit.model.likelihood.reduced import Reduced
from trialkit.model.likelihood.traces import traces
from trialkit.short_repr import short_repr

Index = NDArray[np.intp]

EDGE = 1e-10  # smallest variance over the residual's that counts as inside
LEAST = 1e-60  # variance over that of the response, whose cube is still a number
PIVOT = 1e-11  # pivot over its diagonal, from which a matrix beside others counts as positive
SINGULAR = 1e-15  # pivot over the largest, below which rounding leaves no inverse


@dataclass
class Point:
    """The objective and its derivatives at some variances, one row per response.

    Parameters
    ----------
    phi : ndarray, shape (R, m)
    loglik : ndarray, shape (R,)
        Restricted log-likelihood up to the constant of the coding; −inf outside.
    score : ndarray, shape (R, m)
    observed, expected : ndarray, shape (R, m, m)
    """

    phi: Floats
    loglik: Floats
    score: Floats
    observed: Floats
    expected: Floats

    __repr__ = short_repr

    def put(self, at: Index, other: Point) -> None:
        """Overwrite some responses."""
        self.phi[at] = other.phi
        self.loglik[at] = other.loglik
        self.score[at] = other.score
        self.observed[at] = other.observed
        self.expected[at] = other.expected

    def take(self, at: Index | NDArray[np.bool_]) -> Point:
        """Give some responses."""
        return Point(
            self.phi[at], self.loglik[at], self.score[at], self.observed[at], self.expected[at]
        )


def evaluate(
    reduced: Reduced,
    phi: Floats,
    e: Floats,
    out_ss: Floats,
    *,
    derivatives: bool = True,
    barrier: float = 0.0,
) -> Point:
    """Evaluate the restricted likelihood and its derivatives.

    Parameters
    ----------
    reduced : Reduced
    phi : ndarray, shape (R, m)
    e : ndarray, shape (R, k)
        Error contrasts of the responses.
    out_ss : ndarray, shape (R, strata)
    derivatives : bool
        Whether score and informations are wanted.
    barrier : float
        Weight of ``log |V / residual|``, added to keep off the edge of the space.

    Returns
    -------
    Point
    """
    R, m = phi.shape
    point = Point(
        phi.copy(),
        np.full(R, -np.inf),
        np.zeros((R, m)),
        np.zeros((R, m, m)),
        np.zeros((R, m, m)),
    )
    inside = np.flatnonzero(inside_space(reduced, phi))
    # at the start all responses stand at the same variances: their matrices are made once
    alike = len(inside) > 1 and bool((phi == phi[0]).all())
    at = inside[:1] if alike else inside
    W = weighted_sum(phi[at] @ reduced.coef.T, reduced.GK)
    half, good = cholesky_each(W)
    residual = np.abs(phi[at, reduced.n_random :]).max(axis=1)
    pivots = np.einsum("rii->ri", half) ** 2
    least = np.maximum(EDGE * residual, SINGULAR * pivots.max(axis=1, initial=0.0))
    good &= pivots.min(axis=1, initial=np.inf) > least
    if barrier:
        good &= whole_is_positive(reduced, phi[at])
    if not good.all():
        inside, at, W, half = inside[:0] if alike else inside[good], at[good], W[good], half[good]
    if not len(inside):
        return point
    a, e, out_ss = phi[at] @ reduced.coef.T, e[inside], out_ss[inside]
    lam = a[:, : reduced.n_strata]
    lam = np.where(reduced.out > 0, lam, 1.0)  # others lie inside the coordinates
    logdet = 2 * np.log(np.einsum("rii->ri", half)).sum(1) + np.log(lam) @ reduced.out
    if not derivatives:
        z = np.linalg.solve(half, e[:, :, None])[:, :, 0]
        square = np.einsum("ri,ri->r", z, z) + (out_ss / lam).sum(1)
        point.loglik[inside] = -0.5 * (logdet + square)
        if barrier:
            _add_barrier(reduced, point, inside, barrier, derivatives=False)
        return point
    P: Floats = np.asarray(np.linalg.inv(W), dtype=np.float64)
    Pe = (P @ e[:, :, None])[:, :, 0]
    square = np.einsum("ri,ri->r", e, Pe) + (out_ss / lam).sum(1)
    point.loglik[inside] = -0.5 * (logdet + square)
    trace, double = traces(P, reduced.contrast_elements)
    score, expected, observed = _derivatives(reduced, P, Pe, lam, out_ss, trace, double)
    point.score[inside], point.expected[inside] = score, expected
    point.observed[inside] = observed
    if barrier:
        _add_barrier(reduced, point, inside, barrier)
    return point


def _derivatives(
    reduced: Reduced,
    P: Floats,
    Pe: Floats,
    lam: Floats,
    out_ss: Floats,
    trace: Floats,
    double: Floats,
) -> tuple[Floats, Floats, Floats]:
    E, k, _ = reduced.GK.shape
    GPe = (Pe @ reduced.GK.reshape(E * k, k).T).reshape(len(Pe), E, k)
    quad = (GPe @ Pe[:, :, None])[:, :, 0]
    quad2 = GPe @ np.swapaxes(GPe @ P, 1, 2)
    at = np.arange(reduced.n_strata)
    trace[:, at] += reduced.out / lam
    quad[:, at] += out_ss / lam**2
    double[:, at, at] += reduced.out / lam**2
    quad2[:, at, at] += out_ss / lam**3
    c = reduced.coef
    return (
        -0.5 * (trace - quad) @ c,
        0.5 * (c.T @ double @ c),
        c.T @ (quad2 - 0.5 * double) @ c,
    )


def _add_barrier(
    reduced: Reduced,
    point: Point,
    inside: NDArray[np.intp],
    weight: float,
    *,
    derivatives: bool = True,
) -> None:
    """Add ``weight * (log |V| - r log residual)`` over the coordinates, with derivatives."""
    phi = point.phi[inside]
    V = weighted_sum(phi @ reduced.coef.T, reduced.G)
    c, m, random = reduced.coef, phi.shape[1], reduced.n_random
    residual = phi[:, random:].mean(axis=1)
    r, parts = len(reduced.stratum), m - random
    sign, logdet = np.linalg.slogdet(V)
    # a residual of next to nothing leaves a matrix that rounding takes for singular
    good = (sign > 0) & np.isfinite(logdet) & (residual > 0)
    V[~good], residual = np.eye(r), np.where(good, residual, 1.0)
    point.loglik[inside] += weight * np.where(good, logdet - r * np.log(residual), -np.inf)
    if not derivatives:
        return
    Vi: Floats = np.asarray(np.linalg.inv(V), dtype=np.float64)
    trace, double = traces(Vi, reduced.whole_elements)
    pull, bend = np.zeros((len(phi), m)), np.zeros((len(phi), m, m))
    pull[:, random:] = (r / residual / parts)[:, None]
    bend[:, random:, random:] = (r / residual**2 / parts**2)[:, None, None]
    point.score[inside] += weight * (trace @ c - pull)
    extra = weight * (c.T @ double @ c)
    point.observed[inside] += extra - weight * bend
    point.expected[inside] += extra


def inside_space(reduced: Reduced, phi: Floats) -> NDArray[np.bool_]:
    """Say where the strata outside the coordinates have positive variance."""
    lam = (phi @ reduced.coef.T)[:, : reduced.n_strata][:, reduced.out > 0]
    residual = np.abs(phi[:, reduced.n_random :]).max(axis=1)
    least = np.maximum(EDGE * residual, LEAST)[:, None]
    good = np.isfinite(phi).all(axis=1) & (lam > least).all(axis=1)
    return np.asarray(good)


def whole_is_positive(reduced: Reduced, phi: Floats) -> NDArray[np.bool_]:
    """Say where the covariance of the rows themselves is positive definite.

    The restricted likelihood asks this of the error contrasts only. Directions that the
    fixed part takes up (the grand mean, say) may go below zero beside it.
    """
    a = phi @ reduced.coef.T
    good = np.ones(len(phi), dtype=bool)
    # one residual of several may run down to zero or below where its rows are few
    residual = phi[:, reduced.n_random :]
    spent = (residual <= EDGE * np.abs(residual).max(axis=1, keepdims=True)).any(axis=1)
    unsure = np.flatnonzero(spent | (phi[:, : reduced.n_random] < 0).any(axis=1))
    good[unsure] = cholesky_each(weighted_sum(a[unsure], reduced.G))[1]
    return good


def weighted_sum(a: Floats, G: Floats) -> Floats:
    """Give ``sum_e a_e G_e`` for each response, shape (R, k, k)."""
    E, k, _ = G.shape
    return (a @ G.reshape(E, k * k)).reshape(len(a), k, k)


def cholesky_each(W: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Factor each matrix; say which are positive definite (others give the identity)."""
    try:
        return np.asarray(np.linalg.cholesky(W)), np.ones(len(W), dtype=bool)
    except np.linalg.LinAlgError:
        pass
    from scipy.linalg.lapack import dpotrf

    half = np.empty_like(W)
    good = np.empty(len(W), dtype=bool)
    for i, matrix in enumerate(W):
        half[i], failed = dpotrf(matrix, lower=1)
        good[i] = not failed
    pivots, size = np.einsum("rii->ri", half), np.abs(np.einsum("rii->ri", W))
    good &= (pivots**2 > PIVOT * size).all(axis=1)
    half[~good] = np.eye(W.shape[1])
    return half, good
