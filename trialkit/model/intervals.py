"""How well a variance component is known: profile likelihood, bootstrap, and a test.

All of it works on the reduced design: holding one component and maximising over the others
gives its profile; new responses are drawn straight in error contrasts, so that thousands of
refits cost no more than a few fits of the data.

References
----------
.. [1] Venzon DJ, Moolgavkar SH (1988). A method for computing profile-likelihood-based
   confidence intervals. J R Stat Soc C 37:87-94. doi:10.2307/2347496
.. [2] Self SG, Liang K-Y (1987). Asymptotic properties of maximum likelihood estimators and
   likelihood ratio tests under nonstandard conditions. J Am Stat Assoc 82:605-610.
   doi:10.1080/01621459.1987.10478472
.. [3] Efron B (1987). Better bootstrap confidence intervals. J Am Stat Assoc 82:171-185.
   doi:10.1080/01621459.1987.10478410
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from trialkit.errors import ModelError
from trialkit.model.reduced import Reduced, Responses
from trialkit.model.reml import Variances, evaluate, maximise

if TYPE_CHECKING:
    from trialkit.model.fit import Fit

Floats = NDArray[np.float64]

_AT_EDGE = "the likelihood is still this high where the covariance stops being positive definite"


@dataclass(frozen=True)
class VarianceProblem:
    """A fitted restricted likelihood as a function of the variances.

    Parameters
    ----------
    reduced : Reduced
        The design.
    responses : Responses
        One response.
    phi : ndarray, shape (m,)
        Estimated variances in internal units.
    variances : {"free", "nonnegative"}
        Whether random terms may go below zero.
    """

    reduced: Reduced
    responses: Responses
    phi: Floats
    variances: Variances = "free"

    @classmethod
    def of(cls, fit: Fit) -> VarianceProblem:
        """Take the problem out of a fit."""
        return cls(fit.reduced, fit.responses, fit.phi, fit.spec.variances)  # type: ignore[arg-type]

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the variances."""
        return self.reduced.params

    @property
    def unit(self) -> Floats:
        """Factor from internal to the user's unit of each variance."""
        return np.asarray(self.reduced.units * float(self.responses.scale[0]) ** 2)

    def loglik(self, phi: Floats) -> float:
        """Give the restricted log-likelihood (internal constant), −inf outside."""
        one = self.responses
        point = evaluate(self.reduced, phi[None, :], one.e, one.out_ss, derivatives=False)
        return float(point.loglik[0])

    def profile(self, at: int, value: float, start: Floats) -> tuple[float, Floats]:
        """Maximise over the other variances with one of them held.

        Returns
        -------
        loglik : float
            −inf where no admissible point was found.
        phi : ndarray, shape (m,)
        """
        phi = start.copy()
        phi[at] = value
        residuals = np.arange(len(phi)) >= self.reduced.n_random
        for _ in range(60):
            if math.isfinite(self.loglik(phi)):
                break
            # more residual variance makes any covariance positive definite
            raised = residuals & (np.arange(len(phi)) != at)
            phi[raised if raised.any() else slice(0, self.reduced.n_random)] *= 1.5
            phi[at] = value
        else:
            return -math.inf, start
        best = maximise(
            self.reduced,
            self.responses,
            variances=self.variances,
            start=phi[None, :],
            pinned={at: value},
        )
        return float(best.point.loglik[0]), best.point.phi[0]


def profile_limit(
    problem: VarianceProblem, at: int, side: int, *, level: float
) -> tuple[float, str]:
    """Find where the profile has dropped by half a chi-square point.

    Parameters
    ----------
    problem : VarianceProblem
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

    residual = at >= problem.reduced.n_random
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
    return float(solver(excess, one, other, xtol=1e-10, rtol=1e-10)), ""


def profile_intervals(fit: Fit, *, level: float | None = None) -> pd.DataFrame:
    """Give profile-likelihood limits of each variance component.

    Parameters
    ----------
    fit : Fit
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
    problem = VarianceProblem.of(fit)
    rows = []
    for at in range(len(problem.names)):
        limits = [profile_limit(problem, at, side, level=wanted) for side in (-1, 1)]
        note = "; ".join(dict.fromkeys(note for _, note in limits if note))
        rows.append((problem.phi[at], limits[0][0], limits[1][0], "profile likelihood", note))
    return _interval_table(problem, rows)


