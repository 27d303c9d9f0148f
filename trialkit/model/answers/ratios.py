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
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy import special

from trialkit.errors import ModelError
from trialkit.model.answers.fieller import ratio_lines
from trialkit.model.answers.means import NOT_ESTIMABLE, Cells, contrast_rows, mean_cells
from trialkit.model.answers.ratio_families import Family, ratio_families
from trialkit.model.answers.ratio_line import RatioLine
from trialkit.model.answers.ratio_search import NO_LIMITS, Accepted
from trialkit.model.fitted import Fitted
from trialkit.model.inference.adjustments import choose_adjustment

Scale = Literal["raw", "log"]
Better = Literal["more", "less"]


@dataclass(frozen=True)
class _Measured:
    """A ratio with its limits and the one-sided chances at two margins, of this row alone."""

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
    fit: Fitted,
    cells: Cells,
    place: int,
    margins: tuple[float, float],
    *,
    scale: str,
    df: str,
    level: float,
    adjust: str = "none",
) -> list[tuple[_Measured, Family]]:
    """Measure every level but the reference, in order, and give what makes its p joint."""
    others = [i for i in range(len(cells.labels)) if i != place]
    rows, covariance = contrast_rows(
        fit, cells.rows[others] - cells.rows[place], df=df, level=level
    )
    families = ratio_families(rows, covariance, len(cells.labels), adjust, level)
    if scale == "log":
        found = [
            _on_log(row, margins, family.single_level(level))
            for row, family in zip(rows.to_dict("records"), families, strict=True)
        ]
    else:
        lines = ratio_lines(fit, cells, place, df=df)
        found = [
            _untold(row) if line is None else _on_line(line, margins, family.single_level(level))
            for row, line, family in zip(rows.to_dict("records"), lines, families, strict=True)
        ]
    return list(zip(found, families, strict=True))


def _on_line(line: RatioLine, margins: tuple[float, float], level: float) -> _Measured:
    method = f"fieller, {line.method}"
    if not line.bottom > 0:
        return _Measured(math.nan, -math.inf, math.inf, 1.0, 1.0, math.nan, method, NO_LIMITS)
    df = float(line.df_at(margins[0]))
    accepted = Accepted(line)
    low, high = accepted.limits(level)
    p_low, p_high = (
        accepted.p_beyond(margin, above=above)
        for margin, above in zip(margins, (True, False), strict=True)
    )
    return _Measured(line.ratio, low, high, p_low, p_high, df, method, accepted.note(level))


def _untold(row: dict[Hashable, Any]) -> _Measured:
    """Give no ratio, with the reason of the difference's own row."""
    note = row["note"] or NOT_ESTIMABLE
    return replace(_UNKNOWN, method=str(row["method"]), note=str(note))


def _on_log(row: dict[Hashable, Any], margins: tuple[float, float], level: float) -> _Measured:
    if not math.isfinite(row["se"]):
        return _untold(row)
    p = [
        float(special.stdtr(row["df"], -sign * (row["estimate"] - math.log(margin)) / row["se"]))
        for margin, sign in zip(margins, (1, -1), strict=True)
    ]
    wide = -float(special.stdtrit(row["df"], (1 - level) / 2)) * row["se"]
    with np.errstate(over="ignore"):
        ratio, low, high = np.exp(row["estimate"] + np.array([0.0, -wide, wide])).tolist()
    return _Measured(ratio, low, high, p[0], p[1], row["df"], f"log, {row['method']}", "")


