"""The restricted likelihood of large designs, its score and average information."""

from __future__ import annotations

from typing import Any

import numpy as np

from trialkit.model.columns.matrices import Floats
from trialkit.model.likelihood.absorb import LargeDesign, LargePoint


def evaluate_large(design: LargeDesign, phi: Floats, *, final: bool = False) -> LargePoint | None:
    """Evaluate objective, score and average information; None outside the space.

    Parameters
    ----------
    design : LargeDesign
    phi : ndarray, shape (m,)
        Internal units.
    final : bool
        Whether the matrices that tests need are wanted too.

    Returns
    -------
    LargePoint or None
    """
    lam = design.coef @ phi
    if not (np.isfinite(phi).all() and (lam > 0).all()):
        return None
    p, q_c = design.p, design.q_c
    f = q_c + p
    inv = 1 / lam
    d = sum(v * layer.d for v, layer in zip(inv, design.layers, strict=True))
    data = sum(v * layer.Bc for v, layer in zip(inv, design.layers, strict=True))
    Bx = sum(v * layer.Bx for v, layer in zip(inv, design.layers, strict=True))
    A = sum(v * layer.A for v, layer in zip(inv, design.layers, strict=True))
    phi_a = phi[design.a]
    grown = 1 + phi_a * d
    if (grown <= 0).any():
        return None
    h = 1 / grown
    w = phi_a * h
    B = _cross(design, data)
    Astar = A - _gram(design, data, B, Bx, w)
    J, logdet = _inverse(design, phi, Astar[:f, :f])
    if J is None:
        return None
    theta = J @ Astar[:f, f]
    yPy = float(Astar[f, f] - Astar[f, :f] @ theta)
    df = np.array([layer.df for layer in design.layers])
    total = float(df @ np.log(lam) + np.log(grown).sum() + logdet)
    v_F = np.concatenate([-theta, [1.0]])
    t_a = h * (B @ v_F[:q_c] + Bx @ v_F[q_c:])
    u_a = phi_a * t_a
    G2 = _gram(design, data, B, Bx, h**2)[:f, :f]
    trace_a = float(d @ h - np.einsum("ij,ij->", J, G2))
    m = len(phi)
    trace, quad = np.zeros(m), np.zeros(m)
    trace[design.a], quad[design.a] = trace_a, float(t_a @ t_a)
    t_c = Astar[:q_c] @ v_F
    for k, s in design.c:
        trace[k], quad[k] = _dense_trace(phi[k], J, Astar, s, f), float(t_c[s] @ t_c[s])
    strata_trace, strata_quad, resid_a, resid_F = _strata_terms(
        design, lam, data, B, Bx, w, J, u_a, v_F
    )
    trace_e = strata_trace
    if len(lam) == 1:  # tr(P V) = n - p
        trace_e = np.array([(design.n - p - phi @ trace) / lam[0]])
    score = -0.5 * (trace - quad + design.coef.T @ (trace_e - strata_quad))
    AI = _average_information(
        design, lam, d, B, Bx, A, w, J, t_a, t_c, resid_a, resid_F, strata_quad
    )
    C = J[q_c:, q_c:]
    fixed = None
    if final:
        fixed = _fixed_derivatives(design, lam, data, B, Bx, w, h, J, Astar)
    return LargePoint(
        phi.copy(), -0.5 * (total + yPy), score, AI, theta[q_c:], C, u_a, theta[:q_c], fixed
    )


def _cross(design: LargeDesign, data: Floats) -> Any:
    from scipy import sparse

    q_a = len(design.layers[0].d)
    return sparse.csr_matrix((data, (design.rows, design.cols)), shape=(q_a, design.q_c))


def _gram(design: LargeDesign, data: Floats, B: Any, Bx: Floats, weight: Floats) -> Floats:
    """Give ``[B_c B_x]' diag(weight) [B_c B_x]``."""
    q = design.q_c
    left, right = design.first, design.second
    values = data[left] * data[right] * weight[design.rows[left]]
    flat = design.cols[left] * q + design.cols[right]
    upper = np.bincount(flat, weights=values, minlength=q * q).reshape(q, q)
    cc = upper + upper.T
    cc[np.arange(q), np.arange(q)] -= np.diag(upper)
    cx = np.asarray(B.T @ (weight[:, None] * Bx))
    return np.block([[cc, cx], [cx.T, Bx.T @ (weight[:, None] * Bx)]])


