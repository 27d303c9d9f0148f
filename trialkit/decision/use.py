"""Water and energy per kilogram, measured on the chamber run: the unit that used them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trialkit.alignment.mist import COVERAGE
from trialkit.analysis.by_run import ratio_of_totals, run_keys
from trialkit.analysis.mist_coverage import covered_runs, least_coverage
from trialkit.columns.harvest import LOST
from trialkit.errors import Finding, ModelError
from trialkit.trial.rig_use import kilowatt_hours, litres
from trialkit.wording import finding, message
from trialkit.wording.places import place, several

if TYPE_CHECKING:
    from trialkit.alignment.result import Aligned
    from trialkit.analysis.by_run import Fits
    from trialkit.trial import Trial

#: Use columns and the unit each is given in, per kilogram of fresh mushrooms.
USES = {"water_l": "L/kg", "energy_kwh": "kWh/kg"}
#: Columns of the table of use per kilogram.
USE_COLUMNS = [
    "use",
    "unit",
    "level",
    "estimate",
    "low",
    "high",
    "saving_pct",
    "saving_low_pct",
    "saving_high_pct",
    "runs",
    "planned",
]


def run_totals(trial: Trial, data: Aligned) -> pd.DataFrame:
    """Add up yield, losses, water and energy of every chamber run.

    Parameters
    ----------
    trial : Trial
    data : Aligned

    Returns
    -------
    DataFrame
        One row per chamber run of the batches that are in: `batch, chamber` (those the trial
        has), the primary level, `started` blocks, `blocks` of them weighed, `lost`, `unweighed`
        (weights that are neither in nor lost), `kg` weighed [kg], `kg_all` with unweighed blocks
        filled in [kg]; and where the mist was logged `water_l` [L], `energy_kwh` [kWh],
        `planned` (taken from the timer, as the log covers too little),
        `water_l_per_kg`, `energy_kwh_per_kg`. Empty when the primary treatment is given to
        something smaller than a chamber run, whose use cannot be told apart.

    Notes
    -----
    A lost block gives nothing from then on, so that a run lost whole has a `kg_all` of 0. A block
    that was not weighed gave something that nobody knows: it is taken as the mean of the
    others of its run and flush, where at least half of these were weighed; else `kg_all` is
    missing and the run is left out of money and of use per kilogram.
    """
    keys, primary = run_keys(trial), trial.primary
    if not keys or not set(primary.applied_to) <= set(keys) or "fresh_g" not in data.table:
        return pd.DataFrame()
    totals = _weighed(data.table, keys, primary.name)
    runs = data.runs
    if runs is None or not len(runs):
        return totals
    logged = [name for name in USES if name in runs and runs[name].notna().any()]
    if not logged and ("mist" not in trial.logs or not any(name in runs for name in USES)):
        return _per_kg(_all_from_timer(trial, totals, runs, keys))
    whole = covered_runs(runs[runs["window"] == "whole"], trial.rig, least_pct=least_coverage(data))
    kept = [*keys, *(name for name in USES if name in whole)]
    kept += [name for name in ("coverage_pct", COVERAGE, "window_h") if name in whole]
    totals = _from_timer(trial, totals.merge(whole[kept], how="left", on=keys))
    return _per_kg(totals)


def _per_kg(totals: pd.DataFrame) -> pd.DataFrame:
    for name in USES:
        if name in totals:
            totals[f"{name}_per_kg"] = totals[name] / totals["kg_all"].where(totals["kg_all"] > 0)
    return totals


def _all_from_timer(
    trial: Trial, totals: pd.DataFrame, runs: pd.DataFrame, keys: list[str]
) -> pd.DataFrame:
    """Take the use of every run from the timer, where there is no mist log at all."""
    if "window_h" not in runs or "mist" in trial.logs:
        return totals
    whole = runs[runs["window"] == "whole"]
    hours = whole["window_h"].astype(float)
    if {"start", "stop"} <= set(whole):  # without a climate log no hours were counted
        hours = hours.fillna((whole["stop"] - whole["start"]).dt.total_seconds() / 3600)
    out = totals.merge(whole[keys].assign(window_h=hours), how="left", on=keys)
    set_to = planned_use(trial).set_index("level")
    days = out["window_h"].astype(float) / 24
    for name in USES:
        use = out[trial.primary.name].astype(str).map(set_to[f"{name}_day"]) * days
        if use.notna().any():
            out[name] = use
    if not any(name in out for name in USES):
        return totals
    return out.assign(planned=True)


def _weighed(table: pd.DataFrame, keys: list[str], level: str) -> pd.DataFrame:
    """Add up the weights of every run, and count what was lost and what was not weighed."""
    weighed = table["fresh_g"].notna()
    lost = ~weighed & (table["status"].isin(LOST) if "status" in table else False)
    rows = table.assign(_in=weighed, _lost=lost, _open=~weighed & ~lost)
    if "batch" in keys:  # a batch of which nothing is known yet has not been harvested
        known = (weighed | lost).groupby(table["batch"], observed=True).transform("any")
        rows = rows[known]
    flush = [name for name in ("flush",) if name in rows]
    counted = ["fresh_g", "_in", "_lost", "_open"]
    parts = rows.groupby([*keys, *flush], sort=False, observed=True)[counted].sum()
    ratio = parts["_open"] / parts["_in"].where(parts["_in"] >= parts["_open"])
    parts["_all"] = parts["fresh_g"] * (1 + ratio.where(parts["_open"] > 0, 0))
    parts["_gap"] = parts["_all"].isna()
    sums = parts.groupby(level=keys, sort=False, observed=True)[["fresh_g", "_all", "_gap"]].sum()
    units = rows.groupby([*keys, "unit"], sort=False, observed=True)[counted].sum()
    units = units.assign(_in=units["_in"] > 0, _lost=units["_lost"] > 0, started=1)
    runs = units.groupby(level=keys, sort=False, observed=True)
    counts = runs[["started", "_in", "_lost", "_open"]].sum()
    counts.insert(0, level, rows.groupby(keys, sort=False, observed=True)[level].first())
    counts = counts.rename(columns={"_in": "blocks", "_lost": "lost", "_open": "unweighed"})
    counts["kg"] = sums["fresh_g"] / 1000
    counts["kg_all"] = sums["_all"].where(sums["_gap"] == 0) / 1000
    return counts.reset_index()


def _from_timer(trial: Trial, totals: pd.DataFrame) -> pd.DataFrame:
    """Take the use of runs without enough log from the timer, where one sets the mist."""
    totals["planned"] = False
    counted = totals[[name for name in USES if name in totals]].notna()
    if COVERAGE not in totals or "window_h" not in totals or not counted.to_numpy().any():
        return totals
    set_to = planned_use(trial).set_index("level")
    level = totals[trial.primary.name].astype(str)
    days = totals["window_h"].astype(float) / 24
    for name in counted:
        by_timer = level.map(set_to[f"{name}_day"]) * days
        missing = totals[name].isna() & by_timer.notna()
        totals[name] = totals[name].where(~missing, by_timer)
        totals["planned"] |= missing
    return totals


def run_findings(trial: Trial, totals: pd.DataFrame) -> list[Finding]:
    """Say which runs were lost, were not weighed whole, or have too little of a mist log.

    Parameters
    ----------
    trial : Trial
    totals : DataFrame
        From `run_totals`.

    Returns
    -------
    list of Finding
    """
    if not len(totals):
        return []
    keys, found = run_keys(trial), []

    def named(rows: pd.Series) -> dict[str, Any]:
        there = totals.loc[rows, keys].astype(str).to_dict("records")
        runs = several([place({str(k): v for k, v in row.items()}) for row in there], 4)
        return {"count": len(there), "all": len(totals), "runs": runs}

    lost = (totals["kg_all"] == 0) & (totals["lost"] > 0)
    filled = totals["kg_all"].notna() & (totals["unweighed"] > 0)
    if lost.any():
        found.append(finding("runs_lost", "note", **named(lost)))
    if totals["kg_all"].isna().any():
        found.append(finding("runs_incomplete", "caution", **named(totals["kg_all"].isna())))
    if filled.any():
        found.append(finding("runs_filled", "note", **named(filled)))
    if COVERAGE not in totals:
        by_timer = "planned" in totals and bool(totals["planned"].any())
        return [*found, finding("use_from_timer", "note")] if by_timer else found
    uses = totals[[name for name in USES if name in totals]]
    absent = uses.loc[:, uses.notna().any()].isna().any(axis=1)
    if totals["planned"].any():
        found.append(finding("use_planned", "caution", **named(totals["planned"])))
    if absent.any():
        found.append(finding("mist_log_short", "caution", **named(absent)))
    return found


def use_by_level(
    trial: Trial, totals: pd.DataFrame, *, known: Fits | None = None
) -> tuple[pd.DataFrame, list[Finding]]:
    """Estimate water and energy per kilogram for each level, and the saving.

    Parameters
    ----------
    trial : Trial
    totals : DataFrame
        From `run_totals`.
    known : dict, optional
        Fits of the same totals (`trialkit.analysis.by_run.fit_by_run`).

    Returns
    -------
    table : DataFrame
        One row per level and use: `use, unit, level, estimate, low, high` (total over total,
        per kg), `saving_pct, saving_low_pct, saving_high_pct` against the control (NaN for it;
        never above 100), `runs`, and how many of them are `planned`, taken from the timer.
    findings : list of Finding

    Notes
    -----
    Growers pay for totals, so this is the water of all runs over the kilograms of all runs,
    a run that gave nothing included; its limits take the run as the unit
    (`trialkit.analysis.by_run.ratio_of_totals`).
    """
    frames, found = [], []
    before: dict[str, pd.DataFrame] = {}
    for name, unit in USES.items():
        if name not in totals or (totals[name].notna() & totals["kg_all"].notna()).sum() < 4:
            continue
        try:
            got = _in_step(totals, name, before)
            if got is None:
                got = ratio_of_totals(trial, totals, name, "kg_all", known=known)
            before[name] = got
        except ModelError as problem:
            use = message(f"figure.use.{name}")
            found.append(finding("use_not_estimated", "note", use=use, problem=str(problem)))
            continue
        by_timer = totals[totals["planned"]] if "planned" in totals else totals.iloc[:0]
        planned = by_timer[trial.primary.name].astype(str).value_counts()
        frames.append(
            got.assign(
                use=name,
                unit=unit,
                planned=got["level"].map(planned).fillna(0).astype(int),
                saving_pct=100 * (1 - got["change"]),
                saving_low_pct=100 * (1 - got["change_high"]),
                saving_high_pct=100 * (1 - got["change_low"]),
            )[USE_COLUMNS]
        )
    empty = pd.DataFrame(columns=USE_COLUMNS)
    return pd.concat(frames, ignore_index=True) if frames else empty, found


def _in_step(
    totals: pd.DataFrame, name: str, before: dict[str, pd.DataFrame]
) -> pd.DataFrame | None:
    """Take over the comparison of a use that is the same number of times larger in every run.

    Water and electricity both go by the time the fogger was on, where nothing else draws power.
    """
    for other, got in before.items():
        times = (totals[name] / totals[other]).to_numpy(dtype=float)
        same = (totals[name].isna() == totals[other].isna()).all() and (totals[other] != 0).all()
        known = times[np.isfinite(times)]
        if same and len(known) and np.ptp(known) <= 1e-9 * abs(known[0]):
            return got.assign(**{k: got[k] * known[0] for k in ("estimate", "low", "high")})
    return None


def planned_use(trial: Trial, levels: Sequence[str] | None = None) -> pd.DataFrame:
    """Give the water and energy a day that timed schedules are set to use.

    Returns
    -------
    DataFrame
        `level, duty_pct, mist_on_s_day, water_l_day, energy_kwh_day`; NaN where the rig's
        figures or the setting do not say.
    """
    rig, rows = trial.rig, []
    for level in levels or trial.primary.levels:
        duty = trial.primary.levels[level].duty_pct
        on_h = float("nan") if duty is None else 0.24 * duty
        rows.append(
            {
                "level": level,
                "duty_pct": float("nan") if duty is None else duty,
                "mist_on_s_day": 3600 * on_h,
                "water_l_day": litres(rig, on_h),
                "energy_kwh_day": kilowatt_hours(rig, on_h, 24.0),
            }
        )
    return pd.DataFrame(rows)
