"""The trials by what they differ in: a view, never a proof."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from trialkit.decision.pooling import combine_estimates
from trialkit.federation.answer import RIG
from trialkit.federation.pool import PooledAnswers

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.federation.answer import TrialAnswer

#: What trials are looked at by.
KINDS = ("species", "season", "rig")
#: Groups shown of one kind.
_MOST = 12


def views_of(pooled: PooledAnswers) -> dict[str, pd.DataFrame]:
    """Show the answer by species, by season and by rig, where trials differ in it.

    Parameters
    ----------
    pooled : PooledAnswers

    Returns
    -------
    dict
        Kind → one row per group: `group, trials, ratio, low, high`; a group of one trial has
        that trial's own limits. Of many groups the largest. Kinds that do not differ, or are
        known of no trial, are left out.

    Notes
    -----
    No test: species, seasons and rooms were not given to trials by chance, and a grower has
    often one of each. What looks like one may be the other.
    """
    import pandas as pd

    table = pooled.table
    out = {}
    for kind in KINDS:
        named = [_group(kind, answer) for answer in pooled.answers]
        if len(set(named) - {""}) < 2:
            continue
        frame = table.assign(group=[n or "?" for n in named])
        sizes = frame["group"].value_counts(sort=True).head(_MOST)
        rows = []
        for name in sizes.index:
            own = frame[frame["group"] == name]
            y, se = own["estimate"].to_numpy(float), own["se"].to_numpy(float)
            if len(own) > 1:
                got = combine_estimates(y, se**2, level=pooled.level)
                ends = (got.estimate, got.low, got.high)
            else:
                half = float(special.stdtrit(own["df"].iloc[0], (1 + pooled.level) / 2) * se[0])
                ends = (float(y[0]), float(y[0]) - half, float(y[0]) + half)
            ratio, low, high = np.exp(np.minimum(ends, 700))
            rows.append((name, len(own), ratio, low, high))
        out[kind] = pd.DataFrame(rows, columns=["group", "trials", "ratio", "low", "high"])
    return out


def _group(kind: str, answer: TrialAnswer) -> str:
    """Name the group of a trial; empty where it is not known."""
    if kind == "species":
        return answer.species.strip()
    if kind == "season":
        return quarter(answer.begun)
    known = {n: answer.rig.get(n, math.nan) for n in RIG[:2]}
    return ", ".join(f"{n} = {v:g}" for n, v in known.items() if math.isfinite(v))


def quarter(begun: str) -> str:
    """Give the quarter of a year that a month lies in; empty where there is none.

    Examples
    --------
    >>> quarter("2031-05"), quarter("")
    ('04-06', '')
    """
    if not begun:
        return ""
    first = 3 * ((int(begun[5:7]) - 1) // 3) + 1
    return f"{first:02d}-{first + 2:02d}"