def _checked(
    fit: Fitted, factor: str, against: Hashable, margin_pct: float, scale: str
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
    fit: Fitted,
    factor: str,
    *,
    against: Hashable,
    margin_pct: float,
    scale: Scale = "raw",
    df: str = "default",
    level: float | None = None,
    adjust: str = "none",
    better: Better = "more",
) -> pd.DataFrame:
    """Ask of each level whether it loses no more than the margin to the reference.

    A level is no worse when the lower limit of the two-sided `level` interval of its ratio
    to the reference lies above ``1 - margin``: a one-sided test at ``(1 - level) / 2``,
    2.5 % at the usual 0.95. Where less of the response is better (days to harvest), the loss
    is an increase: the upper limit has to lie below ``1 + margin``.

    Parameters
    ----------
    fit : Fitted
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
        Two-sided confidence of the limits, joint where adjusted; that of the fit by default.
    adjust : {"none", "dunnett", "tukey"}
        Whether limits and `p` allow for all levels: for each against the reference
        (``"dunnett"``) or as one of all pairs (``"tukey"``), as in `differences`.
    better : {"more", "less"}
        Whether more or less of the response is better.

    Returns
    -------
    DataFrame
        One row per other level: `level, reference, ratio, low, high, p` (one-sided, of a
        loss of the margin or more, joint where adjusted; compare with ``(1 - level) / 2``)
        `, p_alone` (not adjusted) `, margin_ratio, df` (of that test) `, method, adjust,
        verdict, note`. Verdicts: "better" (limits above 1),
        "no worse" (lower limit above the margin), "no worse, though lower" (and the upper
        limit below 1), "worse" (upper limit below the margin), "not enough evidence"; with
        ``better="less"`` the same on the other side of 1.

    Raises
    ------
    ModelError
        Unknown factor, level, scale or adjustment, or a margin outside 0 to 100.

    Notes
    -----
    Without adjustment each level is judged on its own; the chance of one wrong "no worse"
    among several levels is larger. `p` is below ``(1 - level) / 2`` exactly where `low` lies
    above the margin, and "better" goes with a `p` of the same difference in `differences`
    (same adjustment) below ``1 - level``. Where no finite limits exist, or what is not
    rejected is no interval, `note` says so and why.

    References
    ----------
    .. [1] Fieller (1954), doi:10.1111/j.2517-6161.1954.tb00159.x; Sasabuchi (1980),
       doi:10.1093/biomet/67.2.429; Hauschke D, Kieser M, Diletti E, Burke M (1999).
       Sample size determination for proving equivalence based on the ratio of two means
       for normally distributed data. Stat Med 18:93-105.
    """
    chosen = choose_adjustment(adjust, "against", without=("holm",))
    wanted = fit.level if level is None else level
    cells, place = _checked(fit, factor, against, margin_pct, scale)
    return compare_cells(
        fit,
        cells,
        place,
        margin_pct=margin_pct,
        scale=scale,
        df=df,
        level=wanted,
        better=better,
        adjust=chosen.name,
    )


def compare_cells(
    fit: Fitted,
    cells: Cells,
    place: int,
    *,
    margin_pct: float,
    scale: Scale = "raw",
    df: str = "default",
    level: float,
    better: Better = "more",
    adjust: str = "none",
) -> pd.DataFrame:
    """Judge each of some means against one of them; columns as those of `noninferior`.

    Parameters
    ----------
    fit : Fitted
        A fitted model.
    cells : Cells
        The means, such as those at one level of another factor.
    place : int
        Position of the reference among them.
    margin_pct, scale, df, level, better, adjust
        As for `noninferior`.

    Returns
    -------
    DataFrame
    """
    chosen = choose_adjustment(adjust, "against", without=("holm",))
    margin = 1 - margin_pct / 100 if better == "more" else 1 + margin_pct / 100
    found = _measure(
        fit,
        cells,
        place,
        (margin, margin),
        scale=scale,
        df=df,
        level=level,
        adjust=chosen.name,
    )
    others = [label for i, label in enumerate(cells.labels) if i != place]
    rows = []
    for label, (got, family) in zip(others, found, strict=True):
        rows.append(
            {
                "level": label,
                "reference": cells.labels[place],
                "ratio": got.ratio,
                "low": got.low,
                "high": got.high,
                "p": family.joint(got.p_low if better == "more" else got.p_high),
                "p_alone": got.p_low if better == "more" else got.p_high,
                "margin_ratio": margin,
                "df": got.df,
                "method": got.method,
                "adjust": chosen.label,
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
    fit: Fitted,
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
    for label, (got, _) in zip(others, found, strict=True):
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