def _interval_table(
    problem: VarianceProblem, rows: list[tuple[float, float, float, str, str]]
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


def draw_responses(
    reduced: Reduced, phi: Floats, draws: int, rng: np.random.Generator
) -> Responses:
    """Draw responses of the model with given variances, in error contrasts.

    Parameters
    ----------
    reduced : Reduced
    phi : ndarray, shape (m,)
        Variances in internal units.
    draws : int
    rng : Generator

    Returns
    -------
    Responses
        Scale one; fixed effects zero, which changes nothing in the restricted likelihood.
    """
    a = reduced.coef @ phi
    W = np.tensordot(a, reduced.GK, axes=1)
    root = np.linalg.cholesky(W)
    e = rng.standard_normal((draws, len(W))) @ root.T
    out = np.stack(
        [
            a[s] * (rng.chisquare(df, draws) if df > 0 else np.zeros(draws))
            for s, df in enumerate(reduced.out)
        ],
        axis=1,
    )
    ones = np.ones(draws)
    nothing = np.zeros((draws, 0))
    return Responses(beta0=nothing, scale=ones, y=nothing, e=e, out_ss=out, spread=ones)


def bootstrap_intervals(
    fit: Fit, *, draws: int = 4999, seed: int = 1, level: float | None = None
) -> pd.DataFrame:
    """Give parametric bootstrap limits of each variance component.

    Parameters
    ----------
    fit : Fit
        A fitted model.
    draws : int
        Simulated data sets, each fitted again.
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
    start = np.tile(problem.phi, (draws, 1))
    best = maximise(reduced, new, variances=problem.variances, start=start)
    kept = best.settled
    at_estimate = evaluate(reduced, start, new.e, new.out_ss)
    favour = np.linalg.pinv(at_estimate.expected[0])
    note = "" if kept.all() else f"{int((~kept).sum())} of {draws} draws did not settle"
    rows = []
    for at in range(len(problem.names)):
        score = at_estimate.score @ favour[at]
        skew = float(np.mean((score - score.mean()) ** 3) / np.std(score) ** 3)
        low, high = accelerated_limits(
            best.point.phi[kept, at], float(problem.phi[at]), skew / 6, level=wanted
        )
        rows.append((float(problem.phi[at]), low, high, f"bootstrap, {draws} draws", note))
    return _interval_table(problem, rows)


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


@dataclass(frozen=True)
class ComponentTest:
    """Likelihood-ratio test that a variance component is zero.

    Parameters
    ----------
    term : str
        The random term.
    statistic : float
        Twice the drop of the restricted log-likelihood when the component is held at zero;
        zero where its estimate is zero or below.
    p : float
        By the 50:50 mixture of chi-squares with 0 and 1 df, which holds in large samples.
    p_simulated : float
        From data sets simulated without the component; NaN if none were drawn.
    draws : int
        How many were drawn.
    """

    term: str
    statistic: float
    p: float
    p_simulated: float
    draws: int

    @property
    def table(self) -> pd.DataFrame:
        """The test as one row."""
        row = {
            "statistic": self.statistic,
            "p": self.p,
            "p_simulated": self.p_simulated,
            "draws": self.draws,
        }
        return pd.DataFrame([row], index=pd.Index([self.term], name="term"))

    def __str__(self) -> str:
        from trialkit.display import show_table

        return show_table(self.table.reset_index()).text()

    def _repr_html_(self) -> str:
        from trialkit.display import show_table

        return show_table(self.table.reset_index()).html()


def lr_test(fit: Fit, term: str, *, draws: int = 0, seed: int = 1) -> ComponentTest:
    """Test whether a random term varies at all.

    Parameters
    ----------
    fit : Fit
        A fitted model.
    term : str
        One of its random terms.
    draws : int
        Data sets to simulate under the null hypothesis; 0 for the mixture alone. With one
        random term the simulated law is exact but for simulation error.
    seed : int
        Seed of the simulation.

    Returns
    -------
    ComponentTest

    Raises
    ------
    ModelError
        `term` is not a random term of the fit.

    Notes
    -----
    Zero lies on the boundary, so half of the statistics are zero in large samples; in small
    ones more are, which makes the mixture cautious. A chamber term that follows from how the
    trial was randomised stays in the model whatever this test says.

    References
    ----------
    .. [1] Self, Liang (1987), doi:10.1080/01621459.1987.10478472. Crainiceanu CM, Ruppert D
       (2004). Likelihood ratio tests in linear mixed models with one variance component.
       J R Stat Soc B 66:165-185. doi:10.1111/j.1467-9868.2004.00438.x
    """
    problem = VarianceProblem.of(fit)
    random = problem.names[: problem.reduced.n_random]
    if term not in random:
        shown = ", ".join(random) or "none"
        raise ModelError(f"{term!r} is not a random term of this fit; its terms are: {shown}")
    at = random.index(term)
    null_loglik, null_phi = problem.profile(at, 0.0, _null_start(problem, at))
    statistic = 0.0
    if problem.phi[at] > 0:
        statistic = max(0.0, 2 * (problem.loglik(problem.phi) - null_loglik))
    p = 0.5 * float(special.chdtrc(1, statistic)) if statistic > 0 else 1.0
    simulated = math.nan
    if draws:
        simulated = _simulated_p(problem, at, null_phi, statistic, draws, seed)
    return ComponentTest(term, statistic, p, simulated, draws)


def _null_start(problem: VarianceProblem, at: int) -> Floats:
    """Start without the term: the other random terms at no less than zero."""
    start = problem.phi.copy()
    start[: problem.reduced.n_random] = np.maximum(start[: problem.reduced.n_random], 0.0)
    start[problem.reduced.n_random :] += max(float(start[at]), 0.0) / 2
    start[at] = 0.0
    return start


def _simulated_p(
    problem: VarianceProblem, at: int, null_phi: Floats, statistic: float, draws: int, seed: int
) -> float:
    reduced = problem.reduced
    new = draw_responses(reduced, null_phi, draws, np.random.default_rng(seed))
    start = np.tile(null_phi, (draws, 1))
    options = {"variances": problem.variances, "start": start}
    null = maximise(reduced, new, pinned={at: 0.0}, **options)  # type: ignore[arg-type]
    best = maximise(reduced, new, **options)  # type: ignore[arg-type]
    gain = 2 * (best.point.loglik - null.point.loglik)
    drawn = np.where(best.point.phi[:, at] > 0, np.maximum(gain, 0.0), 0.0)
    return float((1 + np.sum(drawn >= statistic - 1e-9)) / (draws + 1))
