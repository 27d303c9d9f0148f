"""Limits of a ratio of two means, in a simple layout or in a mixed model.

The ratio of two means has no t distribution, but ``top - ratio * bottom`` has one for any
ratio one cares to test. Fieller's limits are the ratios that such a test does not reject,
and the test at a margin itself is Sasabuchi's, so limits and test always agree. In a mixed
model the df change with the ratio tested. So the limits are found by searching the whole
line of ratios with the test itself, and the ratios not rejected need not be an interval.

References
----------
.. [1] Fieller EC (1954). Some problems in interval estimation. J R Stat Soc B 16:175-185.
   doi:10.1111/j.2517-6161.1954.tb00159.x
.. [2] Sasabuchi S (1980). A test of a multivariate normal mean with composite hypotheses
   determined by linear inequalities. Biometrika 67:429-439. doi:10.1093/biomet/67.2.429
.. [3] Hájek J (1962). Inequalities for the generalized Student's distribution and their
   applications. Selected Transl Math Stat Prob 2:63-74 (cited from memory): the df of the
   part that has fewest are safe for a sum of parts.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trialkit.model.answers.means import Cells, contrast_rows
from trialkit.model.answers.ratio_line import RatioLine
from trialkit.model.answers.ratio_search import NO_LIMITS as NO_LIMITS
from trialkit.model.answers.ratio_search import Accepted
from trialkit.model.fitted import Fitted

Floats = NDArray[np.float64]

_WHOLE = "kenward-roger"  # the whole model, in which any ratio can be tested directly


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
        Lowest and highest of all ratios that the two-sided test does not reject;
        ``(-inf, inf)`` where these are not bounded, that is, where the reference mean is not
        clearly above zero or almost no degrees of freedom are left.

    Notes
    -----
    Limits solve ``(top - r bottom)^2 = t^2 (v_top - 2 r c + r^2 v_bottom)``. In a mixed
    model the df depend on the ratio tested, so each limit is solved, by bracketing, with the
    df that hold at that limit: its own p is the stated one.

    References
    ----------
    .. [1] Fieller (1954), doi:10.1111/j.2517-6161.1954.tb00159.x

    Examples
    --------
    >>> line = RatioLine(10.878, 8.25, 0.276105, 0.230087, 0.0, lambda ratio: 12.0)
    >>> [round(limit, 4) for limit in fieller_limits(line)]
    [1.1201, 1.56]
    """
    if not line.bottom > 0:
        return -math.inf, math.inf
    return Accepted(line).limits(level)


def ratio_lines(
    fit: Fitted, cells: Cells, place: int, *, df: str = "default"
) -> list[RatioLine | None]:
    """Give the line of each level against the reference; None where not estimable.

    Parameters
    ----------
    fit : Fitted
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
    it, the mean as its own does, the regression of the mean on the difference from the whole
    model, and df by combining the part of the mean that the difference explains with the rest
    (Satterthwaite).

    By default no ratio is tested with more df than the difference has. Where those are few,
    their variance is often estimated far too small by chance, and the df of the sum would
    then be borrowed from the rest; the fewest df of the parts are safe (Hájek 1962).
    """
    others = [i for i in range(len(cells.labels)) if i != place]
    reference = cells.rows[place][None, :]
    D = cells.rows[others] - reference
    apart, spread = contrast_rows(fit, D, df=df, level=0.95)
    mean, mean_var = contrast_rows(fit, reference, df=df, level=0.95)
    direct = set(apart["method"]) <= {df, _WHOLE, "–"} and mean["method"].iloc[0] in (df, _WHOLE)
    lines: list[RatioLine | None] = []
    for row, i in enumerate(others):
        part = apart.iloc[row]
        if not (math.isfinite(part["se"]) and math.isfinite(mean["se"].iloc[0])):
            lines.append(None)
        elif direct:
            most = float(part["df"]) if df == "default" else math.inf
            lines.append(_direct_line(fit, cells.rows[i], cells.rows[place], df, most))
        else:
            _, whole = contrast_rows(fit, np.vstack([D[row], reference]), df=_WHOLE, level=0.95)
            gap = (float(part["estimate"]), float(spread[row, row]), float(part["df"]))
            one = mean.iloc[0]
            base = (float(one["estimate"]), float(mean_var[0, 0]), float(one["df"]))
            lines.append(join_parts(gap, base, whole, str(part["method"])))
    return lines


