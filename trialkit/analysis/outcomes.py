"""What else a trial tells: contamination, caps, days to harvest, biological efficiency.

Blocks in one chamber run share its fate, so proportions get intervals that count chamber
runs, not blocks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from trialkit.columns import head
from trialkit.display import Shown, show_table
from trialkit.errors import ModelError
from trialkit.wording import Message, Wording, message, spoken
from trialkit.wording.method_names import method_words

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.alignment.result import Aligned
    from trialkit.trial import Factor, Trial


@dataclass(frozen=True)
class Outcomes:
    """Outcomes beside yield. Make it with `other_outcomes`.

    Parameters
    ----------
    proportions : DataFrame
        `factor, level, outcome, events, blocks, clusters, proportion, low, high, p` (of any
        difference between levels), `method`.
    measured : DataFrame
        `outcome, factor, level, estimate, low, high, df, method` for each recorded outcome and
        level of the primary treatment.
    efficiency : DataFrame
        Per level: `factor, level, be_total_pct` (all flushes), `be_per_day_pct` (divided by
        the days from start of fruiting to the last harvest), `dry_share_pct` where dried.
    notes : tuple of Message
        What could not be worked out, and why.
    """

    proportions: pd.DataFrame
    measured: pd.DataFrame
    efficiency: pd.DataFrame
    notes: tuple[Message, ...]

    def shown(self) -> list[Shown]:
        """Format each table."""
        say = spoken()
        return [
            show_table(
                shown_outcomes(table, say),
                heads={name: say.either(f"column.{name}", head(name)) for name in table},
                caption=say.text(f"outcome_table.{name}"),
                notes=[str(note) for note in self.notes],
            )
            for name in ("proportions", "measured", "efficiency")
            if len(table := getattr(self, name))
        ]

    def __str__(self) -> str:
        return "\n\n".join(table.text() for table in self.shown())

    def _repr_html_(self) -> str:
        return "".join(table.html() for table in self.shown())


def shown_outcomes(table: pd.DataFrame, say: Wording) -> pd.DataFrame:
    """Name outcomes and methods as people read them.

    Parameters
    ----------
    table : DataFrame
        One of the tables of `Outcomes`.
    say : Wording

    Returns
    -------
    DataFrame
        A copy.
    """
    out = table.copy()
    if "outcome" in out:
        out["outcome"] = [
            say.either(f"status.{name}", say.either(f"column.{name}", head(name)))
            for name in out["outcome"]
        ]
    if "method" in out:
        out["method"] = [method_words(str(name), say) for name in out["method"]]
    return out


def other_outcomes(trial: Trial, data: Aligned) -> Outcomes:
    """Summarise contamination, what else was measured at harvest, and biological efficiency.

    Parameters
    ----------
    trial : Trial
    data : Aligned

    Returns
    -------
    Outcomes
    """
    import pandas as pd

    from trialkit.analysis.fit_response import fit_response

    notes: list[Message] = []
    measured = []
    # biological efficiency is yield over a constant, so it has a table of its own instead
    recorded = [name for name, column in trial.harvest_columns.items() if column.outcome]
    for name in (*recorded, "days"):
        if name == trial.question.response or name not in data.table:
            continue
        if data.table[name].notna().sum() == 0:
            continue
        try:
            _, _, fit = fit_response(trial, data, response=name)
            means = fit.means(trial.question.primary)
        except ModelError as problem:
            notes.append(message("outcome_table.not_said", outcome=name, problem=str(problem)))
            continue
        kept = means[["level", "estimate", "low", "high", "df", "method"]]
        measured.append(kept.assign(outcome=name, factor=trial.question.primary))
    return Outcomes(
        proportions=_proportions(trial, data),
        measured=pd.concat(measured, ignore_index=True) if measured else pd.DataFrame(),
        efficiency=_efficiency(trial, data),
        notes=tuple(notes),
    )


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


def _proportions(trial: Trial, data: Aligned) -> pd.DataFrame:
    import pandas as pd

    blocks = data.table.copy()
    rows = []
    for outcome in ("contaminated", "discarded"):
        hit = (blocks["status"] == outcome).groupby(blocks["unit"]).any()
        if not hit.any():
            continue
        first = blocks.drop_duplicates("unit").set_index("unit")
        first = first.assign(event=hit.reindex(first.index).astype(float))
        for factor in trial.factors.values():
            rows += _by_level(trial, first, factor, outcome)
    return pd.DataFrame(rows)


def _by_level(
    trial: Trial, blocks: pd.DataFrame, factor: Factor, outcome: str
) -> list[dict[str, object]]:
    keys = [*factor.applied_to, factor.name]
    clusters = blocks.groupby(keys, sort=False, observed=True)["event"].agg(["sum", "size"])
    clusters = clusters.reset_index()
    p_value = _permutation_p(clusters, factor.name, trial.seed)
    rows: list[dict[str, object]] = []
    for level, group in clusters.groupby(factor.name, sort=False, observed=True):
        share, low, high = cluster_interval(
            group["sum"].tolist(), group["size"].tolist(), level=trial.question.level
        )
        rows.append(
            {"factor": factor.name, "level": str(level), "outcome": outcome,
             "events": int(group["sum"].sum()), "blocks": int(group["size"].sum()),
             "clusters": len(group), "proportion": share, "low": low, "high": high,
             "p": p_value, "method": f"effective sample of {':'.join(factor.applied_to)}"}
        )  # fmt: skip
    return rows


def _permutation_p(clusters: pd.DataFrame, name: str, seed: int) -> float:
    """Shuffle levels over clusters; ask how often proportions differ as much as they did."""
    import numpy as np

    share = (clusters["sum"] / clusters["size"]).to_numpy()
    codes = clusters[name].factorize()[0]
    if codes.max() < 1 or np.ptp(share) == 0:
        return math.nan
    rng = np.random.default_rng(seed)
    counts = np.bincount(codes)

    def between(labels: np.ndarray) -> float:
        sums = np.bincount(labels, weights=share, minlength=len(counts))
        return float(np.sum(sums**2 / counts))

    seen = between(codes)
    draws = 9999
    hits = sum(between(rng.permutation(codes)) >= seen - 1e-12 for _ in range(draws))
    return (hits + 1) / (draws + 1)


def _efficiency(trial: Trial, data: Aligned) -> pd.DataFrame:
    import pandas as pd

    substrate = trial.blocks.dry_substrate_g
    if not substrate or "fresh_g" not in data.table:
        return pd.DataFrame()
    table = data.table
    whole = table.groupby("unit")["fresh_g"].apply(lambda g: g.notna().all())
    table = table[table["unit"].map(whole)]
    if not len(table):
        return pd.DataFrame()
    blocks = table.groupby("unit", sort=False).agg(
        fresh=("fresh_g", "sum"), days=("days", "max"), dry=("dry_g", "sum")
    )
    levels = table.drop_duplicates("unit").set_index("unit")[list(trial.factors)]
    blocks = blocks.join(levels)
    blocks["be"] = 100 * blocks["fresh"] / substrate
    rows = []
    for name in trial.factors:
        for level, group in blocks.groupby(name, sort=False, observed=True):
            dried = group["dry"].sum()
            rows.append(
                {"factor": name, "level": str(level), "blocks": len(group),
                 "be_total_pct": group["be"].mean(),
                 "be_per_day_pct": (group["be"] / group["days"]).mean(),
                 "dry_share_pct": 100 * dried / group["fresh"].sum() if dried else math.nan}
            )  # fmt: skip
    return pd.DataFrame(rows)
