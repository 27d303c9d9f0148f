"""Differences between means, with the price of making several at once.

Each row of a set of comparisons keeps its own degrees of freedom: in a mixed model two
differences may be tested with different df, and no joint law has several df at once.
Row ``i`` is therefore judged as if every row had the df of row ``i``, which is exact where
the df agree (balanced trials) and puts the caution where that row needs it otherwise.

References
----------
.. [1] Kramer CY (1956). Extension of multiple range tests to group means with unequal numbers
   of replications. Biometrics 12:307-310. doi:10.2307/3001469
.. [2] Hayter AJ (1984). A proof of the conjecture that the Tukey-Kramer multiple comparisons
   procedure is conservative. Ann Stat 12:61-75. doi:10.1214/aos/1176346392
.. [3] Dunnett CW (1955). J Am Stat Assoc 50:1096-1121. doi:10.1080/01621459.1955.10501294
.. [4] Holm S (1979). A simple sequentially rejective multiple test procedure.
   Scand J Stat 6:65-70.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Hashable, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from trialkit.errors import ModelError
from trialkit.model.answers.means import Cells, contrast_rows, mean_cells
from trialkit.model.fitted import Fitted
from trialkit.model.inference.adjustments import choose_adjustment
from trialkit.model.inference.simultaneous import (
    largest_point,
    largest_tail,
    range_point,
    range_tail,
)

Floats = NDArray[np.float64]


def holm(p: Floats) -> Floats:
    """Adjust p-values by Holm's step-down rule; missing ones stay missing.

    Parameters
    ----------
    p : ndarray, shape (m,)
        P-values of the single comparisons.

    Returns
    -------
    ndarray, shape (m,)
        Adjusted p-values in the same order.

    References
    ----------
    .. [1] Holm S (1979). Scand J Stat 6:65-70.

    Examples
    --------
    >>> holm(np.array([0.01, 0.04, 0.03, 0.005, 0.5, 0.02])).round(3)
    array([0.05, 0.09, 0.09, 0.03, 0.5 , 0.08])
    """
    p = np.asarray(p, dtype=float)
    out = np.full(len(p), math.nan)
    known = np.flatnonzero(np.isfinite(p))
    order = known[np.argsort(p[known], kind="stable")]
    stepped = p[order] * (len(order) - np.arange(len(order)))
    out[order] = np.minimum(1.0, np.maximum.accumulate(stepped)) if len(order) else stepped
    return out


def pairs_matrix(size: int, against: int | None = None) -> tuple[Floats, list[tuple[int, int]]]:
    """Give the rows that turn means into differences, and which means each row compares.

    Parameters
    ----------
    size : int
        Number of means.
    against : int, optional
        Position of the reference; all pairs (first minus second) when None, else every
        other mean minus the reference.

    Returns
    -------
    matrix : ndarray, shape (m, size)
        +1 and -1 in each row.
    pairs : list of (int, int)
        Positions of the first and second mean.

    Examples
    --------
    >>> pairs_matrix(3, against=0)[0]
    array([[-1.,  1.,  0.],
           [-1.,  0.,  1.]])
    """
    if against is None:
        pairs = list(itertools.combinations(range(size), 2))
    else:
        pairs = [(i, against) for i in range(size) if i != against]
    matrix = np.zeros((len(pairs), size))
    for row, (first, second) in enumerate(pairs):
        matrix[row, first], matrix[row, second] = 1.0, -1.0
    return matrix, pairs


def correlation_of(covariance: Floats) -> Floats:
    """Turn a covariance into a correlation."""
    spread = np.sqrt(np.diag(covariance))
    correlation: Floats = covariance / np.outer(spread, spread)
    np.fill_diagonal(correlation, 1.0)
    return np.clip(correlation, -1.0, 1.0)


def adjust_rows(
    rows: pd.DataFrame,
    *,
    adjust: str,
    level: float,
    means: int | None = None,
    covariance: Floats | None = None,
) -> pd.DataFrame:
    """Replace single p-values and limits by ones that hold for all rows together.

    Parameters
    ----------
    rows : DataFrame
        Columns `estimate, se, df, t, p`, one row per comparison; rows that cannot be
        estimated hold NaN and are left out of the count.
    adjust : {"tukey", "dunnett", "holm", "none"}
        ``"tukey"``: all pairs of `means` means, by the studentised range (Tukey-Kramer).
        ``"dunnett"``: the multivariate t with the rows' own correlation.
        ``"holm"``: step-down p-values; its limits are Bonferroni's, since Holm gives none.
    level : float
        Joint confidence of all limits.
    means : int
        Number of means compared; needed by ``"tukey"``.
    covariance : ndarray, shape (m, m)
        Covariance of the rows; needed by ``"dunnett"``.

    Returns
    -------
    DataFrame
        The rows with `p, low, high` adjusted and columns `p_alone` (the single p-value)
        and `adjust` (what was done).

    Raises
    ------
    ModelError
        An unknown adjustment, or one that lacks what it needs.

    Notes
    -----
    Tukey-Kramer is exact for means that are uncorrelated or equally correlated with equal
    variances and conservative otherwise where proved (three means, or variances of
    differences that are sums; Hayter 1984). Each row is judged with its own df.

    Examples
    --------
    >>> rows = pd.DataFrame({"estimate": [3.0], "se": [1.0], "df": [10.0], "t": [3.0],
    ...                      "p": [0.01334]})
    >>> adjust_rows(rows, adjust="tukey", level=0.95, means=3)[["p", "low", "high"]].round(3)
           p    low   high
    0  0.033  0.259  5.741
    """
    family = "against" if covariance is not None else "any" if means is None else "pairs"
    chosen = choose_adjustment(adjust, family, without=("tukey",) if means is None else ())
    out = rows.copy()
    out["p_alone"] = rows["p"].to_numpy(dtype=float)
    known = np.flatnonzero(np.isfinite(out["p_alone"].to_numpy()))
    t = np.abs(rows["t"].to_numpy(dtype=float))
    df = rows["df"].to_numpy(dtype=float).round(9)
    p, point = out["p_alone"].to_numpy().copy(), np.full(len(rows), math.nan)
    count = len(known)
    correlation, points = None, dict[float, float]()
    if adjust == "dunnett" and count:
        correlation = correlation_of(np.asarray(covariance)[np.ix_(known, known)])
    for i in known:
        if adjust == "tukey" and means is not None:
            p[i] = max(p[i], range_tail(math.sqrt(2) * t[i], means, df[i]))
            point[i] = range_point(level, means, float(df[i])) / math.sqrt(2)
        elif correlation is not None:
            p[i] = largest_tail(t[i], correlation, df[i])[0]
            if df[i] not in points:
                points[df[i]] = largest_point(level, correlation, df[i])
            point[i] = points[df[i]]
        else:
            share = 1 if adjust == "none" else count
            point[i] = -special.stdtrit(df[i], (1 - level) / 2 / share)
    if adjust == "holm":
        p = holm(p)
    estimate, se = rows["estimate"].to_numpy(dtype=float), rows["se"].to_numpy(dtype=float)
    out["p"], out["low"], out["high"] = p, estimate - point * se, estimate + point * se
    out["adjust"] = chosen.label
    return out


def differences(
    fit: Fitted,
    factor: str,
    *,
    against: Hashable | None = None,
    adjust: str | None = None,
    by: Sequence[str] | str | None = None,
    df: str = "default",
    level: float | None = None,
) -> pd.DataFrame:
    """Compare the means of a factor, all pairs or each against one level.

    Parameters
    ----------
    fit : Fitted
        A fitted model.
    factor : str
        Factor, or several joined by ``":"`` to compare their combinations.
    against : level, optional
        Reference level (``"usual"``, or ``"1:usual"`` for combinations).
    adjust : {"tukey", "dunnett", "holm", "none"}, optional
        How to allow for several comparisons; ``"tukey"`` for all pairs and ``"dunnett"``
        against a reference unless said otherwise. Families are separate within `by`.
    by : str or sequence of str, optional
        Factors within whose levels the comparison is made.
    df : str
        Small-sample method, as for `Fit.contrast`.
    level : float, optional
        Joint confidence of the limits; that of the fit by default.

    Returns
    -------
    DataFrame
        One row per comparison: the `by` columns, `first, second, estimate` (first minus
        second, in the unit of the response) `, se, df, low, high, t, p, p_alone, method,
        adjust, note`. Comparisons that cannot be estimated hold NaN and say so in `note`.

    Raises
    ------
    ModelError
        An unknown factor, level or adjustment, or a factor with one level.

    Notes
    -----
    All rows of a family come from one analysis. Where that analysis compares within batches
    or chambers, or weighs units equally, a difference need not equal the gap between the two
    marginal means, which also use what lies between batches.

    References
    ----------
    .. [1] Kramer CY (1956), doi:10.2307/3001469; Dunnett CW (1955),
       doi:10.1080/01621459.1955.10501294; Holm S (1979), Scand J Stat 6:65-70.
    """
    family = "pairs" if against is None else "against"
    usual = "tukey" if against is None else "dunnett"
    chosen = choose_adjustment(usual if adjust is None else adjust, family).name
    level = fit.level if level is None else level
    frames = []
    for group in mean_cells(fit, factor, by=by):
        position = _find_level(group, against, factor)
        matrix, pairs = pairs_matrix(len(group.labels), position)
        if not pairs:
            raise ModelError(f"{factor} has one level here; there is nothing to compare")
        frames.append(_family(fit, group, matrix, pairs, chosen, df=df, level=level))
    return pd.concat(frames, ignore_index=True)


def _find_level(cells: Cells, against: Hashable | None, factor: str) -> int | None:
    if against is None:
        return None
    for i, label in enumerate(cells.labels):
        if label == against or str(label) == str(against):
            return i
    shown = ", ".join(map(str, cells.labels))
    raise ModelError(f"{factor} has no level {against!r}; its levels are {shown}")


def _family(
    fit: Fitted,
    cells: Cells,
    matrix: Floats,
    pairs: list[tuple[int, int]],
    adjust: str,
    *,
    df: str,
    level: float,
) -> pd.DataFrame:
    L = matrix @ cells.rows
    rows, covariance = contrast_rows(fit, L, df=df, level=level)
    table = adjust_rows(
        rows, adjust=adjust, level=level, means=len(cells.labels), covariance=covariance
    )
    labels = cells.labels
    table.insert(0, "second", [labels[j] for _, j in pairs])
    table.insert(0, "first", [labels[i] for i, _ in pairs])
    for name, value in reversed(cells.by):
        table.insert(0, name, value)
    shown = ["first", "second", "estimate", "se", "df", "low", "high", "t", "p", "p_alone"]
    return table[[*(name for name, _ in cells.by), *shown, "method", "adjust", "note"]]
