"""Limits of a ratio of two means, in a simple layout or in a mixed model.

The ratio of two means has no t distribution, but ``top - ratio * bottom`` has one for any
ratio one cares to test. Fieller's limits are the ratios that such a test does not reject,
and the test at a margin itself is Sasabuchi's, so limits and test always agree. In a mixed
model the df change with the ratio tested, and so do these.

References
----------
.. [1] Fieller EC (1954). Some problems in interval estimation. J R Stat Soc B 16:175-185.
   doi:10.1111/j.2517-6161.1954.tb00159.x
.. [2] Sasabuchi S (1980). A test of a multivariate normal mean with composite hypotheses
   determined by linear inequalities. Biometrika 67:429-439. doi:10.1093/biomet/67.2.429
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy import special

from trialkit.model.means import Cells, contrast_rows

if TYPE_CHECKING:
    from trialkit.model.fit import Fit

Floats = NDArray[np.float64]

_WHOLE = "kenward-roger"  # the whole model, in which any ratio can be tested directly


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
    """

    top: float
    bottom: float
    var_top: float
    var_bottom: float
    covariance: float
    df_at: Callable[[float], float]
    method: str = "t"

    @property
    def ratio(self) -> float:
        """Ratio of the means."""
        return self.top / self.bottom

    def t_at(self, ratio: float) -> float:
        """Give the t statistic of ``top - ratio * bottom`` (Sasabuchi 1980)."""
        spread = self.var_top + ratio**2 * self.var_bottom - 2 * ratio * self.covariance
        return (self.top - ratio * self.bottom) / math.sqrt(spread)


def fieller_limits(line: RatioLine, *, level: float = 0.95) -> tuple[float, float]:
    """Give the limits of a ratio of two means.

    Parameters
    ----------
    line : RatioLine
        The two means with their variances and df.
    level : float
        Two-sided confidence.

    Returns
    -------
    low, high : float
        All ratios that the two-sided test does not reject; ``(-inf, inf)`` where that set
        is not a finite interval, that is, where the lower mean is not clearly above zero.

    Notes
    -----
    Limits solve ``(top - r bottom)^2 = t^2 (v_top - 2 r c + r^2 v_bottom)``. In a mixed
    model the df depend on the ratio tested, so each limit is solved with the df that hold
    at that limit.

    References
    ----------
    .. [1] Fieller (1954), doi:10.1111/j.2517-6161.1954.tb00159.x

    Examples
    --------
    >>> line = RatioLine(10.878, 8.25, 0.276105, 0.230087, 0.0, lambda ratio: 12.0)
    >>> [round(limit, 4) for limit in fieller_limits(line)]
    [1.1201, 1.56]
    """
    start = (line.ratio, line.ratio)
    found = [_solve_limit(line, side, start[side], (1 + level) / 2) for side in (0, 1)]
    if not all(map(math.isfinite, found)):
        return -math.inf, math.inf
    return found[0], found[1]


def _solve_limit(line: RatioLine, side: int, start: float, chance: float) -> float:
    """Repeat the quadratic with the df at the last limit until it stands still."""
    limit = start
    for _ in range(60):
        point = float(special.stdtrit(line.df_at(limit), chance))
        a = line.bottom**2 - point**2 * line.var_bottom
        b = line.top * line.bottom - point**2 * line.covariance
        c = line.top**2 - point**2 * line.var_top
        root = b**2 - a * c
        if a <= 0 or line.bottom <= 0 or root < 0 or math.isnan(a):
            return math.nan
        last, limit = limit, (b + (math.sqrt(root) if side else -math.sqrt(root))) / a
        if abs(limit - last) <= 1e-12 * max(1.0, abs(limit)):
            break
    return float(limit)


