"""How well a variance component is known: profile likelihood and bootstrap.

Both work on the reduced design: holding one component and maximising over the others gives
its profile; new responses are drawn straight in error contrasts, so that thousands of refits
cost no more than a few fits of the data.

References
----------
.. [1] Venzon DJ, Moolgavkar SH (1988). A method for computing profile-likelihood-based
   confidence intervals. J R Stat Soc C 37:87-94. doi:10.2307/2347496
.. [2] Efron B (1987). Better bootstrap confidence intervals. J Am Stat Assoc 82:171-185.
   doi:10.1080/01621459.1987.10478410
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from scipy import special

from trialkit.arrays import Floats
from trialkit.errors import ModelError
from trialkit.model.answers.variance_at_zero import lr_test
from trialkit.model.answers.variance_likelihood import (
    _NUMBERS,
    LargeProblem,
    VarianceProblem,
    draw_responses,
    maximise_each,
)
from trialkit.model.fitted import Fitted
from trialkit.model.likelihood.objective import evaluate
from trialkit.model.likelihood.strata import Responses

Problem = VarianceProblem | LargeProblem

_AT_EDGE = "the likelihood is still this high where the covariance stops being positive definite"


def profile_limit(problem: Problem, at: int, side: int, *, level: float) -> tuple[float, str]:
    """Find where the profile has dropped by half a chi-square point.

    Parameters
    ----------
    problem : VarianceProblem or LargeProblem
    at : int
        Which variance.
    side : {-1, 1}
        Lower or upper limit.
    level : float
        Two-sided confidence.

    Returns
    -------
    limit : float
        In internal units.
    note : str
        Said where the limit is an edge and not a crossing.
    """
    from scipy.optimize import brentq

    drop = float(special.chdtri(1, 1 - level)) / 2
    centre, top = float(problem.phi[at]), problem.loglik(problem.phi)
    held = {centre: problem.phi}

    def excess(value: float) -> float:
        nearest = min(held, key=lambda seen: abs(seen - value))
        loglik, phi = problem.profile(at, value, held[nearest])
        if math.isfinite(loglik):
            held[value] = phi
            return top - loglik - drop
        return math.inf

    residual = at >= problem.n_random
    free = problem.variances == "free"
    floor = -math.inf if free and not residual else 0.0
    inner = centre
    step = 0.25 * max(abs(centre), 0.05 * float(np.abs(problem.phi).max()))
    for _ in range(200):
        outer = inner + side * step
        if side < 0 and outer <= floor:
            if not residual:
                return (floor, "") if excess(floor) <= 0 else _cross(brentq, excess, floor, inner)
            outer, step = (inner + floor) / 2, step / 4
        gap = excess(outer)
        if math.isinf(gap):
            step /= 4
            if step < 1e-7 * max(abs(centre), 1e-3):
                return inner, _AT_EDGE
            continue
        if gap >= 0:
            return _cross(brentq, excess, inner, outer)
        inner, step = outer, step * 1.6
    return (math.inf if side > 0 else inner), "no crossing was found"


def _cross(solver, excess, one: float, other: float) -> tuple[float, str]:  # type: ignore[no-untyped-def]
    return float(solver(excess, one, other, xtol=1e-9, rtol=1e-8)), ""


def profile_intervals(fit: Fitted, *, level: float | None = None) -> pd.DataFrame:
    """Give profile-likelihood limits of each variance component.

    Parameters
    ----------
    fit : Fitted
        A fitted model.
    level : float, optional
        Two-sided confidence; that of the fit by default.

    Returns
    -------
    DataFrame
        Indexed by component: `variance, low, high` (squared unit of the response), `sd,
        sd_low, sd_high` (unit of the response; zero for a variance below zero), `method,
        note`.

    Notes
    -----
    A limit is where twice the restricted log-likelihood, maximised over the other variances,
    lies ``chi-square(1)`` below its maximum. With few levels (3 batches, say) even this is
    wide and approximate. In a free fit the lower limit may lie below zero; in a nonnegative
    fit it stops at zero.

    References
    ----------
    .. [1] Venzon, Moolgavkar (1988), doi:10.2307/2347496
    """
    wanted = fit.level if level is None else level
    problem: Problem = LargeProblem.of(fit) if fit.is_large else VarianceProblem.of(fit)
    rows = []
    for at in range(len(problem.names)):
        limits = [profile_limit(problem, at, side, level=wanted) for side in (-1, 1)]
        note = "; ".join(dict.fromkeys(note for _, note in limits if note))
        rows.append((problem.phi[at], limits[0][0], limits[1][0], "profile likelihood", note))
    return _interval_table(problem, rows)


def _interval_table(
    problem: Problem, rows: list[tuple[float, float, float, str, str]]
) -> pd.DataFrame:
    table = pd.DataFrame(
        rows,
        columns=["variance", "low", "high", "method", "note"],
        index=pd.Index(problem.names, name="component"),
    )
    for name in ("variance", "low", "high"):
        table[name] = table[name] * problem.unit
        root = np.sqrt(np.maximum(table[name].to_numpy(dtype=float), 0.0))
        table["sd" if name == "variance" else f"sd_{name}"] = root
    order = ["variance", "low", "high", "sd", "sd_low", "sd_high", "method", "note"]
    return table[order]


def bootstrap_intervals(
    fit: Fitted, *, draws: int = 999, seed: int = 1, level: float | None = None
) -> pd.DataFrame:
    """Give parametric bootstrap limits of each variance component.

    Parameters
    ----------
    fit : Fitted
        A fitted model.
    draws : int
        Simulated data sets, each fitted again; several thousand for a report.
    seed : int
        Seed of the simulation.
    level : float, optional
        Two-sided confidence; that of the fit by default.

    Returns
    -------
    DataFrame
        As `profile_intervals`; `note` gives the draws that did not settle, if any.

    Notes
    -----
    Bias-corrected and accelerated percentiles; the acceleration is a sixth of the skewness
    of the score in the least favourable direction at the estimate, over the same draws.

    References
    ----------
    .. [1] Efron (1987), doi:10.1080/01621459.1987.10478410
    """
    if draws < 99:
        raise ModelError(f"draws={draws} is too few for limits; use 999 or more")
    wanted = fit.level if level is None else level
    problem = VarianceProblem.of(fit)
    reduced = problem.reduced
    new = draw_responses(reduced, problem.phi, draws, np.random.default_rng(seed))
    phi, _, kept = maximise_each(reduced, new, problem.phi, problem.variances)
    scores, expected = _scores(problem, new)
    favour = np.linalg.pinv(expected)
    note = "" if kept.all() else f"{int((~kept).sum())} of {draws} draws did not settle"
    rows = []
    for at in range(len(problem.names)):
        score = scores @ favour[at]
        skew = float(np.mean((score - score.mean()) ** 3) / np.std(score) ** 3)
        low, high = accelerated_limits(
            phi[kept, at], float(problem.phi[at]), skew / 6, level=wanted
        )
        rows.append((float(problem.phi[at]), low, high, f"bootstrap, {draws} draws", note))
    return _interval_table(problem, rows)


def _scores(problem: VarianceProblem, drawn: Responses) -> tuple[Floats, Floats]:
    """Give the score of each drawn response at the estimate, and the expected information."""
    size = max(1, problem.reduced.K.shape[1])
    piece = max(1, int(_NUMBERS // size**2))
    scores, expected = [], np.zeros((0, 0))
    for first in range(0, len(drawn.scale), piece):
        e, out = drawn.e[first : first + piece], drawn.out_ss[first : first + piece]
        point = evaluate(problem.reduced, np.tile(problem.phi, (len(e), 1)), e, out)
        scores.append(point.score)
        expected = point.expected[0]
    return np.concatenate(scores), expected


def accelerated_limits(
    values: Floats, estimate: float, acceleration: float, *, level: float
) -> tuple[float, float]:
    """Give bias-corrected and accelerated percentile limits.

    Parameters
    ----------
    values : ndarray, shape (draws,)
        Bootstrap estimates.
    estimate : float
        Estimate of the data.
    acceleration : float
        Rate of change of the standard error, normalised.
    level : float
        Two-sided confidence.

    Returns
    -------
    low, high : float

    References
    ----------
    .. [1] Efron (1987), doi:10.1080/01621459.1987.10478410

    Examples
    --------
    >>> low, high = accelerated_limits(np.arange(1001.0), 500.0, 0.0, level=0.9)
    >>> round(low), round(high)
    (50, 950)
    """
    size = max(abs(estimate), float(np.abs(values).max()), 1e-300)
    below = np.mean(values < estimate - 1e-9 * size)
    tied = np.mean(np.abs(values - estimate) <= 1e-9 * size)
    share = min(max(below + tied / 2, 0.5 / len(values)), 1 - 0.5 / len(values))
    bias = float(special.ndtri(share))
    ends = []
    for chance in ((1 - level) / 2, (1 + level) / 2):
        z = bias + float(special.ndtri(chance))
        ends.append(float(special.ndtr(bias + z / max(1 - acceleration * z, 1e-6))))
    low, high = np.quantile(values, ends)
    return float(low), float(high)


__all__ = [
    "accelerated_limits",
    "bootstrap_intervals",
    "lr_test",
    "profile_intervals",
    "profile_limit",
]
