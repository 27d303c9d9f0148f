"""What growers decide on beside the answer: per block started, per chamber-day, first flush.

Each is worked out from totals of chamber runs, a lost run being part of them, so that a level
which loses blocks or takes longer is seen to.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit.analysis.by_run import fit_by_run, ratio_of_totals, run_keys
from trialkit.columns import head
from trialkit.errors import ModelError
from trialkit.wording import Wording

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from trialkit.alignment.result import Aligned
    from trialkit.analysis.by_run import Fits
    from trialkit.columns import HarvestColumn
    from trialkit.trial import Trial

MEASURE_COLUMNS = [
    "measure",
    "unit",
    "level",
    "estimate",
    "low",
    "high",
    "change_pct",
    "change_low_pct",
    "change_high_pct",
    "runs",
]
_FEWEST = 4  # chamber runs, as for water and energy


def measures_by_level(
    trial: Trial, data: Aligned, totals: pd.DataFrame, *, known: Fits | None = None
) -> pd.DataFrame:
    """Compare the levels in what growers decide on.

    Parameters
    ----------
    trial : Trial
    data : Aligned
    totals : DataFrame
        From `trialkit.decision.use.run_totals`; runs not weighed whole are left out.
    known : dict, optional
        Fits of the same totals (`trialkit.analysis.by_run.fit_by_run`).

    Returns
    -------
    DataFrame
        One row per measure and level: `measure, unit, level, estimate, low, high, change_pct,
        change_low_pct, change_high_pct` (against the control; NaN for it), `runs`. Measures:
        ``"per_block_started"`` [g], a lost block counting as nothing; ``"per_chamber_day"``
        [kg], the days of a run ending with its last harvest; ``"first_flush_share"`` [%] of
        all fresh weight; and ``"share:<column>"`` [%] for each weight of the trial's own
        (of first grade, say). Limits hold one at a time.
    """
    import pandas as pd

    if not len(totals):
        return pd.DataFrame(columns=MEASURE_COLUMNS)
    runs = totals.merge(_of_runs(trial, data), how="left", on=run_keys(trial))
    runs = runs[runs["kg_all"].notna()]
    known = {} if known is None else known
    frames = [_per_block(trial, runs, known), _per_day(trial, runs, known)]
    shares = {name: name for name in map(str, runs) if name.startswith("share:")}
    if trial.flushes > 1 and runs["first_kg"].notna().any():
        shares = {"first_flush_share": "first_kg", **shares}
    frames += [_share(trial, runs, c, known).assign(measure=name) for name, c in shares.items()]
    made = [frame for frame in frames if len(frame)]
    if not made:
        return pd.DataFrame(columns=MEASURE_COLUMNS)
    return pd.concat(made, ignore_index=True)[MEASURE_COLUMNS]


def _of_runs(trial: Trial, data: Aligned) -> pd.DataFrame:
    """Give first flush, own weights and days of every chamber run."""
    import pandas as pd

    keys, table = run_keys(trial), data.table
    own = [
        name
        for name, column in trial.harvest_columns.items()
        if column.is_weight and name not in ("fresh_g", "dry_g") and name in table
    ]
    first = table["fresh_g"].where(table["flush"] == 1)
    rows = table.assign(_first=first)
    groups = rows.groupby(keys, sort=False, observed=True)
    out = pd.DataFrame({"first_kg": groups["_first"].sum() / 1000})
    for name in own:
        if table[name].notna().any():
            out[f"share:{name}"] = groups[name].sum() / 1000
    out["days"] = groups["days"].max() if "days" in table else float("nan")
    out = out.reset_index()
    if data.runs is not None and "window_h" in data.runs:  # a lost run: the days it was given
        whole = data.runs[data.runs["window"] == "whole"][[*keys, "window_h"]]
        out = out.merge(whole, how="left", on=keys)
        out["days"] = out["days"].fillna(out.pop("window_h").astype(float) / 24)
    if "batch" in keys:
        out["days"] = out["days"].fillna(
            out.groupby("batch", observed=True)["days"].transform("mean")
        )
    return out


def _per_block(trial: Trial, runs: pd.DataFrame, known: Fits) -> pd.DataFrame:
    import pandas as pd

    name, reference = trial.primary.name, trial.primary.reference
    try:
        rows = runs.assign(per=1000 * runs["kg_all"] / runs["started"])
        fit = fit_by_run(trial, rows, "per", known=known)
        means = fit.means(name)[["level", "estimate", "low", "high"]]
        ratios = fit.noninferior(name, against=reference, margin_pct=50).set_index("level")
    except ModelError:
        return pd.DataFrame()
    change = {"change_pct": "ratio", "change_low_pct": "low", "change_high_pct": "high"}
    for column, end in change.items():
        means[column] = 100 * (means["level"].map(ratios[end]).astype(float) - 1)
    for column in ("low", "change_low_pct"):  # nothing is below nothing
        means[column] = means[column].clip(lower=0 if column == "low" else -100)
    counts = runs[name].astype(str).value_counts()
    means["runs"] = means["level"].astype(str).map(counts)
    return means.assign(measure="per_block_started", unit="g")


def _per_day(trial: Trial, runs: pd.DataFrame, known: Fits) -> pd.DataFrame:
    """Turn days per kilogram, whose limits are those of a ratio of totals, into kg per day."""
    got = _ratio(trial, runs, "days", "kg_all", known)
    if not len(got):
        return got
    turned = {"estimate": "estimate", "low": "high", "high": "low"}
    turned |= {"change": "change", "change_low": "change_high", "change_high": "change_low"}
    out = got.assign(**{name: 1 / got[end] for name, end in turned.items()})
    return _percent(out).assign(measure="per_chamber_day", unit="kg")


def _share(trial: Trial, runs: pd.DataFrame, column: str, known: Fits) -> pd.DataFrame:
    got = _ratio(trial, runs, column, "kg_all", known)
    if not len(got):
        return got
    ends = {name: (100 * got[name]).clip(0, 100) for name in ("estimate", "low", "high")}
    return _percent(got.assign(**ends)).assign(unit="%")


def _percent(got: pd.DataFrame) -> pd.DataFrame:
    names = {
        "change_pct": "change",
        "change_low_pct": "change_low",
        "change_high_pct": "change_high",
    }
    return got.assign(**{name: 100 * (got[end] - 1) for name, end in names.items()})


def _ratio(trial: Trial, runs: pd.DataFrame, top: str, bottom: str, known: Fits) -> pd.DataFrame:
    import pandas as pd

    if (runs[top].notna() & runs[bottom].notna()).sum() < _FEWEST:
        return pd.DataFrame()
    try:
        return ratio_of_totals(trial, runs, top, bottom, known=known)
    except ModelError:
        return pd.DataFrame()


def shown_measures(
    table: pd.DataFrame, say: Wording, columns: Mapping[str, HarvestColumn]
) -> pd.DataFrame:
    """Name the measures, each with its unit, as people read them.

    Returns
    -------
    DataFrame
        A copy.
    """
    named = []
    for name in table["measure"].astype(str):
        own, _, column = name.partition(":")
        label = head(column, columns) if column else ""
        named.append(say.text(f"measure.{own}", column=label))
    return table.assign(measure=named)
