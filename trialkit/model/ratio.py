"""Whether a level is as good as the reference, as a ratio of means.

The ratio of two means has no t distribution, but ``top - ratio * bottom`` has one for any
ratio one cares to test. Fieller's limits are the ratios that such a test does not reject,
and the test at the margin itself is Sasabuchi's, so limits and test always agree. Where the
response is a logarithm, the ratio is the exponential of a difference.

References
----------
.. [1] Fieller EC (1954). Some problems in interval estimation. J R Stat Soc B 16:175-185.
   doi:10.1111/j.2517-6161.1954.tb00159.x
.. [2] Sasabuchi S (1980). A test of a multivariate normal mean with composite hypotheses
   determined by linear inequalities. Biometrika 67:429-439. doi:10.1093/biomet/67.2.429
.. [3] Schuirmann DJ (1987). A comparison of the two one-sided tests procedure and the power
   approach. J Pharmacokinet Biopharm 15:657-680. doi:10.1007/BF01068419
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from trialkit.errors import ModelError
from trialkit.model.means import NOT_ESTIMABLE, Cells, contrast_rows, mean_cells

if TYPE_CHECKING:
    from trialkit.model.fit import Fit

Floats = NDArray[np.float64]
Scale = Literal["raw", "log"]

NO_LIMITS = "no finite limits: the reference mean is not clearly above zero"
_PROBES = np.array([0.8, 1.0, 1.25])  # ratios near 1, from which mean and variance follow


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


def _line_from(fit: Fit, top: Floats, bottom: Floats, df: str) -> RatioLine | None:
    """Read means, variances and covariance off three contrasts near ratio 1.

    Going only through `Fit.contrast` keeps the method of the fit, whatever it chooses.
    """
    L = top[None, :] - _PROBES[:, None] * bottom[None, :]
    rows = contrast_rows(fit, L, df=df, level=0.95)
    if rows["estimate"].isna().any():
        return None
    slope, value = np.polyfit(_PROBES, rows["estimate"].to_numpy(), 1)
    curve, tilt, rest = np.polyfit(_PROBES, rows["se"].to_numpy() ** 2, 2)
    cache = dict(zip(_PROBES.tolist(), rows["df"].tolist(), strict=True))

    def df_at(ratio: float) -> float:
        if ratio not in cache:
            one = fit.contrast((top - ratio * bottom)[None, :], df=df)
            cache[ratio] = float(one["df"].iloc[0])
        return float(cache[ratio])

    return RatioLine(
        float(value),
        float(-slope),
        float(rest),
        float(curve),
        float(-tilt / 2),
        df_at,
        str(rows["method"].iloc[1]),
    )


@dataclass(frozen=True)
class _Measured:
    """A ratio with its limits and the one-sided chances at two margins."""

    ratio: float
    low: float
    high: float
    p_low: float
    p_high: float
    df: float
    method: str
    note: str


_UNKNOWN = _Measured(math.nan, math.nan, math.nan, math.nan, math.nan, math.nan, "–", NOT_ESTIMABLE)


def _measure(
    fit: Fit,
    top: Floats,
    bottom: Floats,
    margins: tuple[float, float],
    *,
    scale: Scale,
    df: str,
    level: float,
) -> _Measured:
    if scale == "log":
        return _measure_log(fit, top - bottom, margins, df=df, level=level)
    line = _line_from(fit, top, bottom, df)
    if line is None:
        return _UNKNOWN
    if line.bottom <= 0:
        return _Measured(math.nan, -math.inf, math.inf, 1.0, 1.0, math.nan, line.method, NO_LIMITS)
    low, high = fieller_limits(line, level=level)
    p = [
        float(special.stdtr(line.df_at(margin), -sign * line.t_at(margin)))
        for margin, sign in zip(margins, (1, -1), strict=True)
    ]
    note = "" if math.isfinite(low) else NO_LIMITS
    return _Measured(
        line.ratio, low, high, p[0], p[1], line.df_at(margins[0]), f"fieller, {line.method}", note
    )


def _measure_log(
    fit: Fit, L: Floats, margins: tuple[float, float], *, df: str, level: float
) -> _Measured:
    row = contrast_rows(fit, L[None, :], df=df, level=level).iloc[0]
    if not math.isfinite(row["estimate"]):
        return _UNKNOWN
    p = [
        float(special.stdtr(row["df"], -sign * (row["estimate"] - math.log(margin)) / row["se"]))
        for margin, sign in zip(margins, (1, -1), strict=True)
    ]
    ratio, low, high = (math.exp(row[name]) for name in ("estimate", "low", "high"))
    return _Measured(ratio, low, high, p[0], p[1], row["df"], f"log, {row['method']}", "")


def _checked(
    fit: Fit, factor: str, against: Hashable, margin_pct: float, scale: str
) -> tuple[Cells, int]:
    if not 0 < margin_pct < 100:
        raise ModelError(
            f"margin_pct={margin_pct:g} must lie between 0 and 100: it is the loss accepted, "
            "in per cent of the reference mean"
        )
    if scale not in ("raw", "log"):
        raise ModelError(f'scale={scale!r} is not known; use "raw", or "log" for a log response')
    (cells,) = mean_cells(fit, factor)
    for place, label in enumerate(cells.labels):
        if label == against or str(label) == str(against):
            return cells, place
    shown = ", ".join(map(str, cells.labels))
    raise ModelError(f"{factor} has no level {against!r}; its levels are {shown}")


def noninferior(
    fit: Fit,
    factor: str,
    *,
    against: Hashable,
    margin_pct: float,
    scale: Scale = "raw",
    df: str = "default",
    level: float | None = None,
) -> pd.DataFrame:
    """Ask of each level whether it loses no more than the margin to the reference.

    A level is no worse when the lower limit of the two-sided `level` interval of its ratio
    to the reference lies above ``1 - margin``: a one-sided test at ``(1 - level) / 2``,
    2.5 % at the usual 0.95. More of the response is taken to be better.

    Parameters
    ----------
    fit : Fit
        A fitted model; `scale` says on which scale its response is.
    factor : str
        Factor, or several joined by ``":"``.
    against : level
        Reference level.
    margin_pct : float
        Loss accepted [% of the reference mean], between 0 and 100.
    scale : {"raw", "log"}
        ``"raw"``: ratio of arithmetic means by Fieller. ``"log"``: the response is a natural
        logarithm, and the ratio is one of geometric means.
    df : str
        Small-sample method, as for `Fit.contrast`.
    level : float, optional
        Two-sided confidence of the limits; that of the fit by default.

    Returns
    -------
    DataFrame
        One row per other level: `level, reference, ratio, low, high, p` (one-sided, of a
        loss of the margin or more; compare with ``(1 - level) / 2``) `, margin_ratio, df`
        (of that test) `, method, verdict, note`. Verdicts: "better" (limits above 1),
        "no worse" (lower limit above the margin), "no worse, though lower" (and the upper
        limit below 1), "worse" (upper limit below the margin), "not enough evidence".

    Raises
    ------
    ModelError
        Unknown factor, level or scale, or a margin outside 0 to 100.

    Notes
    -----
    Each level is judged on its own; the chance of one wrong "no worse" among several levels
    is larger. Where the reference mean is not clearly above zero no finite limits exist and
    the row says so.

    References
    ----------
    .. [1] Fieller (1954), doi:10.1111/j.2517-6161.1954.tb00159.x; Sasabuchi (1980),
       doi:10.1093/biomet/67.2.429; Hauschke D, Kieser M, Diletti E, Burke M (1999).
       Sample size determination for proving equivalence based on the ratio of two means
       for normally distributed data. Stat Med 18:93-105.
    """
    wanted = fit.level if level is None else level
    cells, place = _checked(fit, factor, against, margin_pct, scale)
    margin = 1 - margin_pct / 100
    rows = []
    for i, label in enumerate(cells.labels):
        if i == place:
            continue
        got = _measure(
            fit,
            cells.rows[i],
            cells.rows[place],
            (margin, 1 / margin),
            scale=scale,
            df=df,
            level=wanted,
        )
        rows.append(
            {
                "level": label,
                "reference": cells.labels[place],
                "ratio": got.ratio,
                "low": got.low,
                "high": got.high,
                "p": got.p_low,
                "margin_ratio": margin,
                "df": got.df,
                "method": got.method,
                "verdict": loss_verdict(got.low, got.high, margin),
                "note": got.note,
            }
        )
    return pd.DataFrame(rows)


def loss_verdict(low: float, high: float, margin: float) -> str:
    """Say in words what the limits of a ratio mean beside the margin.

    Examples
    --------
    >>> loss_verdict(0.93, 1.04, 0.9), loss_verdict(0.85, 1.04, 0.9)
    ('no worse', 'not enough evidence')
    """
    if low > 1:
        return "better"
    if low > margin:
        return "no worse, though lower" if high < 1 else "no worse"
    if high < margin:
        return "worse"
    return "not enough evidence"


def equivalent(
    fit: Fit,
    factor: str,
    *,
    against: Hashable,
    margin_pct: float,
    scale: Scale = "raw",
    df: str = "default",
    level: float | None = None,
) -> pd.DataFrame:
    """Ask of each level whether it differs from the reference by less than the margin.

    Two one-sided tests, each at ``1 - level``: a level is as good as the same when the
    two-sided ``2 level - 1`` interval of its ratio (90 % at the usual 0.95) lies within
    ``1 - margin`` to ``1 / (1 - margin)``. These limits mirror each other, so that it does
    not matter which of two levels is called the reference.

    Parameters
    ----------
    fit, factor, against, scale, df
        As for `noninferior`.
    margin_pct : float
        Largest difference that does not matter [% of the larger mean], between 0 and 100.
    level : float, optional
        One minus the level of each one-sided test; that of the fit by default.

    Returns
    -------
    DataFrame
        One row per other level: `level, reference, ratio, low, high` (the ``2 level - 1``
        interval) `, p` (the larger of the two one-sided; compare with ``1 - level``)
        `, low_margin, high_margin, df, method, verdict` ("the same within the margin",
        "different by more than the margin", "not enough evidence") `, note`.

    References
    ----------
    .. [1] Schuirmann (1987), doi:10.1007/BF01068419; Sasabuchi (1980),
       doi:10.1093/biomet/67.2.429
    """
    wanted = fit.level if level is None else level
    cells, place = _checked(fit, factor, against, margin_pct, scale)
    low_margin = 1 - margin_pct / 100
    margins = (low_margin, 1 / low_margin)
    rows = []
    for i, label in enumerate(cells.labels):
        if i == place:
            continue
        got = _measure(
            fit,
            cells.rows[i],
            cells.rows[place],
            margins,
            scale=scale,
            df=df,
            level=2 * wanted - 1,
        )
        verdict = "not enough evidence"
        if got.low > margins[0] and got.high < margins[1]:
            verdict = "the same within the margin"
        elif got.high < margins[0] or got.low > margins[1]:
            verdict = "different by more than the margin"
        rows.append(
            {
                "level": label,
                "reference": cells.labels[place],
                "ratio": got.ratio,
                "low": got.low,
                "high": got.high,
                "p": max(got.p_low, got.p_high),
                "low_margin": margins[0],
                "high_margin": margins[1],
                "df": got.df,
                "method": got.method,
                "verdict": verdict,
                "note": got.note,
            }
        )
    return pd.DataFrame(rows)
