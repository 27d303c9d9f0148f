"""Degrees of freedom and adjusted covariances for tests with few units.

With ``C = (X'V^-1 X)^-1``, ``b = V^-1 X C L'`` and ``P = V^-1 - V^-1 X C X'V^-1``:

- ``L C L'`` covariance of ``L beta``; its derivative in ``phi_i`` is ``b'G_i b``;
- Kenward–Roger: ``L C_A L' = L C L' + 2 sum_ij W_ij (G_i b)' P (G_j b)``, which is the
  published sum ``2 C [sum_ij W_ij (Q_ij - P_i C P_j)] C`` seen from ``L``, with ``W`` the inverse
  of the expected information.

References
----------
.. [1] Kenward MG, Roger JH (1997). Small sample inference for fixed effects from restricted
   maximum likelihood. Biometrics 53:983-997. doi:10.2307/2533558
.. [2] Giesbrecht FG, Burns JC (1985). Two-stage analysis based on a mixed model: large-sample
   asymptotic theory and small-sample simulation results. Biometrics 41:477-486.
   doi:10.2307/2530872
.. [3] Fai AHT, Cornelius PL (1996). Approximate F-tests of multiple degree of freedom
   hypotheses in generalized least squares analyses of unbalanced split-plot experiments.
   J Stat Comput Simul 54:363-378. doi:10.1080/00949659608811740
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass

import numpy as np

from trialkit.arrays import Floats
from trialkit.model.likelihood.objective import weighted_sum
from trialkit.model.likelihood.reduced import Reduced


@dataclass(frozen=True)
class Gls:
    """Generalised least squares at given variances, one row per response.

    Parameters
    ----------
    beta : ndarray, shape (R, p)
        Coefficients of the response left after least squares, internal units.
    C : ndarray, shape (R, p, p)
    weights : ndarray, shape (R, r, p)
        What each coefficient gives to each coordinate, ``V^-1 X C``.
    P : ndarray, shape (R, r, r)
    G : ndarray, shape (m, r, r)
        Derivative of ``V`` in each variance parameter.
    """

    beta: Floats
    C: Floats
    weights: Floats
    P: Floats
    G: Floats


@dataclass(frozen=True)
class Joint:
    """A test of several rows at once, one row per response.

    ``F`` has ``num_df`` and ``den_df`` degrees of freedom; ``cov`` is the covariance of
    the rows it used.
    """

    num_df: int
    den_df: Floats
    F: Floats
    cov: Floats


def generalised_least_squares(reduced: Reduced, phi: Floats, y: Floats) -> Gls:
    """Solve for the coefficients at given variances.

    Parameters
    ----------
    reduced : Reduced
    phi : ndarray, shape (R, m)
    y : ndarray, shape (R, r)

    Returns
    -------
    Gls
    """
    a = phi @ reduced.coef.T
    V = weighted_sum(a, reduced.G)
    W = weighted_sum(a, reduced.GK)
    turned = np.broadcast_to(reduced.K.T, (len(W), *reduced.K.T.shape))
    P = np.asarray(reduced.K @ np.linalg.solve(W, turned))
    try:
        beta, C, weights = _by_inverse(V, reduced.X, y)
    except np.linalg.LinAlgError:
        each = [_with_edge(V[i], reduced.X, y[i], P[i]) for i in range(len(V))]
        beta, C, weights = (np.stack(part) for part in zip(*each, strict=True))
    G: Floats = np.tensordot(reduced.coef.T, reduced.G, axes=1)
    return Gls(beta, C, weights, P, G)


def _by_inverse(V: Floats, X: Floats, y: Floats) -> tuple[Floats, Floats, Floats]:
    """Give coefficients, their covariance and their weights where ``V`` has an inverse."""
    ViX = np.linalg.solve(V, np.broadcast_to(X, (len(V), *X.shape)))
    XVX = X.T @ ViX
    # scaled, so that columns in different units do not spoil the inverse
    d = 1 / np.sqrt(np.abs(np.einsum("rii->ri", XVX)))
    C = np.linalg.inv(XVX * d[:, :, None] * d[:, None, :]) * d[:, :, None] * d[:, None, :]
    beta = np.einsum("rpq,riq,ri->rp", C, ViX, y)
    return np.asarray(beta), np.asarray(C), np.asarray(ViX @ C, dtype=float)


def _with_edge(V: Floats, X: Floats, y: Floats, P: Floats) -> tuple[Floats, Floats, Floats]:
    """Give the same for one response, where ``V`` may have no inverse.

    With components below zero, a direction that ``X`` takes up may be left without variance while
    the error contrasts have theirs. ``V^-1 X C = (I - P V) X (X'X)^-1`` holds there too.
    """
    try:
        beta, C, weights = _by_inverse(V[None], X, y[None])
        return beta[0], C[0], weights[0]
    except np.linalg.LinAlgError:
        back = np.linalg.pinv(X)
        weights_here: Floats = np.asarray((np.eye(len(V)) - P @ V) @ back.T)
        return weights_here.T @ y, np.asarray(back @ V @ weights_here), weights_here


def derivative_blocks(gls: Gls, L: Floats) -> tuple[Floats, Floats]:
    """Give ``G_i b`` (R, m, r, l) and ``b'G_i b`` (R, m, l, l) for rows ``L``."""
    b = gls.weights @ L.T
    Gb = gls.G[None] @ b[:, None]
    return Gb, np.swapaxes(b, 1, 2)[:, None] @ Gb


def kenward_roger_cov(gls: Gls, L: Floats, weights: Floats) -> tuple[Floats, Floats, Floats]:
    """Give the covariance of ``L beta``, its derivatives, and the adjusted covariance.

    Parameters
    ----------
    gls : Gls
    L : ndarray, shape (l, p)
    weights : ndarray, shape (R, m, m)
        Inverse of the expected information.

    Returns
    -------
    cov : ndarray, shape (R, l, l)
    slopes : ndarray, shape (R, m, l, l)
    adjusted : ndarray, shape (R, l, l)
    """
    cov = L @ gls.C @ L.T
    Gb, slopes = derivative_blocks(gls, L)
    PGb = gls.P[:, None] @ Gb
    mixed = np.einsum("rij,rjal->rial", weights, PGb)
    extra = np.einsum("rial,riam->rlm", Gb, mixed)
    return cov, slopes, cov + extra + np.swapaxes(extra, 1, 2)


def kenward_roger_test(
    cov: Floats, slopes: Floats, adjusted: Floats, weights: Floats, estimate: Floats
) -> tuple[Floats, Floats]:
    """Test rows together by Kenward and Roger (1997).

    Parameters
    ----------
    cov, slopes, adjusted : ndarray
        From `kenward_roger_cov`; the rows must be independent.
    weights : ndarray, shape (R, m, m)
        Inverse of the expected information.
    estimate : ndarray, shape (R, q)

    Returns
    -------
    F, den_df : ndarray, shape (R,)
    """
    q = estimate.shape[1]
    theta = solve_each(cov[:, None], slopes)
    traces = np.einsum("rijj->ri", theta)
    A1 = np.einsum("rij,ri,rj->r", weights, traces, traces)
    A2 = np.einsum("rij,riab,rjba->r", weights, theta, theta)
    den_df, scale = kenward_roger_df(q, A1, A2)
    solved = solve_each(adjusted, estimate[:, :, None])[:, :, 0]
    return scale * np.einsum("rq,rq->r", estimate, solved) / q, den_df


def solve_each(A: Floats, B: Floats) -> Floats:
    """Solve many systems; those without a solution are missing, so that no test comes of them."""
    try:
        return np.asarray(np.linalg.solve(A, B))
    except np.linalg.LinAlgError:
        A = np.broadcast_to(A, (*B.shape[:-2], *A.shape[-2:]))
        out = np.full(B.shape, np.nan)
        for at in np.ndindex(*B.shape[:-2]):
            with contextlib.suppress(np.linalg.LinAlgError):
                out[at] = np.linalg.solve(A[at], B[at])
        return out


def kenward_roger_df(q: int, A1: Floats, A2: Floats) -> tuple[Floats, Floats]:
    """Give denominator df and the scale of F from the two sums of the 1997 paper.

    Where the exact df are 2 with ``q = 2`` the ratio is 0/0 and is taken as one.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        if q == 1:
            return np.where(A2 > 0, 2 / A2, np.inf), np.ones_like(A2)
        B = (A1 + 6 * A2) / (2 * q)
        g = ((q + 1) * A1 - (q + 4) * A2) / ((q + 2) * A2)
        d = 3 * q + 2 * (1 - g)
        c1, c2, c3 = g / d, (q - g) / d, (q + 2 - g) / d
        top, bottom = 1 - A2 / q, 1 - c2 * B
        both = (np.abs(top) < 1e-8) & (np.abs(bottom) < 1e-8)
        ratio = np.where(both, 1.0, top / np.where(both, 1.0, bottom))
        rho = ratio**2 * (1 + c1 * B) / (q * (1 - c3 * B))
        den_df = 4 + (q + 2) / (q * rho - 1)
        scale = np.where(np.abs(den_df - 2) < 0.01, 1.0, den_df * top / (den_df - 2))
        nothing = A2 <= 0  # variances known: an ordinary chi-square
        return np.where(nothing, np.inf, den_df), np.where(nothing, 1.0, scale)


def satterthwaite_df(cov: Floats, slopes: Floats, weights: Floats) -> Floats:
    """Give ``2 (l'Cl)^2 / (g' A g)`` for each row alone.

    Parameters
    ----------
    cov : ndarray, shape (R, l)
        Variance of each row.
    slopes : ndarray, shape (R, m, l)
        Its derivative in each variance parameter.
    weights : ndarray, shape (R, m, m)
        Covariance of the variance parameters.

    Returns
    -------
    ndarray, shape (R, l)
    """
    spread = np.einsum("ril,rij,rjl->rl", slopes, weights, slopes)
    with np.errstate(divide="ignore"):
        return np.where(spread > 0, 2 * cov**2 / np.where(spread > 0, spread, 1.0), np.inf)


def satterthwaite(gls: Gls, L: Floats, weights: Floats, estimate: Floats) -> Joint:
    """Test ``L beta = 0`` by Satterthwaite's df, several rows as in Fai and Cornelius (1996).

    The denominator df depend (a little) on the basis of ``L``; the F does not.
    """
    cov = L @ gls.C @ L.T
    _, slopes = derivative_blocks(gls, L)
    values, vectors = np.linalg.eigh(cov)
    rotated = np.einsum("rlk,rl->rk", vectors, estimate)
    turned = np.einsum("rlk,rilm,rmk->rik", vectors, slopes, vectors)
    nu = satterthwaite_df(values, turned, weights)
    with np.errstate(divide="ignore", invalid="ignore"):
        F = (rotated**2 / values).mean(axis=1)
    # a row without finite df is no test, and no part of one
    den_df = np.where(np.isfinite(nu).all(axis=1), combine_df(nu), np.inf)
    return Joint(len(L), den_df, F, cov)


def combine_df(nu: Floats) -> Floats:
    """Give one denominator df from those of independent rows (Fai and Cornelius 1996)."""
    q = nu.shape[1]
    if q == 1:
        return nu[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        low, high = nu.min(axis=1), nu.max(axis=1)
        same = high - low < 1e-8 * np.maximum(1.0, low)
        mean_F = np.where(np.isinf(nu), 1.0, nu / (nu - 2)).sum(axis=1)
        mixed = 2 * mean_F / (mean_F - q)
        out = np.where(low <= 2, 2.0, mixed)
        return np.where(same, nu.mean(axis=1), np.where(np.isinf(low), np.inf, out))
