"""Chances of t, F and chi-square, with infinite df and missing values allowed.

Built on `scipy.special`, so that a fit never waits for the import of `scipy.stats`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

#: Degrees of freedom below which limits can be endless for want of them alone.
ALMOST_NO_DF = 3.0


def t_two_sided(t: ArrayLike, df: ArrayLike) -> Any:
    """Give ``P(|T| >= |t|)``; missing where df are not positive.

    Examples
    --------
    >>> round(float(t_two_sided(2.228138852, 10)), 6)
    0.05
    """
    size, df = np.abs(np.asarray(t, dtype=float)), np.asarray(df, dtype=float)
    with np.errstate(invalid="ignore"):
        finite = np.where(np.isfinite(df), df, 1.0)
        p = np.where(np.isinf(df), 2 * special.ndtr(-size), 2 * special.stdtr(finite, -size))
        return np.where(df > 0, p, np.nan)


def t_quantile(level: float, df: ArrayLike) -> Any:
    """Give the two-sided critical value of t for a confidence level.

    Examples
    --------
    >>> round(float(t_quantile(0.95, 10)), 6)
    2.228139
    """
    df = np.asarray(df, dtype=float)
    upper = 0.5 + level / 2
    with np.errstate(invalid="ignore"):
        finite = np.where(np.isfinite(df) & (df > 0), df, 1.0)
        q = np.where(np.isinf(df), special.ndtri(upper), special.stdtrit(finite, upper))
        return np.where(df > 0, q, np.nan)


def f_upper(F: ArrayLike, num_df: ArrayLike, den_df: ArrayLike) -> Any:
    """Give ``P(F' >= F)``; missing where df are not positive or F is missing.

    Examples
    --------
    >>> round(float(f_upper(4.964602744, 1, 10)), 6)
    0.05
    """
    F, num, den = (np.asarray(x, dtype=float) for x in (F, num_df, den_df))
    with np.errstate(invalid="ignore"):
        safe = np.maximum(F, 0.0)
        finite = np.where(np.isfinite(den) & (den > 0), den, 1.0)
        p = np.where(
            np.isinf(den), special.chdtrc(num, num * safe), special.fdtrc(num, finite, safe)
        )
        return np.where((den > 0) & (num > 0) & np.isfinite(F), p, np.nan)
