"""What a fit expects for rows of a table: any combination of treatments and covariates."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from trialkit.any_tables import as_pandas
from trialkit.errors import ModelError
from trialkit.model.answers.means import contrast_rows
from trialkit.model.columns.formula import expression_columns
from trialkit.model.fitted import Fitted

COLUMNS = ["estimate", "se", "df", "low", "high", "method", "note"]
VALUE_MISSING = "a value it needs is missing"


def predict(
    fit: Fitted, table: Any = None, *, df: str = "default", level: float | None = None
) -> pd.DataFrame:
    """Predict the mean response for the rows of a table.

    Parameters
    ----------
    fit : Fitted
        A fitted model.
    table : DataFrame, optional
        One column per factor and covariate of the fixed part; others are not read. Tables of
        polars and pyarrow are taken too. The rows of the fit by default.
    df : str
        Small-sample method, as for `Fit.contrast`.
    level : float, optional
        Confidence of each mean's limits (not joint); that of the fit by default.

    Returns
    -------
    DataFrame
        One row per row of the table, with its index: `estimate, se, df, low, high, method,
        note`. A row that lacks a value, or that the data cannot estimate, holds NaN and says so
        in `note`.

    Raises
    ------
    ModelError
        A column is missing, or a factor has a level that the fit has not seen.

    Notes
    -----
    This is the mean over units like those of the trial (random effects at zero), and its limits
    are those of the mean: single blocks vary more. The predicted effects of the trial's own
    units are in `Fit.effects`.

    Examples
    --------
    Two chambers a schedule, two blocks each; the mean of a schedule is that of its four blocks:

    >>> import pandas as pd
    >>> import trialkit as tk
    >>> blocks = pd.DataFrame({
    ...     "chamber": ["T1", "T1", "T2", "T2", "T3", "T3", "T4", "T4"],
    ...     "schedule": ["usual"] * 4 + ["sparse"] * 4,
    ...     "fresh_g": [300.0, 310, 290, 300, 280, 270, 275, 285],
    ... })
    >>> fitted = tk.fit(blocks, response="fresh_g", fixed="schedule", random=["chamber"])
    >>> fitted.predict(pd.DataFrame({"schedule": ["sparse", "usual"]}))["estimate"].tolist()
    [277.5, 300.0]
    """
    rows = fit.table if table is None else as_pandas(table)
    if rows is None:
        raise ModelError(
            f"predict needs a table with one row per prediction, not {type(table).__name__}: "
            f"give its columns {', '.join(_needed(fit)) or '(none)'}"
        )
    needed = _needed(fit)
    lacking = [name for name in needed if name not in rows]
    if lacking:
        raise ModelError(
            f"the table lacks {', '.join(map(repr, lacking))}: predict needs a column for each of "
            f"{', '.join(needed)}"
        )
    out = pd.DataFrame(np.nan, index=rows.index, columns=COLUMNS).astype(
        {"method": object, "note": object}
    )
    out["method"], out["note"] = "–", VALUE_MISSING
    known = rows[needed].notna().all(axis=1)
    if known.any():
        wanted = fit.level if level is None else level
        asked = _as_levels(fit, rows.loc[known, needed])
        L, again = np.unique(fit.design.rows(asked), axis=0, return_inverse=True)
        found, _ = contrast_rows(fit, L, df=df, level=wanted)
        out.loc[known, COLUMNS] = found[COLUMNS].iloc[again.ravel()].to_numpy()
    return out.astype(dict.fromkeys(COLUMNS[:5], float))


def _needed(fit: Fitted) -> list[str]:
    """Give the columns that the fixed part reads."""
    computed = [p.name for p in fit.design.parts.values() if p.spec is not None]
    read = [c for name in computed for c in expression_columns(name) if c in fit.table]
    return list(dict.fromkeys([*fit.design.levels, *fit.design.covariates, *read]))


def _as_levels(fit: Fitted, rows: pd.DataFrame) -> pd.DataFrame:
    """Take a level for what it is called, so that flush 1 may be written as 1 or as "1"."""
    named = {}
    for column, levels in fit.design.levels.items():
        by_name = {str(level): level for level in levels}
        named[column] = [
            value if value in levels else by_name.get(str(value), value) for value in rows[column]
        ]
    return rows.assign(**{str(c): pd.Series(v, rows.index, dtype=object) for c, v in named.items()})
