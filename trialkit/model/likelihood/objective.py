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
from trialkit.short_repr import short_repr

Index = NDArray[np.intp]

EDGE = 1e-10  # smallest variance over the residual's that counts as inside
LEAST = 1e-60  # variance over that of the response, whose cube is still a number
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
    W = weighted_sum(phi[inside] @ reduced.coef.T, reduced.GK)
    half, good = cholesky_each(W)
    residual = np.abs(phi[inside, reduced.n_random :]).max(axis=1)
    pivots = np.einsum("rii->ri", half) ** 2
    least = np.maximum(EDGE * residual, SINGULAR * pivots.max(axis=1, initial=0.0))
    good &= pivots.min(axis=1, initial=np.inf) > least
    if barrier:
        good &= whole_is_positive(reduced, phi[inside])
    if not good.all():
        inside, W, half = inside[good], W[good], half[good]
    if not len(inside):
        return point
    a, e, out_ss = phi[inside] @ reduced.coef.T, e[inside], out_ss[inside]
    lam = a[:, : reduced.n_strata]
    lam = np.where(reduced.out > 0, lam, 1.0)  # others lie inside the coordinates
    logdet = 2 * np.log(np.einsum("rii->ri", half)).sum(1) + np.log(lam) @ reduced.out
    P: Floats = np.asarray(np.linalg.inv(W), dtype=np.float64)
    Pe = np.einsum("rij,rj->ri", P, e)
    square = np.einsum("ri,ri->r", e, Pe) + (out_ss / lam).sum(1)
    point.loglik[inside] = -0.5 * (logdet + square)
    if derivatives:
        trace, double = _traces(P, reduced.GK)
        score, expected, observed = _derivatives(reduced, P, Pe, lam, out_ss, trace, double)
        point.score[inside], point.expected[inside] = score, expected
        point.observed[inside] = observed
    if barrier:
        _add_barrier(reduced, point, inside, barrier)
    return point


def _traces(P: Floats, G: Floats) -> tuple[Floats, Floats]:
    """Give ``tr(P G_e)`` and ``tr(P G_e P G_f)`` for each response."""
    E, k, _ = G.shape
    PG = P[:, None] @ G[None]
    flat = PG.reshape(len(P), E, k * k)
    turned = np.swapaxes(PG, 2, 3).reshape(len(P), E, k * k)
    return np.einsum("reii->re", PG), flat @ np.swapaxes(turned, 1, 2)


def _derivatives(
    reduced: Reduced,
    P: Floats,
    Pe: Floats,
    lam: Floats,
    out_ss: Floats,
    trace: Floats,
    double: Floats,
) -> tuple[Floats, Floats, Floats]:
    GPe = np.einsum("eij,rj->rei", reduced.GK, Pe)
    quad = np.einsum("rei,ri->re", GPe, Pe)
    quad2 = GPe @ np.swapaxes(np.einsum("rij,rej->rei", P, GPe), 1, 2)
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


def _add_barrier(reduced: Reduced, point: Point, inside: NDArray[np.intp], weight: float) -> None:
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
    Vi: Floats = np.asarray(np.linalg.inv(V), dtype=np.float64)
    trace, double = _traces(Vi, reduced.G)
    point.loglik[inside] += weight * np.where(good, logdet - r * np.log(residual), -np.inf)
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
        good = _positive_definite(W)
    half = np.broadcast_to(np.eye(W.shape[1]), W.shape).copy()
    try:
        half[good] = np.linalg.cholesky(W[good])
    except np.linalg.LinAlgError:  # rounding sees one differently: look at each alone
        for i in np.flatnonzero(good):
            try:
                half[i] = np.linalg.cholesky(W[i])
            except np.linalg.LinAlgError:
                good[i] = False
    return half, good


def _positive_definite(W: Floats) -> NDArray[np.bool_]:
    """Say which matrices have only positive pivots (elimination over all at once)."""
    left = W.copy()
    good = np.ones(len(W), dtype=bool)
    size = np.einsum("rii->ri", W)
    for j in range(W.shape[1]):
        pivot = left[:, j, j]
        good &= pivot > 1e-11 * np.abs(size[:, j])
        safe = np.where(good, pivot, 1.0)
        row = np.where(good[:, None], left[:, j, j + 1 :], 0.0)  # stop where it has failed
        left[:, j + 1 :, j + 1 :] -= row[:, :, None] * (row / safe[:, None])[:, None, :]
    return good
