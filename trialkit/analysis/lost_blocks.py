"""Shares of lost blocks by level, with limits and a p that count chamber runs, not blocks.

Blocks in one chamber run share its fate.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from trialkit.analysis.harvest_in import units_known
from trialkit.columns.harvest import LOST

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

    from trialkit.alignment.result import Aligned
    from trialkit.trial import Factor, Trial

#: Plans drawn anew for the p of lost blocks.
PLANS = 999


def cluster_interval(
    events: list[float], sizes: list[float], *, level: float = 0.95
) -> tuple[float, float, float]:
    """Give a proportion with limits that allow for clustering.

    Parameters
    ----------
    events, sizes : list of float
        Events and units of each cluster.
    level : float
        Two-sided confidence.

    Returns
    -------
    proportion, low, high : float

    Notes
    -----
    Clopper-Pearson limits at an effective sample size [1]_: the binomial variance over the
    variance between clusters, times the squared ratio of normal to t quantiles for the few
    clusters, and never more than the number of units. Where every cluster has the same
    proportion (all zero, say) the variance between clusters says nothing, and the number of
    clusters is used: the cautious end.

    References
    ----------
    .. [1] Korn, E. L. and Graubard, B. I. (1998). Confidence intervals for proportions with
       small expected number of positive counts estimated from survey data. Survey
       Methodology 24, 193-201.

    Examples
    --------
    No contaminated block in eight chamber runs of six:

    >>> p, low, high = cluster_interval([0] * 8, [6] * 8)
    >>> p, low, round(high, 3)
    (0.0, 0.0, 0.369)
    """
    from scipy import special

    k, n = len(sizes), float(sum(sizes))
    p = sum(events) / n
    spread = sum((e - p * m) ** 2 for e, m in zip(events, sizes, strict=True))
    if k < 2 or spread == 0:
        effective = float(k)
    else:
        variance = k / (k - 1) * spread / n**2
        shrink = special.ndtri((1 + level) / 2) / special.stdtrit(k - 1, (1 + level) / 2)
        effective = min(n, p * (1 - p) / variance * shrink**2)
    tail = (1 - level) / 2
    x = p * effective
    low = 0.0 if x <= 0 else float(special.betaincinv(x, effective - x + 1, tail))
    high = 1.0 if p >= 1 else float(special.betaincinv(x + 1, effective - x, 1 - tail))
    return p, low, high


def lost_shares(trial: Trial, data: Aligned) -> pd.DataFrame:
    """Count lost blocks among those whose fate is known: a block not harvested yet has none."""
    import pandas as pd

    table = data.table
    known = units_known(table)
    first = table.drop_duplicates("unit").set_index("unit")
    first = first[known.reindex(first.index).to_numpy(bool)]
    plans = _Plans(trial)
    rows = []
    for outcome in LOST:
        hit = (table["status"] == outcome).groupby(table["unit"]).any()
        # with nothing lost there is still an upper limit; of what nobody records there is none
        if not len(first) or not (outcome == "contaminated" or hit.any()):
            continue
        blocks = first.assign(event=hit.reindex(first.index).astype(float))
        for factor in trial.factors.values():
            rows += _by_level(trial, blocks, factor, outcome, plans)
    return pd.DataFrame(rows)


def _by_level(
    trial: Trial, blocks: pd.DataFrame, factor: Factor, outcome: str, plans: _Plans
) -> list[dict[str, object]]:
    keys = [*factor.applied_to, factor.name]
    clusters = blocks.groupby(keys, sort=False, observed=True)["event"].agg(["sum", "size"])
    clusters = clusters.reset_index()
    p_value = _redrawn_p(clusters, factor, plans)
    rows: list[dict[str, object]] = []
    for level, group in clusters.groupby(factor.name, sort=False, observed=True):
        share, low, high = cluster_interval(
            group["sum"].tolist(), group["size"].tolist(), level=trial.question.level
        )
        rows.append(
            {
                "factor": factor.name,
                "level": str(level),
                "outcome": outcome,
                "events": int(group["sum"].sum()),
                "blocks": int(group["size"].sum()),
                "clusters": len(group),
                "proportion": share,
                "low": low,
                "high": high,
                "p": p_value,
                "method": f"effective sample of {':'.join(factor.applied_to)}",
            }
        )
    return rows


class _Plans:
    """Plans drawn anew by the trial's own procedure, all treatments at once, when first needed."""

    def __init__(self, trial: Trial, draws: int = PLANS) -> None:
        self.trial, self.draws = trial, draws
        self._drawn: list[dict[str, np.ndarray]] = []

    def levels(self, factor: Factor) -> np.ndarray:
        """Give the place of the level of each unit, in plan order, shape (draws, units)."""
        import numpy as np

        from trialkit.design.layout.procedure import re_randomise
        from trialkit.design.layout.site import treated_sites

        if not self._drawn:
            rng, sites = np.random.default_rng(self.trial.seed), treated_sites(self.trial)
            self._drawn = [re_randomise(self.trial, rng, sites=sites) for _ in range(self.draws)]
        place = {name: i for i, name in enumerate(factor.levels)}
        return np.array(
            [[place[str(name)] for name in drawn[factor.name]] for drawn in self._drawn]
        )


def _redrawn_p(clusters: pd.DataFrame, factor: Factor, plans: _Plans) -> float:
    """Draw the plan anew; ask how often shares of lost blocks differ as much as they did.

    What a batch loses in all its units is taken out first, so that a bad batch hides nothing. A
    layout that allows no other plan gives no p.
    """
    import numpy as np

    share = clusters["sum"] / clusters["size"]
    if clusters[factor.name].nunique() < 2 or np.ptp(share) == 0:
        return math.nan
    columns = list(factor.applied_to)
    if "batch" in columns and len(columns) > 1:
        share = share - share.groupby(clusters["batch"].to_numpy()).transform("mean")
    units = plans.trial.strata_units(":".join(columns))[columns].astype(str)
    place = {key: i for i, key in enumerate(units.itertuples(index=False, name=None))}
    keys = clusters[columns].astype(str).itertuples(index=False, name=None)
    at = np.array([place[key] for key in keys])
    names = list(factor.levels)
    real = np.array([names.index(str(name)) for name in clusters[factor.name]])
    drawn = np.vstack([real, plans.levels(factor)[:, at]])
    value = np.zeros(len(drawn))
    for i in range(len(names)):
        mine = drawn == i
        value += (mine @ share.to_numpy(float)) ** 2 / np.maximum(mine.sum(axis=1), 1)
    return float((value >= value[0] - 1e-12).sum() / len(drawn))
