"""What else a trial tells: contamination, caps, days to harvest, biological efficiency.

Blocks in one chamber run share its fate, so proportions get intervals that count chamber
runs, not blocks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from trialkit.analysis.harvest_in import units_known
from trialkit.columns import head
from trialkit.columns.harvest import LOST
from trialkit.display import Shown, show_table
from trialkit.errors import ModelError
from trialkit.right_kind import check_kinds
from trialkit.short_repr import short_repr
from trialkit.wording import Message, Wording, message, spoken
from trialkit.wording.method_names import method_words

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

    from trialkit.alignment.result import Aligned
    from trialkit.model.fit import Fit
    from trialkit.trial import Factor, Trial

#: Plans drawn anew for the p of lost blocks.
PLANS = 999


@dataclass(frozen=True)
class Outcomes:
    """Outcomes beside yield. Make it with `other_outcomes`.

    Parameters
    ----------
    proportions : DataFrame
        `factor, level, outcome, events, blocks, clusters, proportion, low, high, p` (how often
        levels would differ as much in plans drawn anew), `method`. Blocks that are not harvested
        yet are not among them.
    measured : DataFrame
        `outcome, factor, level, estimate, low, high, df, method` for each recorded outcome and
        level of the primary treatment, and `difference, difference_low, difference_high` from
        the control (joint limits; NaN for it).
    efficiency : DataFrame
        Per level: `factor, level, be_total_pct` (all flushes, by the model of a yield, so that
        batches weigh the same) with `be_low_pct, be_high_pct`, and `difference, difference_low,
        difference_high` from the control in per cent of the dry substrate (joint limits; NaN for
        it); `be_per_day_pct` (plain mean over blocks, divided by the days from start of fruiting
        to the last harvest), `dry_share_pct` where dried.
    modelled : DataFrame
        Lost blocks and counts by the models made for them; columns as in
        `trialkit.analysis.counts.modelled_outcomes`. The p of lost blocks is that of
        `proportions` alone, where there is one.
    notes : tuple of Message
        What could not be worked out, and why.
    """

    proportions: pd.DataFrame
    measured: pd.DataFrame
    efficiency: pd.DataFrame
    modelled: pd.DataFrame
    notes: tuple[Message, ...]

    __repr__ = short_repr

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
            for name in ("proportions", "measured", "modelled", "efficiency")
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
    if "measure" in out:
        out["measure"] = [say.text(f"outcome_table.{name}") for name in out["measure"]]
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

    Examples
    --------
    >>> import trialkit as tk
    >>> trial = tk.read_trial(tk.demo_folder())
    >>> data = tk.align(trial, tk.read_harvest(trial))
    >>> lost = tk.other_outcomes(trial, data).proportions
    >>> int(lost.loc[lost["factor"] == "schedule", "blocks"].sum())
    144
    """
    check_kinds("other_outcomes", trial=trial, data=data)
    import pandas as pd

    from trialkit.analysis.counts import modelled_outcomes
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
            means = _with_differences(trial, fit)
        except ModelError as problem:
            notes.append(message("outcome_table.not_said", outcome=name, problem=str(problem)))
            continue
        measured.append(means.assign(outcome=name, factor=trial.question.primary))
    proportions = _proportions(trial, data)
    return Outcomes(
        proportions=proportions,
        measured=pd.concat(measured, ignore_index=True) if measured else pd.DataFrame(),
        efficiency=_efficiency(trial, data, notes),
        modelled=_one_p(modelled_outcomes(trial, data), proportions),
        notes=tuple(notes),
    )


def _one_p(modelled: pd.DataFrame, proportions: pd.DataFrame) -> pd.DataFrame:
    """Leave out the model's p of a question that has one by drawing plans anew."""
    if not len(modelled) or not len(proportions):
        return modelled
    drawn = proportions[proportions["p"].notna()]
    asked = set(zip(drawn["outcome"], drawn["factor"], strict=True))
    rows = zip(modelled["outcome"], modelled["factor"], modelled["p"], strict=True)
    return modelled.assign(p=[math.nan if (of, by) in asked else p for of, by, p in rows])


def _with_differences(trial: Trial, fit: Fit) -> pd.DataFrame:
    """Give the means of a fit, each with its difference from the control and joint limits."""
    name, reference = trial.primary.name, trial.primary.reference
    means = fit.means(name)[["level", "estimate", "low", "high", "df", "method"]]
    apart = fit.differences(name, against=reference, adjust="dunnett").set_index("first")
    ends = {"difference": "estimate", "difference_low": "low", "difference_high": "high"}
    for column, end in ends.items():
        means[column] = means["level"].map(apart[end]).astype(float)
    return means


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


def _efficiency(trial: Trial, data: Aligned, notes: list[Message]) -> pd.DataFrame:
    import pandas as pd

    substrate = trial.blocks.dry_substrate_g
    if not substrate or "fresh_g" not in data.table:
        return pd.DataFrame()
    table = data.table if "dry_g" in data.table else data.table.assign(dry_g=math.nan)
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
    modelled = _modelled_efficiency(trial, data, notes)
    for name in trial.factors:
        for level, group in blocks.groupby(name, sort=False, observed=True):
            dried = group["dry"].sum()
            rows.append(
                {
                    "factor": name,
                    "level": str(level),
                    "blocks": len(group),
                    **modelled.get(
                        (name, str(level)),
                        {
                            "be_total_pct": group["be"].mean(),
                            **dict.fromkeys(_EFFICIENCY_LIMITS, math.nan),
                        },
                    ),
                    "be_per_day_pct": (group["be"] / group["days"]).mean(),
                    "dry_share_pct": 100 * dried / group["fresh"].sum() if dried else math.nan,
                }
            )
    return pd.DataFrame(rows)


_EFFICIENCY_LIMITS = (
    "be_low_pct",
    "be_high_pct",
    "difference",
    "difference_low",
    "difference_high",
)


def _modelled_efficiency(
    trial: Trial, data: Aligned, notes: list[Message]
) -> dict[tuple[str, str], dict[str, float]]:
    """Give biological efficiency over all flushes from the model of a yield, with limits."""
    from trialkit.analysis.fit_response import fit_response

    substrate = trial.blocks.dry_substrate_g
    assert substrate  # the caller has checked
    try:
        _, _, fit = fit_response(trial, data, response="fresh_g")
    except ModelError as problem:
        notes.append(message("outcome_table.not_said", outcome="be_pct", problem=str(problem)))
        return {}
    flushes = len(fit.design.levels["flush"]) if "flush" in fit.design.levels else 1
    ends = {"be_total_pct": "estimate", "be_low_pct": "low", "be_high_pct": "high"}
    apart = {"difference": "estimate", "difference_low": "low", "difference_high": "high"}
    times, out = 100 * flushes / substrate, {}
    for name, factor in trial.factors.items():
        rows = fit.differences(name, against=factor.reference, adjust="dunnett")
        against = {str(row["first"]): row for row in rows.to_dict("records")}
        for row in fit.means(name).to_dict("records"):
            level = str(row["level"])
            told = {column: times * float(row[end]) for column, end in ends.items()}
            own = against.get(level)
            for column, end in apart.items():
                told[column] = math.nan if own is None else times * float(own[end])
            out[name, level] = told
    return out
