"""Limits of a surface that hold over the whole range at once.

References
----------
.. [1] Scheffé H (1959). The Analysis of Variance. Wiley, sec. 3.5 (limits for all contrasts, which
   these limits never exceed).
.. [2] Liu W (2011). Simultaneous Inference in Regression. CRC Press, ch. 3 (critical values by
   simulation).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from trialkit.arrays import Floats

#: Draws behind a critical value.
DRAWS = 20_000

#: Error degrees of freedom below which there are no limits: at half a one the 97.5 % point of t
#: is 165.
FEWEST_DF = 0.5


def joint_point(
    rows: ArrayLike,
    covariance: Floats,
    df: float,
    *,
    level: float = 0.95,
    sides: int = 2,
    draws: int = DRAWS,
    seed: int = 0,
) -> float:
    """Give the number of standard errors that makes the limits of all rows joint.

    Parameters
    ----------
    rows : array, shape (m, terms)
        Combinations of the surface's coefficients.
    covariance : ndarray, shape (terms, terms)
    df : float
        Error degrees of freedom; the fewest of the rows.
    level : float
    sides : {1, 2}
        Limits on both sides, or on one.
    draws : int
    seed : int

    Returns
    -------
    float
        Quantile of the largest (absolute) t over the rows; NaN with fewer than `FEWEST_DF` error
        degrees of freedom, where limits would be hundreds of standard errors wide.

    Examples
    --------
    One row: the t quantile itself, 2.228 at 10 df.

    >>> round(joint_point([[0.0, 1.0]], np.eye(2), 10, draws=200_000), 1)
    2.2
    """
    L = np.atleast_2d(np.asarray(rows, dtype=float))
    if not df >= FEWEST_DF or not np.isfinite(covariance).all():
        return float("nan")
    half = root(covariance)
    scale = np.linalg.norm(L @ half, axis=1)
    unit = (L @ half)[scale > 0] / scale[scale > 0, None]
    if not len(unit):
        return float("nan")
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((draws, half.shape[1]))
    stretch = np.sqrt(df / rng.chisquare(df, draws)) if np.isfinite(df) else np.ones(draws)
    most = np.empty(draws)
    for start in range(0, draws, 2000):
        part = noise[start : start + 2000] @ unit.T
        most[start : start + 2000] = (np.abs(part) if sides == 2 else part).max(axis=1)
    return float(np.quantile(most * stretch, level))


def root(covariance: Floats) -> Floats:
    """Give ``C`` with ``C C'`` equal to a covariance; rounding below zero is taken as zero."""
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0)))
