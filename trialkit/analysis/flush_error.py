"""The plain test of flush and means by flush, judged against how flushes differ between batches.

A good first flush in one batch is shared by all its chambers, so blocks and runs say nothing of
how far flushes differ by chance. Both are made in a model of their own with a random term
batch × flush: the main model, and every other test, stays as it is.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from trialkit.errors import Finding, ModelError
from trialkit.trial.over_time import TIME_BLOCK
from trialkit.wording import finding

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.model.fit import Fit

FLUSH, TERM = "flush", "batch:flush"


def fit_for_flush(fit: Fit) -> Fit | None:
    """Fit again with a random term batch × flush.

    Parameters
    ----------
    fit : Fit

    Returns
    -------
    Fit or None
        The fit itself where it has the term, or has a single batch or none; None where the rows
        cannot hold it.
    """
    has = any(set(term.split(":")) - {TIME_BLOCK} == {"batch", FLUSH} for term in fit.spec.random)
    if has or not _has_batches(fit):
        return fit
    try:
        return fit.refit(random=[*fit.spec.random, TERM])
    except ModelError:
        return None


def with_flush_test(
    tests: pd.DataFrame, fit: Fit, made: Fit | None
) -> tuple[pd.DataFrame, list[Finding]]:
    """Put the test of flush against batch × flush into a table of tests.

    Parameters
    ----------
    tests : DataFrame
        One row per fixed term, made by `fit.tests()`.
    fit : Fit
    made : Fit or None
        From `fit_for_flush`.

    Returns
    -------
    tests : DataFrame
        With the row of flush replaced where there are two batches or more.
    findings : list of Finding
        Where a single batch leaves flush without an error of its own.
    """
    if FLUSH not in tests.index or made is fit:
        alone = FLUSH in tests.index and not _has_batches(fit)
        return tests, [finding("flush_of_one_batch", "note")] if alone else []
    out = tests.copy()
    if made is None:
        out.loc[FLUSH, ["den_df", "F", "p"]] = np.nan
        out.loc[FLUSH, "method"] = "not computed: the rows cannot hold batch × flush"
    else:
        row = made.joint(made.design.hypothesis(FLUSH))
        out.loc[FLUSH, list(row)] = list(row.values())
    return out, []


def _has_batches(fit: Fit) -> bool:
    return "batch" in fit.table and fit.table["batch"].nunique() > 1
