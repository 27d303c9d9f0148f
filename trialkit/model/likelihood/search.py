"""Restricted maximum likelihood on cross-products, for one response or many at once.

In error contrasts (`trialkit.model.likelihood.reduced`): ``W = K'VK``, ``P = W^-1``, ``e = K'y``,
and for the variance ``a_e`` of element ``e`` with matrix ``G_e``:

- score ``s_e = -1/2 [tr(P G_e) - e'P G_e P e]``
- observed information ``-1/2 tr(P G_e P G_f) + e'P G_e P G_f P e``
- expected information ``1/2 tr(P G_e P G_f)``

Strata add what lies outside the coordinates. The parameters ``phi`` enter by ``a = coef @ phi``,
so scores and informations of ``phi`` are linear maps of these. The maximum is sought by Newton
steps on the observed information (expected information where that is not positive definite),
halved until the covariance is positive definite and the likelihood does not fall.

References
----------
.. [1] Patterson HD, Thompson R (1971). Biometrika 58:545-554. doi:10.1093/biomet/58.3.545
.. [2] Harville DA (1977). J Am Stat Assoc 72:320-338. doi:10.1080/01621459.1977.10480998
.. [3] Bertsekas DP (1982). Projected Newton methods for optimization problems with simple
   constraints. SIAM J Control Optim 20:221-246. doi:10.1137/0320018
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from trialkit.arrays import Floats
from trialkit.model.likelihood.objective import (
    Index,
    Point,
    evaluate,
    inside_space,
    whole_is_positive,
)
from trialkit.model.likelihood.reduced import Reduced
from trialkit.model.likelihood.strata import Responses
from trialkit.short_repr import short_repr

Variances = Literal["free", "nonnegative"]

MOST_STEPS = 60
SETTLED = 1e-9  # Newton decrement (log-likelihood units) before the last undamped step
#: Shares of a step that are tried where the whole of it goes too far, a few at a time.
SHORTER = (
    0.5 ** np.arange(1.0, 5.0),
    0.5**8 * np.array([8.0, 4, 2, 1, 1e-1, 1e-2, 1e-3, 1e-4, 1e-5]),
)
BARRIERS = (0.1, 1e-2, 1e-3, 1e-4)  # weights that lead to a maximum on the edge from inside


@dataclass(frozen=True)
class Optimum:
    """Where the restricted likelihood is largest, one row per response.

    Parameters
    ----------
    point : Point
        In internal units (the response scaled to residual variance one).
    held : ndarray of bool, shape (R, m)
        Variances held at zero (``"nonnegative"`` only).
    steps : ndarray of int, shape (R,)
    settled : ndarray of bool, shape (R,)
    decrement : ndarray, shape (R,)
        Squared length of the last Newton step, in log-likelihood units.
    edge : ndarray of bool, shape (R,)
        Whether the covariance of the rows is on or beyond the edge of the positive definite
        ones (``"free"``).
    path : tuple of (phi, loglik)
        Each step of the first response, for the record.
    """

    point: Point
    held: NDArray[np.bool_]
    steps: NDArray[np.intp]
    settled: NDArray[np.bool_]
    decrement: Floats
    edge: NDArray[np.bool_]
    path: tuple[tuple[Floats, float], ...]

    __repr__ = short_repr


def start_values(reduced: Reduced, responses: int) -> Floats:
    """Give variances that share the least-squares residual variance evenly."""
    m, random = len(reduced.params), reduced.n_random
    contrasts = reduced.n - reduced.p
    traces = np.einsum("eii->e", reduced.GK)
    traces[: reduced.n_strata] += reduced.out
    size = (reduced.coef.T @ traces) / contrasts
    phi = np.zeros(m)
    phi[random:] = 0.5 if random else 1.0
    phi[:random] = 0.5 / random / np.maximum(size[:random], 1e-12) if random else 0.0
    return np.tile(phi, (responses, 1))


def maximise(
    reduced: Reduced,
    responses: Responses,
    *,
    variances: Variances = "free",
    start: Floats | None = None,
    pinned: Mapping[int, float] | None = None,
) -> Optimum:
    """Find the variances that maximise the restricted likelihood.

    Parameters
    ----------
    reduced : Reduced
    responses : Responses
        R responses.
    variances : {"free", "nonnegative"}
    start : ndarray, shape (R, m), optional
        Starting variances in internal units.
    pinned : mapping, optional
        Position of a parameter to the value it is kept at (internal units).

    Returns
    -------
    Optimum
    """
    R, m = len(responses.scale), len(reduced.params)
    low = np.full(m, -np.inf)
    if variances == "nonnegative":
        low[: reduced.n_random] = 0.0
    phi = start_values(reduced, R) if start is None else np.array(start, dtype=float)
    pins = np.zeros(m, dtype=bool)
    for at, value in (pinned or {}).items():
        phi[:, at], pins[at] = value, True
    path: list[tuple[Floats, float]] = []
    out = _climb(reduced, responses, phi, low, pins, path)
    stuck = np.flatnonzero(~out.settled)
    if len(stuck) and variances == "free":
        # the search ran into the edge of the space: approach it from inside
        part = responses.take(stuck)
        near = _inside_start(reduced, phi[stuck], pins)
        for weight in BARRIERS:
            again = _climb(reduced, part, near, low, pins, path, barrier=weight)
            near = again.point.phi
            out.steps[stuck] += again.steps
        plain = evaluate(reduced, again.point.phi, part.e, part.out_ss)
        found = np.isfinite(plain.loglik)
        out.point.put(stuck[found], plain.take(found))
        out.settled[stuck] = again.settled & found
        out.decrement[stuck] = again.decrement
        out.edge[stuck] = True
    out.edge[:] |= ~whole_is_positive(reduced, out.point.phi)
    return replace(out, path=tuple(path))


def _inside_start(reduced: Reduced, phi: Floats, pins: NDArray[np.bool_]) -> Floats:
    """Raise the residual until the whole covariance is positive definite."""
    near = start_values(reduced, len(phi))
    near[:, pins] = phi[:, pins]
    free = np.flatnonzero(~pins[reduced.n_random :]) + reduced.n_random
    for _ in range(60):
        bad = ~(whole_is_positive(reduced, near) & inside_space(reduced, near))
        if not bad.any() or not len(free):
            break
        near[np.ix_(bad, free)] *= 2.0
    return near


def _climb(
    reduced: Reduced,
    responses: Responses,
    phi: Floats,
    low: Floats,
    pins: NDArray[np.bool_],
    path: list[tuple[Floats, float]],
    *,
    barrier: float = 0.0,
) -> Optimum:
    """Take safeguarded Newton steps for all responses until each has settled."""
    R, m = phi.shape
    now = evaluate(reduced, phi, responses.e, responses.out_ss, barrier=barrier)
    held = np.zeros((R, m), dtype=bool)
    steps = np.zeros(R, dtype=np.intp)
    settled = np.zeros(R, dtype=bool)
    decrement = np.full(R, np.inf)
    short = np.zeros(R, dtype=np.intp)
    active = np.arange(R)
    for step in range(MOST_STEPS):
        if R and active.size and active[0] == 0:
            path.append((now.phi[0].copy(), float(now.loglik[0])))
        if not len(active):
            break
        here = now.take(active)
        fixed = ((here.phi <= low) & (here.score <= 0)) | pins
        direction, size = newton_direction(here, fixed, first=step == 0)
        held[active] = fixed & ~pins
        decrement[active] = size
        steps[active] += 1
        last = size < SETTLED
        t, length = _line(reduced, responses, active, here, direction, low, last, barrier)
        moved = length > 0
        now.put(active[moved], t.take(moved))
        settled[active[last]] = True
        # short steps again and again: the edge of the space is in the way
        short[active] = np.where(length < 0.05, short[active] + 1, 0)
        active = active[moved & ~last & ((short[active] < 3) | (barrier > 0))]
    return Optimum(now, held, steps, settled, decrement, np.zeros(R, dtype=bool), ())


def newton_direction(
    here: Point, fixed: NDArray[np.bool_], *, first: bool = False
) -> tuple[Floats, Floats]:
    """Give the step of each response and its squared length in log-likelihood units."""
    scale = np.sqrt(np.maximum(np.abs(np.einsum("rii->ri", here.expected)), 1e-300))
    both = scale[:, :, None] * scale[:, None, :]
    information = _restrict((here.expected if first else here.observed) / both, fixed)
    if not first:
        poor = np.linalg.eigvalsh(information)[:, 0] < 1e-6
        if poor.any():
            information[poor] = _restrict(here.expected[poor] / both[poor], fixed[poor])
    at = np.arange(scale.shape[1])
    information[:, at, at] += 1e-13  # two parameters may come to act alike near the edge
    score = np.where(fixed, 0.0, here.score)
    solved = np.linalg.solve(information, (score / scale)[:, :, None])[:, :, 0]
    direction: Floats = np.asarray(solved / scale)
    return direction, np.einsum("rm,rm->r", direction, score)


def _restrict(information: Floats, fixed: NDArray[np.bool_]) -> Floats:
    if not fixed.any():
        return information
    diagonal = np.einsum("rii->ri", information)
    free = ~fixed
    out = information * (free[:, :, None] & free[:, None, :])
    at = np.arange(fixed.shape[1])
    out[:, at, at] = np.where(fixed, np.abs(diagonal) + 1e-300, out[:, at, at])
    return out


def _line(
    reduced: Reduced,
    responses: Responses,
    active: Index,
    here: Point,
    direction: Floats,
    low: Floats,
    last: NDArray[np.bool_],
    barrier: float,
) -> tuple[Point, Floats]:
    """Shorten each step until it stays inside and the likelihood does not fall.

    Gives the points reached and the share of the step taken (0 where none would do).
    """
    allowed = np.where(last, -np.inf, here.loglik - 1e-9 * (1 + np.abs(here.loglik)))
    phi = np.maximum(here.phi + direction, low)
    e, out_ss = responses.e[active], responses.out_ss[active]
    trial = evaluate(reduced, phi, e, out_ss, barrier=barrier)
    good = np.isfinite(trial.loglik) & (trial.loglik >= allowed)
    best = here.take(np.arange(len(active)))
    best.put(np.flatnonzero(good), trial.take(good))
    length = good.astype(float)
    waiting = np.flatnonzero(~good)
    for shares in SHORTER:  # a full step usually holds; shorter ones are looked at together
        if not len(waiting):
            break
        many = np.repeat(waiting, len(shares))
        size = np.tile(shares, len(waiting))[:, None]
        phi = np.maximum(here.phi[many] + size * direction[many], low)
        trial = evaluate(reduced, phi, e[many], out_ss[many], derivatives=False, barrier=barrier)
        holds = np.isfinite(trial.loglik) & (trial.loglik >= allowed[many])
        first = holds.reshape(len(waiting), -1)
        found = np.flatnonzero(first.any(axis=1))
        at, chosen = waiting[found], first[found].argmax(axis=1)
        if len(at):
            there = phi[found * len(shares) + chosen]
            best.put(at, evaluate(reduced, there, e[at], out_ss[at], barrier=barrier))
        length[at] = shares[chosen]
        waiting = np.delete(waiting, found)
    return best, length
