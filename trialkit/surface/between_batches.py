"""Test whether settings act alike in every batch.

The limits of a surface are about the batches tried: what a setting does differently from batch to
batch is a part of what was seen in them. How far batches to come may differ could be allowed for by
a random slope; from the three or four batches of most trials its variance is hardly known, and the
limits would say next to nothing. So the difference is looked for, and told.
"""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from trialkit.errors import ModelError
from trialkit.model.answers.comparisons import holm
from trialkit.model.fit import fit
from trialkit.surface.fit_surface import Surface, term_name

#: Fewest error degrees of freedom at which a difference can be told from the units' own.
LEAST_DF = 3


def slopes_between_batches(surface: Surface, batch: str) -> pd.DataFrame:
    """Test for each setting whether its slope is the same in every batch.

    Parameters
    ----------
    surface : Surface
    batch : str
        Column of the model's table.

    Returns
    -------
    DataFrame
        Index ``setting``; ``num_df, den_df, F, p`` of a fit with the batches and batch × setting
        as fixed effects, and ``p_holm``. NaN where the units cannot tell, or no batch is known.

    Examples
    --------
    Two batches of six chambers; in the second the slope is the other way round:

    >>> import numpy as np
    >>> from trialkit.settings.setting_range import SettingRange
    >>> from trialkit.surface.fit_surface import fit_surface
    >>> table = pd.DataFrame({"batch": ["1"] * 6 + ["2"] * 6, "duty_pct": [2.0, 6, 10] * 4})
    >>> turn = np.where(table["batch"] == "1", 5.0, -5.0)
    >>> rest = np.random.default_rng(1).normal(0, 5, 12)
    >>> table["fresh_g"] = 500 + turn * (table["duty_pct"] - 6) + rest
    >>> duty = SettingRange("duty_pct", 2, 10, usual=10, unit="%")
    >>> surface = fit_surface(table, [duty], response="fresh_g", random=["batch"])
    >>> bool(slopes_between_batches(surface, "batch").loc["duty_pct", "p"] < 0.01)
    True
    """
    names = [setting.name for setting in surface.settings]
    found = [_slope_test(surface, batch, term_name([name], (1,))) for name in names]
    index = pd.Index(names, name="setting")
    table = pd.DataFrame(found, index=index, columns=["num_df", "den_df", "F", "p"], dtype=float)
    known = table["p"].notna()
    table["p_holm"] = math.nan
    if known.any():
        table.loc[known, "p_holm"] = holm(table.loc[known, "p"].to_numpy(dtype=float))
    return table


def _slope_test(surface: Surface, batch: str, slope: str) -> dict[str, Any]:
    """Test batch × slope beside the whole surface, batches as they are."""
    spec = surface.fit.spec
    if batch not in surface.fit.table or surface.fit.table[batch].nunique() < 2:
        return {}
    term = f"{batch}:{slope}"
    fixed = f"{spec.fixed} + {batch} + {term}"
    random = [name for name in spec.random if name != batch]
    try:
        made = fit(
            surface.fit.table, response=spec.response, fixed=fixed, random=random, level=spec.level
        )
        tests = made.tests()
    except ModelError:  # the units cannot hold the term
        return {}
    if term not in tests.index:
        return {}
    row = tests.loc[term]
    told = row["num_df"] >= 1 and row["den_df"] >= LEAST_DF
    return {name: row[name] for name in ("num_df", "den_df", "F", "p")} if told else {}
