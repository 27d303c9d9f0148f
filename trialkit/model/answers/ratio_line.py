"""The test of one ratio of two means: ``top - ratio * bottom`` and its degrees of freedom."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import special

from trialkit.model.columns.matrices import Floats

_ROUNDING = 1e-14  # variance of a line, relative to its parts, below which it is none


@dataclass(frozen=True)
class RatioLine:
    """Moments of ``top - ratio * bottom`` for any ratio, and the df of its test.

    Parameters
    ----------
    top, bottom : float
        The two means, in the unit of the response.
    var_top, var_bottom, covariance : float
        Their variances and covariance.
    df_at : callable
        Degrees of freedom of ``top - ratio * bottom`` at a ratio.
    method : str
        Name of the small-sample method.
    takes_many : bool
        Whether `df_at` takes an array of ratios too.
    """

    top: float
    bottom: float
    var_top: float
    var_bottom: float
    covariance: float
    df_at: Callable[[Any], Any]
    method: str = "t"
    takes_many: bool = False

    @property
    def ratio(self) -> float:
        """Ratio of the means."""
        return self.top / self.bottom

    def t_at(self, ratio: float) -> float:
        """Give the t statistic of ``top - ratio * bottom`` (Sasabuchi 1980).

        Missing where the variances give that difference none, so that there is no test.
        """
        return float(self._t(np.array([ratio]))[0])

    def _t(self, ratios: Floats) -> Floats:
        own, cross = self.var_top + ratios**2 * self.var_bottom, 2 * ratios * self.covariance
        spread, gap = own - cross, self.top - ratios * self.bottom
        exact = np.abs(spread) <= _ROUNDING * (own + np.abs(cross))  # no variance: known exactly
        with np.errstate(divide="ignore", invalid="ignore"):
            t = gap / np.sqrt(np.where(exact, 0.0, spread))
        return np.asarray(t, dtype=float)

    def chance(self, ratio: float, *, above: bool) -> float:
        """Give the one-sided p of a true ratio of at most (`above`) or at least `ratio`.

        Where there is no test, nothing is rejected: 1.
        """
        t, df = self.t_at(ratio), float(self.df_at(ratio))
        if math.isnan(t) or not df > 0:
            return 1.0
        t = -t if above else t
        return float(special.ndtr(t) if math.isinf(df) else special.stdtr(df, t))

    def chances(self, ratios: Floats, *, above: bool) -> Floats:
        """Give `chance` for many ratios."""
        if not self.takes_many:
            return np.array([self.chance(float(r), above=above) for r in ratios])
        df: Floats = np.asarray(self.df_at(ratios), dtype=np.float64)
        t = self._t(ratios)
        able = ~np.isnan(t) & (df > 0)
        t = np.where(able, -t if above else t, 0.0)
        endless = np.isinf(df)
        p = special.stdtr(np.where(able & ~endless, df, 1.0), t)
        return np.where(able, np.where(endless, special.ndtr(t), p), 1.0)
