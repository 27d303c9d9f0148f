"""Limits of the true value in the next trial, with the doubt about how much trials differ.

References
----------
.. [1] Viechtbauer W (2007). Confidence intervals for the amount of heterogeneity in
   meta-analysis. Stat Med 26:37-52. doi:10.1002/sim.2514
.. [2] Nagashima K, Noma H, Furukawa TA (2019). Prediction intervals for random-effects
   meta-analysis: a confidence distribution approach. Stat Methods Med Res 28:1689-1702.
   doi:10.1177/0962280218773520
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special

from trialkit.arrays import Floats

#: Values of the variance between trials that stand for its whole confidence distribution.
_VALUES = 400
#: Variances at which the spread of the estimates is worked out; between them it is interpolated.
_GRID = 300
#: Numbers worked out at once.
_AT_ONCE = 1_000_000


def next_trial_limits(
    estimates: ArrayLike, variances: ArrayLike, *, level: float = 0.95
) -> tuple[float, float]:
    """Give limits that hold the true value in the next trial.

    Parameters
    ----------
    estimates, variances : array, shape (k,)
        Estimate of each of at least two trials and its squared standard error.
    level : float

    Returns
    -------
    low, high : float

    Notes
    -----
    At the true variance between trials the weighted sum of squares about the mean has a
    chi-squared law with k - 1 df, whatever the mean is [1]_. Read the other way round, it says
    how likely each variance is, given the estimates. The true value of the next trial is drawn
    about the mean at each of these variances, and the limits are quantiles of all of them
    together [2]_. Limits from one estimate of the variance alone hold too seldom
    (benchmarks/pooling_coverage.py).

    Examples
    --------
    Trials that agree leave little doubt of the next one, trials that differ much:

    >>> low, high = next_trial_limits([0.0, 0.01, -0.01, 0.0] * 5, [0.01] * 20)
    >>> high < 0.15
    True
    >>> low, high = next_trial_limits([0.3, -0.3] * 10, [0.01] * 20)
    >>> 0.5 < high < 0.8
    True
    """
    y, v = np.asarray(estimates, dtype=float), np.asarray(variances, dtype=float)
    between = _between_values(y, v)
    pieces = np.array_split(between, max(1, len(between) * len(y) // _AT_ONCE))
    centre, error = np.concatenate([_mean(y, v, piece) for piece in pieces], axis=1)
    spread = np.sqrt(error + between)

    def share_below(x: float) -> float:
        return float(special.ndtr((x - centre) / spread).mean())

    out = []
    for share in ((1 - level) / 2, (1 + level) / 2):
        reach = float(special.ndtri(share)) * spread
        ends = centre + 1.5 * reach
        low, high = min(ends.min(), centre.min()), max(ends.max(), centre.max())
        out.append(float(optimize.brentq(lambda x, s=share: share_below(x) - s, low, high)))
    return out[0], out[1]


def _between_values(y: Floats, v: Floats) -> Floats:
    """Give variances between trials, evenly spread over their confidence distribution."""
    k = len(y)
    wanted = special.chdtri(k - 1, (np.arange(_VALUES) + 0.5) / _VALUES)
    top = float(np.ptp(y) ** 2 + v.max()) * k / float(wanted.min()) + float(v.max())
    grid = np.concatenate([[0.0], np.geomspace(1e-6 * float(v.min()), top, _GRID)])
    pieces = np.array_split(grid, max(1, len(grid) * k // _AT_ONCE))
    spread = np.concatenate([_squares(y, v, piece) for piece in pieces])
    # the sum of squares falls as the variance rises; below its value at zero there is none
    return np.asarray(np.interp(-wanted, -spread, grid))


def _mean(y: Floats, v: Floats, between: Floats) -> Floats:
    """Give the weighted mean and its squared standard error at each variance between trials."""
    w = 1 / (v + between[:, None])
    total = w.sum(axis=1)
    return np.stack([w @ y / total, 1 / total])


def _squares(y: Floats, v: Floats, between: Floats) -> Floats:
    """Give the weighted sum of squares about the mean at each variance between trials."""
    w = 1 / (v + between[:, None])
    centre = w @ y / w.sum(axis=1)
    return np.asarray((w * (y - centre[:, None]) ** 2).sum(axis=1))
