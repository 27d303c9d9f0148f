"""Which chambers differ from the others, constant by constant."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pandas as pd

from trialkit.chamber.roomfit import RATES, RoomFit


def compare_chambers(
    fits: Mapping[str, RoomFit], level: float, smallest_ratio: float
) -> pd.DataFrame:
    """Compare each chamber with the others, constant by constant."""
    columns = ["constant", "chamber", "ratio", "low", "high", "p", "differs"]
    if len(fits) < 2:
        return pd.DataFrame(columns=columns)
    parts = []
    for name in RATES:
        known = {chamber: fit for chamber, fit in fits.items() if name in fit.determined}
        if len(known) > 1:
            parts.append(_against_others(name, known, level, smallest_ratio))
    if not parts:
        return pd.DataFrame(columns=columns)
    return pd.concat(parts, ignore_index=True)[columns]


def _against_others(
    name: str, fits: Mapping[str, RoomFit], level: float, smallest_ratio: float
) -> pd.DataFrame:
    """Compare chambers with the weighted mean of those alike, setting odd ones apart in turn.

    Without that, one odd chamber would make all the others look odd.
    """
    from scipy.stats import norm

    logs = np.array([math.log(fit.estimates["estimate"][name]) for fit in fits.values()])
    se = np.array([max(fit.log_se[name], 1e-9) for fit in fits.values()])
    tests = len(RATES) * len(fits)
    alike = np.ones(len(logs), dtype=bool)
    while True:
        gap, gap_se = np.empty(len(logs)), np.empty(len(logs))
        for k in range(len(logs)):
            others = alike.copy()
            others[k] = False
            weight = others / se**2
            gap[k] = logs[k] - float(weight @ logs) / weight.sum()
            gap_se[k] = math.hypot(se[k], 1 / math.sqrt(weight.sum()))
        p = np.minimum(2 * norm.sf(np.abs(gap) / gap_se) * tests, 1.0)
        differs = (np.abs(gap) >= math.log(smallest_ratio)) & (p < 1 - level)
        if not (differs & alike).any() or alike.sum() <= 2:
            break
        alike[int(np.argmax(np.where(differs & alike, np.abs(gap) / gap_se, -1.0)))] = False
    width = float(norm.ppf(0.5 + level / 2))
    return pd.DataFrame(
        {
            "constant": name,
            "chamber": list(fits),
            "ratio": np.exp(gap),
            "low": np.exp(gap - width * gap_se),
            "high": np.exp(gap + width * gap_se),
            "p": p,
            "differs": differs,
        }
    )
