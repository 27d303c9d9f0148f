"""One call from a table to a fitted mixed model, and the class whose methods answer questions.

The fit is four steps that can be looked at alone: columns (`trialkit.model.columns`),
cross-products and the maximum of the restricted likelihood (`trialkit.model.likelihood`), and
tests (`trialkit.model.inference`). What one asks of a fit is in `trialkit.model.answers`, what
could mislead in `trialkit.model.checks`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from trialkit.errors import Finding  # noqa: F401 (fields that Fit inherits)
from trialkit.model.answers import (
    comparisons,
    contrasts,
    predictions,
    ratios,
    variance_at_zero,
    variance_limits,
)
from trialkit.model.answers import means as marginal_means
from trialkit.model.checks import diagnosis
from trialkit.model.fitted import Fitted
from trialkit.model.likelihood.prepare import Prepared, Spec, prepare  # noqa: F401
from trialkit.model.solvers import Solver  # noqa: F401


def fit(
    table: pd.DataFrame,
    *,
    response: str,
    fixed: str,
    random: str | Sequence[str] = (),
    variances: str = "free",
    residual_by: str | None = None,
    level: float = 0.95,
) -> Fit:
    """Fit a linear mixed model by restricted maximum likelihood.

    For trials in which units are nested or crossed and few: blocks in
    chambers, chambers crossed with batches. Tests and intervals use small-sample
    degrees of freedom, and every row says which method gave them.

    Parameters
    ----------
    table : DataFrame
        One row per observation; tables of polars and pyarrow are taken too.
    response : str
        Numeric column to explain.
    fixed : str
        Fixed part in Wilkinson–Rogers notation, such as ``"schedule * flush + light"``.
        Text, boolean and categorical columns are factors; numeric columns are covariates
        (``C(flush)`` makes a factor of a numeric one).
    random : str or sequence of str
        Random terms: ``"batch"``; ``"batch:chamber"`` for combinations;
        ``"days by batch"`` for an independent random coefficient of a numeric column.
    variances : {"free", "nonnegative"}
        ``"free"`` lets a component be estimated below zero while the covariance of the data
        stays positive definite, as the analysis of variance does; ``"nonnegative"`` holds it
        at zero.
    residual_by : str, optional
        Column whose levels each get their own residual variance.
    level : float
        Confidence level of intervals.

    Returns
    -------
    Fit

    Raises
    ------
    ModelError
        The model cannot be fitted as asked; the message names the column and the remedy.

    References
    ----------
    .. [1] Patterson HD, Thompson R (1971). Recovery of inter-block information when block
       sizes are unequal. Biometrika 58:545-554. doi:10.1093/biomet/58.3.545

    Examples
    --------
    Six invented chambers, two schedules, four blocks weighed in each:

    >>> import numpy as np, pandas as pd
    >>> rng = np.random.default_rng(3)
    >>> table = pd.DataFrame({
    ...     "chamber": np.repeat(["T1", "T2", "T3", "T4", "T5", "T6"], 4),
    ...     "schedule": np.repeat(["usual", "sparse"] * 3, 4),
    ... })
    >>> table["fresh_g"] = 400 + np.repeat(rng.normal(0, 20, 6), 4) + rng.normal(0, 30, 24)
    >>> result = fit(table, response="fresh_g", fixed="schedule", random=["chamber"])
    >>> row = result.tests().loc["schedule"]
    >>> int(row.num_df), round(float(row.den_df), 6), row.method
    (1, 4.0, 'kenward-roger')
    """
    spec = Spec(
        response=response,
        fixed=fixed,
        random=(random,) if isinstance(random, str) else tuple(random),
        variances=variances,
        residual_by=residual_by,
        level=level,
    )
    return Fit.of(prepare(table, spec))


@dataclass(frozen=True, eq=False)
class Fit(Fitted):
    """A fitted mixed model that answers questions. Made by `fit`.

    What it holds (estimates, tests, objective, predicted effects, record) is described at
    `Fitted`; the methods here are the functions of the rooms they come from.

    Examples
    --------
    >>> import pandas as pd
    >>> import trialkit as tk
    >>> table = pd.DataFrame({
    ...     "chamber": ["T1", "T1", "T2", "T2", "T3", "T3", "T4", "T4"],
    ...     "schedule": ["usual"] * 4 + ["sparse"] * 4,
    ...     "fresh_g": [300.0, 310, 290, 300, 280, 270, 275, 285],
    ... })
    >>> fitted = tk.fit(table, response="fresh_g", fixed="schedule", random=["chamber"])
    >>> fitted.means("schedule")["estimate"].tolist()
    [277.5, 300.0]
    """

    means = marginal_means.means
    predict = predictions.predict
    differences = comparisons.differences
    noninferior = ratios.noninferior
    equivalent = ratios.equivalent
    trends = contrasts.trends
    interactions = contrasts.interactions
    diagnose = diagnosis.diagnose
    profile_intervals = variance_limits.profile_intervals
    bootstrap_intervals = variance_limits.bootstrap_intervals
    lr_test = variance_at_zero.lr_test


__all__ = ["Fit", "fit"]