def join_parts(
    gap: tuple[float, float, float],
    mean: tuple[float, float, float],
    whole: Floats,
    method: str,
) -> RatioLine:
    """Join a difference and the reference mean, each by the analysis of its own.

    Parameters
    ----------
    gap, mean : (estimate, variance, df)
    whole : ndarray, shape (2, 2)
        Covariance of the two in the whole model.
    method : str

    Notes
    -----
    The regression of the reference mean on a difference from it lies between -1 and 0 and
    is -1/2 where both levels have equally many units, whatever the variances are; so it is
    much better known than their correlation. A mean varies at least as much as the
    difference makes it.
    """
    slope = -0.5
    if whole[0, 0] > 0:
        slope = float(np.clip(whole[0, 1] / whole[0, 0], -1.0, 0.0))
    estimate, variance, df = mean
    variance = max(variance, slope**2 * gap[1])
    correlation = slope * math.sqrt(gap[1] / variance)
    return _joined_line(gap, (estimate, variance, df), correlation, method)


def _direct_line(fit: Fitted, top: Floats, bottom: Floats, df: str, most: float) -> RatioLine:
    """Test every ratio in the whole model, with the df of that very contrast."""
    chosen = df if df != "default" else _WHOLE
    rows, V = contrast_rows(fit, np.vstack([top, bottom]), df=chosen, level=0.95)
    own = _df_by_direction(fit, np.vstack([top, bottom]), chosen)
    estimate = rows["estimate"].to_numpy(dtype=float)
    return RatioLine(
        float(estimate[0]),
        float(estimate[1]),
        float(V[0, 0]),
        float(V[1, 1]),
        float(V[0, 1]),
        lambda ratio: np.minimum(own(ratio), most),
        chosen,
        takes_many=True,
    )


def _df_by_direction(fit: Fitted, rows: Floats, df: str) -> Callable[[Any], Any]:
    """Give the df of ``top - ratio * bottom`` at any ratio, in closed form where there is one.

    With ``C`` the covariance of the two means, not adjusted, ``2 / df`` is a form of fourth
    degree in ``l = (1, -ratio)`` over ``(l'Cl)^2`` (Giesbrecht & Burns 1985). Where ``l'Cl = 1``
    it is a constant and the first two harmonics of twice the angle, and five directions give
    it exactly. Two more directions check that; where they disagree each ratio is asked alone.
    """
    kept = rows[:, fit.design.kept]
    cache: dict[float, float] = {}

    def one_by_one(ratio: float) -> float:
        if ratio not in cache:
            one = (kept[:1] - ratio * kept[1:]) / math.hypot(1.0, ratio)
            cache[ratio] = float(fit._ask(one, df, joint=False).df[0, 0])
        return cache[ratio]

    asked = np.vectorize(one_by_one, otypes=[float])

    if df == "containment":  # one stratum for the means, another for their difference
        return np.vectorize(lambda ratio: one_by_one(1.0 if ratio == 1 else 0.0), otypes=[float])
    plain = fit._ask(kept, "satterthwaite", joint=False).cov[0]
    if not np.isfinite(plain).all() or np.linalg.eigvalsh(plain)[0] <= 0:
        return asked
    root = np.linalg.inv(np.linalg.cholesky(plain))
    angles = np.append(np.arange(5) * math.pi / 5, [0.3, 1.1])
    directions = np.column_stack([np.cos(angles), np.sin(angles)]) @ root
    with np.errstate(divide="ignore"):
        seen = 1 / fit._ask(directions @ kept, df, joint=False).df[0]
    waves = _waves(angles)
    weights = np.linalg.solve(waves[:5], seen[:5])
    if not np.allclose(waves @ weights, seen, rtol=1e-8, atol=1e-12):
        return asked
    back = np.linalg.inv(root)

    def closed(ratio: Any) -> Any:
        x, y = (back[0, i] - np.asarray(ratio) * back[1, i] for i in (0, 1))
        inverse = _waves(np.arctan2(y, x)) @ weights
        return np.where(inverse > 0, 1 / np.where(inverse > 0, inverse, 1.0), math.inf)

    return closed


def _waves(angles: Floats) -> Floats:
    """Give 1 and the first two harmonics of twice the angle, in the last axis."""
    twice, four = 2 * angles, 4 * angles
    parts = (np.ones_like(twice), np.cos(twice), np.sin(twice), np.cos(four), np.sin(four))
    return np.stack(parts, axis=-1)


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

    def df_at(ratio: Any) -> Any:
        explained = (1 + (1 - ratio) * c / v) ** 2 * v
        rest = (1 - ratio) ** 2 * max(w - c**2 / v, 0.0)
        both = explained + rest
        own = explained**2 / nu + rest**2 / nu_mean
        df = np.where(both > 0, both**2 / np.where(own > 0, own, 1.0), nu)
        return np.minimum(df, nu)  # see `ratio_lines`

    return RatioLine(m + d, m, w + v + 2 * c, w, w + c, df_at, method, takes_many=True)
