"""Closed forms of power: non-central F and t.

Exact for comparisons within one stratum of a balanced layout, where the classical test has
the strata's degrees of freedom whatever the variances above.

References
----------
.. [1] Cohen, J. (1988). Statistical Power Analysis for the Behavioral Sciences, 2nd ed.
.. [2] Stroup, W. W. (2002). Power analysis based on spatial effects mixed models.
   J. Agric. Biol. Environ. Stat. 7, 491-511.
.. [3] Hauschke, D., Kieser, M., Diletti, E. and Burke, M. (1999). Sample size determination
   for proving equivalence based on the ratio of two means for normally distributed data.
   Stat. Med. 18, 93-105.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from scipy import special

from trialkit.arrays import Floats
from trialkit.model.inference.tails import t_quantile


def power_f(ncp: float, num_df: float, den_df: float, *, level: float = 0.95) -> float:
    """Give the power of an F test.

    Parameters
    ----------
    ncp : float
        Non-centrality: sum of squares of the true effects over the error variance.
    num_df, den_df : float
        Degrees of freedom.
    level : float
        One minus the chance of a false alarm.

    Returns
    -------
    float
        Between 0 and 1; 0 where no degree of freedom is left for error.

    References
    ----------
    .. [1] Cohen (1988), ch. 8.

    Examples
    --------
    Four groups of 20, f = 0.28 (Cohen 1988, exercise 8.1: about 0.51):

    >>> round(power_f(0.28**2 * 80, 3, 76), 4)
    0.515
    """
    if den_df <= 0 or num_df <= 0 or not math.isfinite(ncp):
        return 0.0
    critical = special.fdtri(num_df, den_df, level)
    return float(beyond_f(ncp, num_df, den_df, np.array([critical]))[0])


def beyond_f(ncp: float, num_df: float, den_df: float, critical: Floats) -> Floats:
    """Give the chance that a non-central F lies beyond each of some values."""
    below = special.ncfdtr(num_df, den_df, max(ncp, 0.0), critical)
    return np.where(np.isnan(below), 1.0, 1.0 - below)  # it gives up only far out, near certainty


def power_t(
    ncp: float, df: float, *, level: float = 0.95, sides: int = 2, critical: float | None = None
) -> float:
    """Give the power of a t test.

    Parameters
    ----------
    ncp : float
        True difference (from the limit tested) over its standard error.
    df : float
        Degrees of freedom.
    level : float
        One minus the chance of a false alarm; of both sides together where `sides` is 2.
    sides : {1, 2}
        One-sided tests look for a positive difference.
    critical : float, optional
        Critical value to use in place of that of a single t test (Dunnett's, say).

    Examples
    --------
    Two groups of 64 half a standard deviation apart:

    >>> round(power_t(0.5 * (64 / 2) ** 0.5, 126), 4)
    0.8015
    """
    if df <= 0 or not math.isfinite(ncp):
        return 0.0
    if critical is None:
        critical = float(t_quantile(level if sides == 2 else 2 * level - 1, df))
    return float(beyond_t(ncp, df, np.array([critical]), sides=sides)[0])


def beyond_t(ncp: float, df: float, critical: Floats, *, sides: int = 2) -> Floats:
    """Give the chance that a non-central t lies beyond each of some values, on one side or two."""
    upper: Floats = 1.0 - _below(df, ncp, critical)
    return np.asarray(upper + _below(df, ncp, -critical)) if sides == 2 else upper


def _below(df: float, ncp: float, t: Floats) -> Floats:
    """Give the non-central t distribution; far out its normal approximation."""
    exact = special.nctdtr(df, ncp, t)
    if np.isnan(exact).any():
        rough = special.ndtr((t * (1 - 1 / (4 * df)) - ncp) / np.sqrt(1 + t * t / (2 * df)))
        return np.asarray(np.where(np.isnan(exact), rough, exact))
    return np.asarray(exact)


def smallest_for(power_at: Callable[[float], float], wanted: float, *, start: float) -> float:
    """Find the smallest effect, above zero, that reaches a power; infinity if none does.

    Parameters
    ----------
    power_at : callable
        Power as a rising function of the effect.
    wanted : float
        Power to reach, between 0 and 1.
    start : float
        A first guess of the effect.
    """
    from scipy.optimize import brentq

    high = start
    for _ in range(60):
        if power_at(high) >= wanted:
            break
        high *= 1.7
    else:
        return math.inf
    if power_at(0.0) >= wanted:
        return 0.0
    return float(brentq(lambda effect: power_at(effect) - wanted, 0.0, high, xtol=1e-10))
