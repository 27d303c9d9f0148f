"""Biological efficiency by level: fresh weight in per cent of the dry substrate."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from trialkit.errors import ModelError
from trialkit.wording import Message, message

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.alignment.result import Aligned
    from trialkit.trial import Trial

_LIMITS = (
    "be_low_pct",
    "be_high_pct",
    "difference",
    "difference_low",
    "difference_high",
)


def efficiency_by_level(trial: Trial, data: Aligned, notes: list[Message]) -> pd.DataFrame:
    """Give biological efficiency over all flushes, a day of fruiting, and the dry share.

    Parameters
    ----------
    trial : Trial
    data : Aligned
    notes : list of Message
        What cannot be worked out is added to it.

    Returns
    -------
    DataFrame
        The columns of `Outcomes.efficiency`; empty where the dry substrate of a block is not
        stated. Blocks without a weight of every flush are left out; the dry share is that of
        the weights that were dried.
    """
    import pandas as pd

    substrate = trial.blocks.dry_substrate_g
    if not substrate or "fresh_g" not in data.table:
        return pd.DataFrame()
    table = data.table if "dry_g" in data.table else data.table.assign(dry_g=math.nan)
    whole = table.groupby("unit")["fresh_g"].apply(lambda g: g.notna().all())
    table = table[table["unit"].map(whole)]
    if not len(table):
        return pd.DataFrame()
    table = table.assign(dried_g=table["fresh_g"].where(table["dry_g"].notna()))
    blocks = table.groupby("unit", sort=False).agg(
        fresh=("fresh_g", "sum"),
        days=("days", "max"),
        dry=("dry_g", "sum"),
        dried=("dried_g", "sum"),
    )
    levels = table.drop_duplicates("unit").set_index("unit")[list(trial.factors)]
    blocks = blocks.join(levels)
    blocks["be"] = 100 * blocks["fresh"] / substrate
    rows = []
    modelled = _modelled_efficiency(trial, data, notes)
    for name in trial.factors:
        for level, group in blocks.groupby(name, sort=False, observed=True):
            dried = group["dried"].sum()  # often a sample only
            rows.append(
                {
                    "factor": name,
                    "level": str(level),
                    "blocks": len(group),
                    **modelled.get(
                        (name, str(level)),
                        {
                            "be_total_pct": group["be"].mean(),
                            **dict.fromkeys(_LIMITS, math.nan),
                        },
                    ),
                    "be_per_day_pct": (group["be"] / group["days"]).mean(),
                    "dry_share_pct": 100 * group["dry"].sum() / dried if dried else math.nan,
                }
            )
    return pd.DataFrame(rows)


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
