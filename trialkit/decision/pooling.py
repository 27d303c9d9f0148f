"""Several trials in one room taken together: each shown, then pooled with honest doubt."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from trialkit.display import Shown, show_table
from trialkit.errors import ModelError

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.analysis import Analysis


@dataclass(frozen=True)
class Pooled:
    """Ratios of one level to its control over several trials. Make it with `pool_trials`.

    Parameters
    ----------
    level, against : str
    table : DataFrame
        `trial, ratio, low, high, weight_pct`, one row per trial and a last row ``"pooled"``.
    between_sd : float
        Standard deviation of the true log ratio between trials.
    variances : DataFrame
        For the next sample size: `term, smallest, pooled, largest, trials`.
    """

    level: str
    against: str
    table: pd.DataFrame
    between_sd: float
    variances: pd.DataFrame

    def shown(self) -> Shown:
        """Format the trials and what they say together."""
        return show_table(
            self.table,
            caption=f"{self.level} as a ratio to {self.against}, {len(self.table) - 1} trials",
            notes=["Pooled with a random trial effect; limits allow for few trials."],
        )

    def __str__(self) -> str:
        return self.shown().text()

    def _repr_html_(self) -> str:
        return self.shown().html()


def log_ratio(result: Analysis, level: str) -> tuple[float, float]:
    """Give the log of a level's ratio to the control, and its standard error (delta method)."""
    import numpy as np

    from trialkit.model.means import mean_cells

    factor = result.trial.primary
    (cells,) = mean_cells(result.fit, factor.name)
    at = {str(label): i for i, label in enumerate(cells.labels)}
    for name in (level, factor.reference):
        if name not in at:
            raise ModelError(f"trial {result.trial.title!r} has no level {name!r}")
    L = cells.rows[[at[level], at[factor.reference]]]
    means = L @ result.fit.beta
    if result.scale == "logarithm":  # the fit is of logarithms already
        apart = result.fit.contrast((L[0] - L[1])[None, :]).iloc[0]
        return float(apart["estimate"]), float(apart["se"])
    if (means <= 0).any():
        raise ModelError(f"trial {result.trial.title!r}: a mean is not above zero")
    cov = result.fit.contrast_cov(L)
    slope = np.array([1 / means[0], -1 / means[1]])
    return math.log(means[0] / means[1]), math.sqrt(float(slope @ cov @ slope))


def pool_trials(results: Sequence[Analysis], *, level: str) -> Pooled:
    """Take several trials of the same two settings together.

    Parameters
    ----------
    results : sequence of Analysis
        At least two, each with `level` and a control.
    level : str
        Level of the primary treatment that is compared with the control.

    Returns
    -------
    Pooled

    Raises
    ------
    ModelError
        With fewer than two trials or where one lacks the level.

    Notes
    -----
    Log ratios with a random trial effect (Paule-Mandel variance) and the interval of Hartung
    and Knapp on k - 1 df [1]_, computed by statsmodels. With two or three trials it is wide,
    and should be.

    References
    ----------
    .. [1] Hartung, J. and Knapp, G. (2001). On tests of the overall treatment effect in
       meta-analysis with normally distributed responses. Stat Med 20, 1771-1782.
       doi:10.1002/sim.791
    """
    import numpy as np
    import pandas as pd
    from scipy import special
    from statsmodels.stats.meta_analysis import combine_effects

    if len(results) < 2:
        raise ModelError("pooling needs at least two trials")
    pairs = np.array([log_ratio(result, level) for result in results])
    confidence = results[0].trial.question.level
    got = combine_effects(pairs[:, 0], pairs[:, 1] ** 2, method_re="iterated", use_t=True)
    k = len(results)
    # Hartung & Knapp (2001): the pooled variance is scaled by the weighted spread seen
    weights = 1 / (pairs[:, 1] ** 2 + max(float(got.tau2), 0.0))
    centre = float(weights @ pairs[:, 0] / weights.sum())
    spread = float(weights @ (pairs[:, 0] - centre) ** 2) / (k - 1)
    reach = special.stdtrit(k - 1, (1 + confidence) / 2) * math.sqrt(spread / weights.sum())
    rows = []
    for result, (value, se), weight in zip(results, pairs, weights, strict=True):
        row = result.ratios[result.ratios["level"].astype(str) == level].iloc[0]
        rows.append(
            {"trial": result.trial.title, "ratio": math.exp(value), "low": row["low"],
             "high": row["high"], "se_log": se, "weight_pct": 100 * weight / weights.sum()}
        )  # fmt: skip
    rows.append(
        {"trial": "pooled", "ratio": math.exp(centre), "low": math.exp(centre - reach),
         "high": math.exp(centre + reach), "se_log": math.sqrt(spread / weights.sum()),
         "weight_pct": 100.0}
    )  # fmt: skip
    return Pooled(
        level=level,
        against=results[0].trial.primary.reference,
        table=pd.DataFrame(rows),
        between_sd=math.sqrt(max(float(got.tau2), 0.0)),
        variances=_pooled_variances(results),
    )


def _pooled_variances(results: Sequence[Analysis]) -> pd.DataFrame:
    """Average each variance over trials, weighted by how many units it was estimated from."""
    import pandas as pd

    rows = []
    for result in results:
        table = result.fit.table
        for term, value in result.fit.variances.items():
            names = [n for n in str(term).split(":") if n in table]
            units = len(table[names].drop_duplicates()) if names else len(table)
            rows.append({"term": str(term), "value": float(value), "units": units})
    frame = pd.DataFrame(rows)
    out = []
    for term, group in frame.groupby("term", sort=False):
        pooled = (group["value"] * group["units"]).sum() / group["units"].sum()
        out.append(
            {"term": term, "smallest": group["value"].min(), "pooled": pooled,
             "largest": group["value"].max(), "trials": len(group)}
        )  # fmt: skip
    return pd.DataFrame(out)