def ratio_lines(
    fit: Fit, cells: Cells, place: int, *, df: str = "default"
) -> list[RatioLine | None]:
    """Give the line of each level against the reference; None where not estimable.

    Parameters
    ----------
    fit : Fit
        A fitted model.
    cells : Cells
        Marginal means.
    place : int
        Position of the reference.
    df : str
        Small-sample method.

    Notes
    -----
    Where difference and reference mean both come from the whole model, any ratio is tested
    in it directly. Where the default analyses the difference on unit values or within blocks,
    ``top - r bottom = difference + (1 - r) reference``: the difference as that analysis gives
    it, the mean as its own does, their correlation from the whole model, and df by combining
    the part of the mean that the difference explains with the rest (Satterthwaite).
    """
    others = [i for i in range(len(cells.labels)) if i != place]
    D = cells.rows[others] - cells.rows[place]
    apart, spread = contrast_rows(fit, D, df=df, level=0.95)
    mean, mean_var = contrast_rows(fit, cells.rows[place][None, :], df=df, level=0.95)
    direct = set(apart["method"]) <= {df, _WHOLE, "–"} and mean["method"].iloc[0] in (df, _WHOLE)
    lines: list[RatioLine | None] = []
    for row, i in enumerate(others):
        if not (math.isfinite(apart["estimate"].iloc[row]) and math.isfinite(mean["se"].iloc[0])):
            lines.append(None)
        elif direct:
            lines.append(_direct_line(fit, cells.rows[i], cells.rows[place], df))
        else:
            both = np.vstack([D[row], cells.rows[place]])
            _, whole = contrast_rows(fit, both, df=_WHOLE, level=0.95)
            part = apart.iloc[row]
            lines.append(
                _joined_line(
                    (float(part["estimate"]), float(spread[row, row]), float(part["df"])),
                    (
                        float(mean["estimate"].iloc[0]),
                        float(mean_var[0, 0]),
                        float(mean["df"].iloc[0]),
                    ),
                    _correlation(whole),
                    str(part["method"]),
                )
            )
    return lines


def _correlation(covariance: Floats) -> float:
    """Give the correlation of a difference with the reference mean.

    Where the whole model gives the mean no variance, the value of a balanced layout.
    """
    size = covariance[0, 0] * covariance[1, 1]
    if not size > 0:
        return -math.sqrt(0.5)
    return float(np.clip(covariance[0, 1] / math.sqrt(size), -1.0, 1.0))


def _direct_line(fit: Fit, top: Floats, bottom: Floats, df: str) -> RatioLine:
    """Test every ratio in the whole model, with the df of that very contrast."""
    chosen = df if df != "default" else _WHOLE
    rows, V = contrast_rows(fit, np.vstack([top, bottom]), df=chosen, level=0.95)
    cache: dict[float, float] = {}

    def df_at(ratio: float) -> float:
        if ratio not in cache:
            one, _ = contrast_rows(fit, (top - ratio * bottom)[None, :], df=chosen, level=0.95)
            cache[ratio] = float(one["df"].iloc[0])
        return cache[ratio]

    estimate = rows["estimate"].to_numpy(dtype=float)
    return RatioLine(
        float(estimate[0]),
        float(estimate[1]),
        float(V[0, 0]),
        float(V[1, 1]),
        float(V[0, 1]),
        df_at,
        chosen,
    )


def _joined_line(
    apart: tuple[float, float, float],
    mean: tuple[float, float, float],
    correlation: float,
    method: str,
) -> RatioLine:
    """Join a difference and a mean of two analyses (estimate, variance, df of each)."""
    d, v, nu = apart
    m, w, nu_mean = mean
    c = correlation * math.sqrt(v * w)

    def df_at(ratio: float) -> float:
        explained = (1 + (1 - ratio) * c / v) ** 2 * v
        rest = (1 - ratio) ** 2 * max(w - c**2 / v, 0.0)
        if explained + rest <= 0:
            return nu
        both = (explained + rest) ** 2 / (explained**2 / nu + rest**2 / nu_mean)
        return min(both, max(nu, nu_mean))  # the two parts may rest on the same units

    return RatioLine(m + d, m, w + v + 2 * c, w, w + c, df_at, method)
