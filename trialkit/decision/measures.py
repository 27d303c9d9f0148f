"""What growers decide on beside the answer: per block started, per chamber-day, first flush.

Each is worked out from totals of chamber runs, a lost run being part of them, so that a level
which loses blocks or takes longer is seen to.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit.analysis.by_run import fit_by_run, ratio_of_totals, run_keys
from trialkit.columns import head
from trialkit.columns.harvest import LOST
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
        (of first grade, say), over the weights beside which it is filled in. Limits hold one at
        a time.
    """
    import pandas as pd

    if not len(totals):
        return pd.DataFrame(columns=MEASURE_COLUMNS)
    of_runs, shares = _of_runs(trial, data)
    runs = totals.merge(of_runs, how="left", on=run_keys(trial))
    runs = runs[runs["kg_all"].notna()]
    known = {} if known is None else known
    frames = [_per_block(trial, runs, known), _per_day(trial, runs, known)]
    frames += [_share(trial, runs, name, known) for name in shares]
    made = [frame for frame in frames if len(frame)]
    if not made:
        return pd.DataFrame(columns=MEASURE_COLUMNS)
    return pd.concat(made, ignore_index=True)[MEASURE_COLUMNS]


def _of_runs(trial: Trial, data: Aligned) -> tuple[pd.DataFrame, list[str]]:
    """Give the days of every chamber run, and each share as its part and its whole [kg].

    A run of which only the whole is known has no part.
    """
    keys, table = run_keys(trial), data.table
    by = [table[key] for key in keys]
    weighed = table["fresh_g"].notna()
    out = _days_of_runs(data, keys)
    gave = out.merge(weighed.groupby(by, sort=False, observed=True).any().reset_index(), on=keys)
    shares = _parts_and_wholes(trial, table)
    for share, pair in shares.items():
        for name, values in zip((share, f"{share} of"), pair, strict=True):
            sums = values.groupby(by, sort=False, observed=True).sum(min_count=1) / 1000
            sums = out[keys].merge(sums.rename(name).reset_index(), on=keys)[name]
            # a run that gave nothing has none of it either
            out[name] = sums.where(sums.notna() | gave["fresh_g"], 0.0)
    return out, list(shares)


def _parts_and_wholes(trial: Trial, table: pd.DataFrame) -> dict[str, tuple[pd.Series, pd.Series]]:
    """Give the part and the whole of each share, by row, where both are known [g].

    Weights beside which a weight of the trial's own was left empty, and blocks that were not
    weighed in some flush, count in neither.
    """
    weighed, fresh = table["fresh_g"].notna(), table["fresh_g"]
    lost = ~weighed & (table["status"].isin(LOST) if "status" in table else False)
    pairs = {}
    if trial.flushes > 1 and (weighed & (table["flush"] == 1)).any():
        whole = (weighed | lost).groupby(table["unit"]).transform("all") & weighed
        first = fresh.where(table["flush"] == 1, 0.0)
        pairs["first_flush_share"] = first.where(whole), fresh.where(whole)
    for name, column in trial.harvest_columns.items():
        if not column.is_weight or name in ("fresh_g", "dry_g") or name not in table:
            continue
        both = weighed & table[name].notna()
        if both.any():
            pairs[f"share:{name}"] = table[name].where(both), fresh.where(both)
    return pairs


def _days_of_runs(data: Aligned, keys: list[str]) -> pd.DataFrame:
    """Give the days of every chamber run: to its last harvest, or those it was given if lost."""
    table = data.table.assign(days=data.table.get("days", float("nan")))
    out = table.groupby(keys, sort=False, observed=True)["days"].max().reset_index()
    if data.runs is not None and "window_h" in data.runs:  # a lost run: the days it was given
        runs = data.runs[data.runs["window"] == "whole"][[*keys, "window_h"]]
        out = out.merge(runs, how="left", on=keys)
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


def _share(trial: Trial, runs: pd.DataFrame, name: str, known: Fits) -> pd.DataFrame:
    got = _ratio(trial, runs, name, f"{name} of", known)
    if not len(got):
        return got
    ends = {name: (100 * got[name]).clip(0, 100) for name in ("estimate", "low", "high")}
    return _percent(got.assign(**ends)).assign(measure=name, unit="%")


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
