"""The numbers that a repeated analysis is compared with, all by Kenward and Roger's method."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from trialkit.errors import ModelError
from trialkit.model.answers.means import mean_cells
from trialkit.model.inference.tails import f_upper

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.arrays import Floats
    from trialkit.model.fit import Fit

METHOD = "kenward-roger"
#: F below this are compared by their absolute difference: near zero only rounding is left.
_SMALL_F = 1.0

_Row = tuple[str, str, str, float, float]


def check_values(
    fit: Fit,
    levels: Mapping[str, Sequence[str]],
    names: Mapping[str, str],
    *,
    margins: Mapping[str, float],
    logarithm: bool,
) -> pd.DataFrame:
    """Give variances, tests, means and differences with variances held at or above zero.

    Parameters
    ----------
    fit : Fit
    levels : mapping
        Factor of the fixed part, as named in the files → its levels as written there.
    names : mapping
        Column → its name in the files.
    margins, logarithm
        As for `trialkit.archive.for_r.write_for_r`.

    Returns
    -------
    DataFrame
        `kind, of, quantity, trialkit, scale`. Rows for which the method gives no test are left
        out. A difference counts as a share of `scale`: the value itself; the standard error for
        an estimate; the sum of the variances for a variance; 1 for p and for an F below 1.

    Raises
    ------
    ModelError
        If the model cannot be fitted with variances held at or above zero.
    """
    import pandas as pd

    held = fit.refit(variances="nonnegative")
    rows = [*_variances(held, names), *_tests(held, names)]
    for column, short in names.items():
        if short in levels:
            rows += _means(held, column, short, levels[short], margins.get(column), logarithm)
    for column in slopes(held):
        at = np.array([[float(name == column) for name in held.names]])
        rows += _estimates(held, "slope", [names[column]], at)
    return pd.DataFrame(rows, columns=["kind", "of", "quantity", "trialkit", "scale"])


def slopes(fit: Fit) -> list[str]:
    """List the numeric columns that have one slope: they stand in no product with others."""
    out = []
    for part in fit.design.parts.values():
        within = [term for term in fit.design.terms if part.name in term]
        if part.levels is None and within == [(part.name,)]:
            out.append(part.column)
    return out


def _alike(term: str, names: Mapping[str, str]) -> str:
    """Write the parts of a term in one order, as R may turn them round."""
    return ":".join(sorted(names.get(part, part) for part in term.split(":")))


def _variances(fit: Fit, names: Mapping[str, str]) -> list[_Row]:
    total = float(fit.variances.sum())
    out: list[_Row] = []
    for name, value in fit.variances.items():
        if " by " in str(name):
            continue  # of a slope, in other units
        of = "Residual" if name == "residual" else _alike(str(name), names)
        out.append(("variance", of, "variance", float(value), total))
    return out


def _tests(fit: Fit, names: Mapping[str, str]) -> list[_Row]:
    if not fit.design.kept.all():
        return []  # where cells are missing, programs differ in the hypothesis they test
    columns = {part.name: names[part.column] for part in fit.design.parts.values()}
    out: list[_Row] = []
    for term, row in fit.tests(METHOD).iterrows():
        if row["method"] != METHOD or not math.isfinite(row["F"]):
            continue
        of = _alike(str(term), columns)
        num, den, F = float(row["num_df"]), float(row["den_df"]), float(row["F"])
        out += [
            ("test", of, "num_df", num, num),
            ("test", of, "den_df", den, den),
            ("test", of, "F", F, max(F, _SMALL_F)),
            ("test", of, "p", float(f_upper(F, num, den)), 1.0),
        ]
    return out


def _estimates(
    fit: Fit, kind: str, of: Sequence[str], L: Floats, *, minus: float = 0.0, edge: float = 0.0
) -> list[_Row]:
    """Give estimate, se and df of each row; and the one-sided p where there is an edge."""
    from scipy import special

    out: list[_Row] = []
    table = fit.contrast(L, df=METHOD)
    for name, row in zip(of, table.to_dict("records"), strict=True):
        if row["method"] != METHOD or not all(math.isfinite(row[c]) for c in ("se", "df")):
            continue
        estimate, se, df = (float(row[c]) for c in ("estimate", "se", "df"))
        estimate -= minus
        out += [
            (kind, name, "estimate", estimate, se),
            (kind, name, "se", se, se),
            (kind, name, "df", df, df),
        ]
        if edge:
            away = estimate / se if edge > 1 else -estimate / se
            out.append((kind, name, "p", float(special.stdtr(df, away)), 1.0))
    return out


def _means(
    fit: Fit, column: str, short: str, texts: Sequence[str], edge: float | None, logarithm: bool
) -> list[_Row]:
    """Give means, differences from the first level, and tests at the edge, of one factor."""
    try:
        (cells,) = mean_cells(fit, column)
    except ModelError:
        return []
    out = _estimates(fit, "mean", [f"{short} = {text}" for text in texts], cells.rows)
    if len(texts) < 2:
        return out
    pairs = [f"{short}: {text} - {texts[0]}" for text in texts[1:]]
    out += _estimates(fit, "difference", pairs, cells.rows[1:] - cells.rows[0])
    if edge is not None:
        share, minus = (1.0, math.log(edge)) if logarithm else (edge, 0.0)
        rows = cells.rows[1:] - share * cells.rows[0]
        out += _estimates(fit, "margin", pairs, rows, minus=minus, edge=edge)
    return out
