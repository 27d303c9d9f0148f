"""Every combination of a design's levels, for means and contrasts that a benchmark asks itself."""

from __future__ import annotations

import itertools

import pandas as pd

from trialkit.model.columns.matrices import Design


def level_grid(design: Design) -> pd.DataFrame:
    """Give one row per combination of factor levels, covariates at their means."""
    levels = design.levels
    grid = pd.DataFrame(list(itertools.product(*levels.values())), columns=list(levels))
    return grid.assign(**{n: v for n, v in design.typical.items() if n not in levels})
