"""Whether a level is as good as the reference, as a ratio of means, in plain verdicts.

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
from collections.abc import Hashable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import pandas as pd
from scipy import special

from trialkit.errors import ModelError
from trialkit.model.fieller import RatioLine, fieller_limits, ratio_lines
from trialkit.model.means import NOT_ESTIMABLE, Cells, contrast_rows, mean_cells

if TYPE_CHECKING:
    from trialkit.model.fit import Fit

Scale = Literal["raw", "log"]
Better = Literal["more", "less"]

NO_LIMITS = "no finite limits: the reference mean is not clearly above zero"


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
    cells: Cells,
    place: int,
    margins: tuple[float, float],
    *,
    scale: str,
    df: str,
    level: float,
) -> list[_Measured]:
    """Measure every level but the reference, in order."""
    if scale == "log":
        return _measure_log(fit, cells, place, margins, df=df, level=level)
    lines = ratio_lines(fit, cells, place, df=df)
    return [_UNKNOWN if line is None else _on_line(line, margins, level) for line in lines]


def _on_line(line: RatioLine, margins: tuple[float, float], level: float) -> _Measured:
    if line.bottom <= 0:
        return _Measured(math.nan, -math.inf, math.inf, 1.0, 1.0, math.nan, line.method, NO_LIMITS)
    low, high = fieller_limits(line, level=level)
    p = [
        float(special.stdtr(line.df_at(margin), -sign * line.t_at(margin)))
        for margin, sign in zip(margins, (1, -1), strict=True)
    ]
    note = "" if math.isfinite(low) else NO_LIMITS
    method = f"fieller, {line.method}"
    return _Measured(line.ratio, low, high, p[0], p[1], line.df_at(margins[0]), method, note)


def _measure_log(
    fit: Fit, cells: Cells, place: int, margins: tuple[float, float], *, df: str, level: float
) -> list[_Measured]:
    others = [i for i in range(len(cells.labels)) if i != place]
    table, _ = contrast_rows(fit, cells.rows[others] - cells.rows[place], df=df, level=level)
    out = []
    for row in table.to_dict("records"):
        if not math.isfinite(row["se"]):
            out.append(_UNKNOWN)
            continue
        p = [
            float(
                special.stdtr(row["df"], -sign * (row["estimate"] - math.log(margin)) / row["se"])
            )
            for margin, sign in zip(margins, (1, -1), strict=True)
        ]
        ratio, low, high = (math.exp(row[name]) for name in ("estimate", "low", "high"))
        out.append(_Measured(ratio, low, high, p[0], p[1], row["df"], f"log, {row['method']}", ""))
    return out


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
    better: Better = "more",
) -> pd.DataFrame:
    """Ask of each level whether it loses no more than the margin to the reference.

    A level is no worse when the lower limit of the two-sided `level` interval of its ratio
    to the reference lies above ``1 - margin``: a one-sided test at ``(1 - level) / 2``,
    2.5 % at the usual 0.95. Where less of the response is better (days to harvest), the loss
    is an increase: the upper limit has to lie below ``1 + margin``.

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
    better : {"more", "less"}
        Whether more or less of the response is better.

    Returns
    -------
    DataFrame
        One row per other level: `level, reference, ratio, low, high, p` (one-sided, of a
        loss of the margin or more; compare with ``(1 - level) / 2``) `, margin_ratio, df`
        (of that test) `, method, verdict, note`. Verdicts: "better" (limits above 1),
        "no worse" (lower limit above the margin), "no worse, though lower" (and the upper
        limit below 1), "worse" (upper limit below the margin), "not enough evidence"; with
        ``better="less"`` the same on the other side of 1.

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
    return compare_cells(
        fit, cells, place, margin_pct=margin_pct, scale=scale, df=df, level=wanted, better=better
    )


def compare_cells(
    fit: Fit,
    cells: Cells,
    place: int,
    *,
    margin_pct: float,
    scale: Scale = "raw",
    df: str = "default",
    level: float,
    better: Better = "more",
) -> pd.DataFrame:
    """Judge each of some means against one of them; columns as those of `noninferior`.

    Parameters
    ----------
    fit : Fit
        A fitted model.
    cells : Cells
        The means, such as those at one level of another factor.
    place : int
        Position of the reference among them.
    margin_pct, scale, df, level, better
        As for `noninferior`.

    Returns
    -------
    DataFrame
    """
    margin = 1 - margin_pct / 100 if better == "more" else 1 + margin_pct / 100
    found = _measure(fit, cells, place, (margin, margin), scale=scale, df=df, level=level)
    others = [label for i, label in enumerate(cells.labels) if i != place]
    rows = []
    for label, got in zip(others, found, strict=True):
        rows.append(
            {
                "level": label,
                "reference": cells.labels[place],
                "ratio": got.ratio,
                "low": got.low,
                "high": got.high,
                "p": got.p_low if better == "more" else got.p_high,
                "margin_ratio": margin,
                "df": got.df,
                "method": got.method,
                "verdict": loss_verdict(got.low, got.high, margin, better=better),
                "note": got.note,
            }
        )
    return pd.DataFrame(rows)


def loss_verdict(low: float, high: float, margin: float, *, better: Better = "more") -> str:
    """Say in words what the limits of a ratio mean beside the margin.

    Examples
    --------
    >>> loss_verdict(0.93, 1.04, 0.9), loss_verdict(0.85, 1.04, 0.9)
    ('no worse', 'not enough evidence')

    Ten per cent more days than usual are accepted, and at most 4 % more are in the limits:

    >>> loss_verdict(0.95, 1.04, 1.1, better="less")
    'no worse'
    """
    if better == "less":
        if high < 1:
            return "better"
        if high < margin:
            return "no worse, though higher" if low > 1 else "no worse"
        return "worse" if low > margin else "not enough evidence"
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
    found = _measure(fit, cells, place, margins, scale=scale, df=df, level=2 * wanted - 1)
    others = [label for i, label in enumerate(cells.labels) if i != place]
    rows = []
    for label, got in zip(others, found, strict=True):
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