def _inverse(design: LargeDesign, phi: Floats, A: Floats) -> tuple[Floats | None, float]:
    """Give ``[A + diag(1/phi_c, 0)]^-1`` (safe at zero) and its log-determinant, phi_c included."""
    f = len(A)
    root, sign = np.ones(f), np.zeros(f)
    for k, s in design.c:
        root[s] = np.sqrt(abs(phi[k]))
        sign[s] = 1.0 if phi[k] >= 0 else -1.0
    M = A * root[:, None] * root[None, :]
    M[np.arange(f), np.arange(f)] += sign
    if (sign < 0).any():
        values = np.linalg.eigvalsh(M)
        if (values < 0).sum() != (sign < 0).sum() or (values == 0).any():
            return None, 0.0
        return np.linalg.inv(M) * root[:, None] * root, float(np.log(np.abs(values)).sum())
    from scipy.linalg import lapack

    factor, failed = lapack.dpotrf(M, lower=1)
    if failed:
        return None, 0.0
    logdet = 2 * float(np.log(np.diag(factor)).sum())
    inverse, failed = lapack.dpotri(factor, lower=1)
    if failed:
        return None, 0.0
    lower = np.tril(inverse)
    full = lower + lower.T
    full[np.arange(f), np.arange(f)] = np.diag(inverse)
    return full * root[:, None] * root, logdet


def _dense_trace(phi: float, J: Floats, Astar: Floats, s: slice, f: int) -> float:
    """Give ``tr(Z_k'P Z_k)``, by the posterior variances unless that would cancel."""
    own = np.diag(J)[s]
    share = own.sum() / phi if phi > 0 else np.inf
    q = s.stop - s.start
    if phi > 0 and share < 0.999 * q:
        return float((q - share) / phi)
    part = Astar[s, :f]
    return float(np.trace(Astar[s, s]) - np.einsum("ij,jk,ik->", part, J, part, optimize=True))


def _strata_terms(
    design: LargeDesign,
    lam: Floats,
    data: Floats,
    B: Any,
    Bx: Floats,
    w: Floats,
    J: Floats,
    u_a: Floats,
    v_F: Floats,
) -> tuple[Floats, Floats, list[Floats], list[Floats]]:
    """Give traces and squares of the strata, and their residuals' cross-products."""
    q_c, f = design.q_c, design.q_c + design.p
    traces, squares, into_a, into_F = [], [], [], []
    for value, layer in zip(lam, design.layers, strict=True):
        Bs = _cross(design, layer.Bc)
        a_side = Bs @ v_F[:q_c] + layer.Bx @ v_F[q_c:] - layer.d * u_a
        F_side = layer.A @ v_F - np.concatenate([Bs.T @ u_a, layer.Bx.T @ u_a])
        squares.append(float(v_F @ F_side - u_a @ a_side) / value**2)
        into_a.append(a_side / value**2)
        into_F.append(F_side[:f] / value**2)
        if len(lam) == 1:
            traces.append(0.0)
            continue
        both = _mixed_gram(B, Bx, Bs, layer.Bx, w)[:f, :f]
        own = _gram(design, data, B, Bx, w**2 * layer.d)[:f, :f]
        inner = w @ layer.d + np.einsum("ij,ij->", J, own)
        inner += -2 * np.einsum("ij,ij->", J, both) + np.einsum("ij,ij->", J, layer.A[:f, :f])
        traces.append(layer.df / value - float(inner) / value**2)
    return np.array(traces), np.array(squares), into_a, into_F


