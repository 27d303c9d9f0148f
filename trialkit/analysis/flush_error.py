"""The plain test of flush, judged against how flushes differ between batches.

A good first flush in one batch is shared by all its chambers, so blocks and runs say nothing of
how far flushes differ by chance. The test is made in a model of its own with a random term
batch × flush: the main model, and every other test, stays as it is.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from trialkit.errors import Finding, ModelError
from trialkit.wording import finding

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.model.fit import Fit

FLUSH, TERM = "flush", "batch:flush"


def with_flush_test(tests: pd.DataFrame, fit: Fit) -> tuple[pd.DataFrame, list[Finding]]:
    """Put the test of flush against batch × flush into a table of tests.

    Parameters
    ----------
    tests : DataFrame
        One row per fixed term, made by `fit.tests()`.
    fit : Fit

    Returns
    -------
    tests : DataFrame
        With the row of flush replaced where there are two batches or more.
    findings : list of Finding
        Where a single batch leaves flush without an error of its own.
    """
    if FLUSH not in tests.index or TERM in fit.spec.random:
        return tests, []
    if "batch" not in fit.table or fit.table["batch"].nunique() < 2:
        return tests, [finding("flush_of_one_batch", "note")]
    out = tests.copy()
    try:
        row = fit.refit(random=[*fit.spec.random, TERM]).tests().loc[FLUSH]
        out.loc[FLUSH, list(row.index)] = row.to_numpy()
    except ModelError:
        out.loc[FLUSH, ["den_df", "F", "p"]] = np.nan
        out.loc[FLUSH, "method"] = "not computed: the rows cannot hold batch × flush"
    return out, []
