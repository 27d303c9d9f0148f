"""How the limits and p of one ratio allow for all ratios asked at once."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
from scipy import special

from trialkit.arrays import Floats
from trialkit.model.answers.comparisons import correlation_of
from trialkit.model.inference.simultaneous import (
    largest_point,
    largest_tail,
    range_point,
    range_tail,
)


@dataclass(frozen=True)
class Family:
    """How one row's limits and p allow for all rows.

    ``T`` on the df of the row's difference turns a single p into a t and that into the chance
    of the largest of all rows. So the joint limits invert the joint p, whatever the df are at
    a ratio, and the joint p at a ratio of 1 is half that of the difference in
    `trialkit.model.answers.comparisons.differences`.
    """

    df: float
    point: float | None = None
    tail: Callable[[float], float] | None = None

    def single_level(self, level: float) -> float:
        """Give the confidence of the single limits that hold jointly at `level`."""
        if self.point is None:
            return level
        return max(level, 1 - 2 * float(special.stdtr(self.df, -self.point)))

    def joint(self, p: float) -> float:
        """Turn a one-sided p of this row alone into one that allows for all rows."""
        if self.tail is None or not 0 < p < 0.5:
            return p
        return max(p, self.tail(-float(special.stdtrit(self.df, p))) / 2)


def ratio_families(
    rows: pd.DataFrame, covariance: Floats, means: int, adjust: str, level: float
) -> list[Family]:
    """Give the allowance of each level for all of them (see `Family`)."""
    known = np.flatnonzero(np.isfinite(rows["se"].to_numpy(dtype=float)))
    dfs = rows["df"].to_numpy(dtype=float).round(9)
    if adjust == "none" or len(known) < 2:
        return [Family(df) for df in dfs]
    out = []
    correlation = correlation_of(np.asarray(covariance)[np.ix_(known, known)])
    for df in dfs:
        if not df > 0:
            out.append(Family(df))
        elif adjust == "dunnett":
            point = largest_point(level, correlation, df)
            out.append(Family(df, point, partial(_largest, correlation, df)))
        else:
            point = range_point(level, means, df) / math.sqrt(2)
            out.append(Family(df, point, partial(_range, means, df)))
    return out


def _largest(correlation: Floats, df: float, t: float) -> float:
    return largest_tail(t, correlation, df)[0]


def _range(means: int, df: float, t: float) -> float:
    return range_tail(t * math.sqrt(2), means, df)