def _mixed_gram(B: Any, Bx: Floats, Bs: Any, Bsx: Floats, w: Floats) -> Floats:
    """Give ``[B Bx]' diag(w) [Bs Bsx]``."""
    from scipy import sparse

    W = sparse.diags_array(w)
    cc = np.asarray((B.T @ (W @ Bs)).todense())
    cx = np.asarray(B.T @ (w[:, None] * Bsx))
    xc = np.asarray(Bs.T @ (w[:, None] * Bx)).T
    return np.block([[cc, cx], [xc, Bx.T @ (w[:, None] * Bsx)]])


def _average_information(
    design: LargeDesign,
    lam: Floats,
    d: Floats,
    B: Any,
    Bx: Floats,
    A: Floats,
    w: Floats,
    J: Floats,
    t_a: Floats,
    t_c: Floats,
    resid_a: list[Floats],
    resid_F: list[Floats],
    strata_quad: Floats,
) -> Floats:
    """Give ``1/2 y'P G_j P G_k P y`` from working responses ``G_j P y``."""
    q_c, f, S = design.q_c, design.q_c + design.p, len(lam)
    terms = [design.a, *(k for k, _ in design.c)]
    into_a = [d * t_a]
    into_F = [np.concatenate([B.T @ t_a, Bx.T @ t_a])[:f]]
    for _, s in design.c:
        own = np.zeros(q_c)
        own[s] = t_c[s]
        into_a.append(B @ own)
        into_F.append(A[:f, :q_c] @ own)
    into_a += [v * value for v, value in zip(resid_a, np.ones(S), strict=True)]
    into_F += resid_F
    count = len(terms) + S
    RA, RF = np.column_stack(into_a), np.column_stack(into_F)
    inner = np.zeros((count, count))
    vectors: list[tuple[str, Any]] = [("a", None), *(("c", s) for _, s in design.c)]
    for i, (kind, s) in enumerate(vectors):
        # t_i' Z_i' R^-1 (working response j), for every j
        inner[i] = t_a @ RA if kind == "a" else t_c[s] @ RF[s]
        inner[:, i] = inner[i]
    for e in range(S):
        at = len(terms) + e
        inner[at, at] = strata_quad[e] / lam[e]
    RFs = RF - np.concatenate([B.T @ (w[:, None] * RA), Bx.T @ (w[:, None] * RA)])[:f]
    full = inner - RA.T @ (w[:, None] * RA) - RFs.T @ J @ RFs
    change = np.zeros((count, len(design.params)))
    change[np.arange(len(terms)), terms] = 1.0
    change[len(terms) :] = design.coef
    return np.asarray(0.5 * change.T @ full @ change)


def _fixed_derivatives(
    design: LargeDesign,
    lam: Floats,
    data: Floats,
    B: Any,
    Bx: Floats,
    w: Floats,
    h: Floats,
    J: Floats,
    Astar: Floats,
) -> Floats:
    """Give ``X'V^-1 G_j V^-1 X`` for each parameter, shape (m, p, p)."""
    q_c, p = design.q_c, design.p
    f = q_c + p
    # coefficients of the random effects in V^-1 X: [-H Z'R^-1 X; I] with X left out of the fit
    C = J[q_c:, q_c:]
    U_c = J[:q_c, q_c:] @ np.linalg.inv(C)  # -(H_cc A*_cX), from the block inverse
    U = np.vstack([U_c, np.eye(p)])
    left = B @ U_c + Bx[:, :p]
    U_a = -w[:, None] * left
    out = np.zeros((len(design.params), p, p))
    T_a = h[:, None] * left
    out[design.a] = T_a.T @ T_a
    T_c = Astar[:q_c, :f] @ U
    for k, s in design.c:
        out[k] = T_c[s].T @ T_c[s]
    for e, (value, layer) in enumerate(zip(lam, design.layers, strict=True)):
        Bs = _cross(design, layer.Bc)
        cross = Bs @ U_c + layer.Bx[:, :p]
        M = U.T @ layer.A[:f, :f] @ U + U_a.T @ (layer.d[:, None] * U_a)
        M += U_a.T @ cross + cross.T @ U_a
        out += design.coef[e][:, None, None] * M / value**2
    return out
