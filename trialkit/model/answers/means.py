"""Estimated marginal means: what each level would give in a balanced trial.

A marginal mean averages the fitted cells over every combination of the other factors with
equal weights, so that a lost block or a missing run does not tilt the comparison. Numeric
covariates are held at their mean. A mean that needs a cell without data is not estimable
and is shown as such, never as a number.

References
----------
.. [1] Searle SR, Speed FM, Milliken GA (1980). Population marginal means in the linear
   model: an alternative to least squares means. Am Stat 34:216-221.
   doi:10.1080/00031305.1980.10483031
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.arrays import Floats
from trialkit.errors import ModelError
from trialkit.model.fitted import Fitted
from trialkit.model.inference.tails import t_quantile, t_two_sided
from trialkit.model.inference.validity import ALMOST_NONE, FEW_DF, NO_DF

NOT_ESTIMABLE = "not estimable: the data lack a cell it needs"
NO_ERROR = "no standard error: components below zero leave it no variance"


@dataclass(frozen=True)
class Cells:
    """Marginal means as rows over the coefficients.

    Parameters
    ----------
    factors : tuple of str
        Factors whose combinations are the means.
    labels : tuple
        One label per mean: the level itself for one factor, levels joined by ``":"`` for more.
    levels : tuple of tuple
        The level of each factor, per mean.
    rows : ndarray, shape (means, coefficients)
        Equal-weight averages of the fixed-effect rows.
    by : tuple of (str, level)
        The group these means belong to; empty without `by`.
    """

    factors: tuple[str, ...]
    labels: tuple[Hashable, ...]
    levels: tuple[tuple[Hashable, ...], ...]
    rows: Floats
    by: tuple[tuple[str, Any], ...] = ()


def split_terms(spec: str | Sequence[str]) -> tuple[str, ...]:
    """Split ``"flush:schedule"`` (or ``"flush * schedule"``, or a list) into factor names.

    Examples
    --------
    >>> split_terms("flush:schedule"), split_terms(["light"])
    (('flush', 'schedule'), ('light',))
    """
    parts = [spec] if isinstance(spec, str) else list(spec)
    names = [name.strip() for part in parts for name in part.replace("*", ":").split(":")]
    return tuple(dict.fromkeys(name for name in names if name))


def _checked_factors(fit: Fitted, names: Sequence[str]) -> None:
    known = fit.design.levels
    for name in names:
        if name not in known:
            shown = ", ".join(known) or "none"
            raise ModelError(
                f"{name!r} is not a factor of the fixed part; its factors are: {shown}. "
                f"A numeric column has a slope; put C({name}) in the fixed part to compare values."
            )


def mean_cells(
    fit: Fitted, spec: str | Sequence[str], *, by: str | Sequence[str] | None = None
) -> Iterator[Cells]:
    """Yield the marginal means of `spec`, one set per combination of the `by` levels.

    Parameters
    ----------
    fit : Fitted
        A fitted model.
    spec : str or sequence of str
        Factor or factors, such as ``"schedule"`` or ``"flush:schedule"``.
    by : str or sequence of str, optional
        Factors to hold apart.

    Yields
    ------
    Cells
    """
    factors = split_terms(spec)
    groups = tuple(name for name in split_terms(by or ()) if name not in factors)
    if not factors:
        raise ModelError("name at least one factor to get means of")
    _checked_factors(fit, [*factors, *groups])
    levels = fit.design.levels
    others = [name for name in levels if name not in factors and name not in groups]
    rows = fit.design.grid_rows([*groups, *factors, *others])
    sizes = [math.prod(len(levels[name]) for name in part) for part in (groups, factors, others)]
    averaged = rows.reshape(*sizes, rows.shape[1]).mean(axis=2)
    combos = list(itertools.product(*(levels[name] for name in factors)))
    labels = tuple(combo[0] if len(combo) == 1 else ":".join(map(str, combo)) for combo in combos)
    for held, block in zip(
        itertools.product(*(levels[name] for name in groups)), averaged, strict=True
    ):
        yield Cells(factors, labels, tuple(combos), block, tuple(zip(groups, held, strict=True)))


def contrast_rows(fit: Fitted, L: Floats, *, df: str, level: float) -> tuple[pd.DataFrame, Floats]:
    """Estimate a family of linear combinations, all by one analysis.

    The rows are asked together, so that one method serves the whole family: differences add
    up, and their method is that of the joint test of the same rows.

    Parameters
    ----------
    fit : Fitted
        A fitted model.
    L : ndarray, shape (m, coefficients)
        One combination per row.
    df : str
        Small-sample method, as for `Fit.contrast`.
    level : float
        Confidence of each row's limits.

    Returns
    -------
    table : DataFrame
        Columns `estimate, se, df, low, high, t, p, method, note`, one row per combination;
        NaN and a note where one is not estimable.
    covariance : ndarray, shape (m, m)
        Of the estimates, small-sample adjusted; NaN for rows that are not estimable.
    """
    count = len(L)
    estimate, se, nu = (np.full(count, math.nan) for _ in range(3))
    method = np.full(count, "–", dtype=object)
    note = np.full(count, NOT_ESTIMABLE, dtype=object)
    covariance = np.full((count, count), math.nan)
    able = np.flatnonzero(fit.design.estimable(L))
    if len(able):
        got = fit._ask(L[able][:, fit.design.kept], df, joint=False)
        variance = np.einsum("ii->i", got.cov[0])
        estimate[able], nu[able] = got.estimate[0], got.df[0]
        se[able] = np.sqrt(np.where(variance > 0, variance, math.nan))
        method[able] = str(got.method[0])
        note[able] = row_notes(got.df[0], np.isfinite(se[able]))
        covariance[np.ix_(able, able)] = got.cov[0]
    t = estimate / se
    wide = t_quantile(level, nu) * se
    table = pd.DataFrame(
        {
            "estimate": estimate,
            "se": se,
            "df": nu,
            "low": estimate - wide,
            "high": estimate + wide,
            "t": t,
            "p": t_two_sided(t, nu),
            "method": method,
            "note": note,
        }
    )
    return table, covariance


def row_notes(df: Floats, known: NDArray[np.bool_]) -> list[str]:
    """Say of each row why it has no test, or next to none.

    Parameters
    ----------
    df : ndarray, shape (l,)
    known : ndarray of bool, shape (l,)
        Whether the row has a standard error.

    Returns
    -------
    list of str
    """
    out = []
    for nu, good in zip(df, known, strict=True):
        if not math.isfinite(nu):
            out.append(NO_DF)
        elif not good:
            out.append(NO_ERROR)
        else:
            out.append(FEW_DF if nu < ALMOST_NONE else "")
    return out


def means(
    fit: Fitted,
    spec: str | Sequence[str],
    *,
    by: str | Sequence[str] | None = None,
    df: str = "default",
    level: float | None = None,
) -> pd.DataFrame:
    """Estimate the marginal mean of each level of a factor, other factors weighted equally.

    Parameters
    ----------
    fit : Fitted
        A fitted model.
    spec : str or sequence of str
        Factor, or several joined by ``":"`` for the means of their combinations.
    by : str or sequence of str, optional
        Further factors to hold apart rather than average over.
    df : str
        Small-sample method, as for `Fit.contrast`.
    level : float, optional
        Confidence of each mean's limits (not joint); that of the fit by default.

    Returns
    -------
    DataFrame
        One row per mean: the `by` columns, `level` (and one column per factor where several
        are combined), `estimate, se, low, high` in the unit of the response, `df, method,
        note`. A mean that is not estimable holds NaN and says so in `note`.

    Raises
    ------
    ModelError
        `spec` or `by` names something that is not a factor of the fixed part.

    Notes
    -----
    Limits are ``estimate ± t_df se`` with the df of that mean, which are usually far fewer
    than those of a difference: a mean also carries the doubt about batches and chambers.
    Numeric covariates stand at their mean over the rows used.

    References
    ----------
    .. [1] Searle, Speed, Milliken (1980), doi:10.1080/00031305.1980.10483031
    """
    wanted = fit.level if level is None else level
    frames = []
    for cells in mean_cells(fit, spec, by=by):
        table, _ = contrast_rows(fit, cells.rows, df=df, level=wanted)
        table = table[["estimate", "se", "df", "low", "high", "method", "note"]]
        if len(cells.factors) > 1:
            for place, name in reversed(list(enumerate(cells.factors))):
                table.insert(0, name, [combo[place] for combo in cells.levels])
        table.insert(0, "level", list(cells.labels))
        for name, value in reversed(cells.by):
            table.insert(0, name, value)
        frames.append(table)
    return pd.concat(frames, ignore_index=True)
