"""The harvest as a table: every unit and flush in one row, with its treatments and exposures."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from trialkit.alignment.mist import MIST_COLUMNS
from trialkit.alignment.summaries import EXPOSURE_COLUMNS
from trialkit.alignment.windows import due, run_factors
from trialkit.columns.harvest import LOST
from trialkit.errors import AlignError, Finding
from trialkit.trial import Trial
from trialkit.wording import finding, message, several

_WORST_FIRST = ("discarded", "contaminated", "ok")


def one_row_each(trial: Trial, picked: pd.DataFrame | None) -> tuple[pd.DataFrame, list[Finding]]:
    """Give one row per unit and flush; several picks of one flush are added up."""
    table = _tidy(trial, picked)
    factors = list(trial.structure.factors)
    known = trial.unit_table()
    strange = ~table["unit"].isin(known["unit"])
    findings = []
    if strange.any():
        codes = several(table.loc[strange, "unit"].unique().tolist(), 4)
        findings.append(finding("unit_unknown", "caution", count=int(strange.sum()), units=codes))
        table = table[~strange]
    table = table.drop(columns=[f for f in factors if f in table.columns])
    table = table.merge(known, on="unit", how="left")
    doubled = table.duplicated(["unit", "flush"], keep=False)
    if doubled.any():
        table, told = _pool_picks(table, doubled, trial)
        findings.append(told)
    return table.reset_index(drop=True), findings


def _tidy(trial: Trial, picked: pd.DataFrame | None) -> pd.DataFrame:
    """Give the harvest all the columns it may have, each of its kind."""
    if picked is None:
        raise AlignError("there is no harvest log → read it with read_harvest(trial)")
    factors = list(trial.structure.factors)
    table = picked.copy()
    if "unit" not in table.columns and set(factors) <= set(table.columns):
        table["unit"] = table[factors].astype(str).agg("-".join, axis=1)
    if "flush" not in table.columns and trial.flushes == 1:
        table["flush"] = 1
    absent = [name for name in ("unit", "flush", "fresh_g") if name not in table.columns]
    if absent:
        raise AlignError(f"harvest: the columns {', '.join(absent)} are missing")
    blanks: dict[str, Any] = {
        "time": pd.NaT,
        **dict.fromkeys(trial.harvest_columns, np.nan),
        "note": "",
    }
    for name, blank in blanks.items():
        if name not in table.columns:
            table[name] = blank
    table["time"] = pd.to_datetime(table["time"], utc=True).astype("datetime64[ns, UTC]")
    for name in trial.harvest_columns:
        table[name] = _numbers(table[name], name)
    if "status" not in table.columns:
        table["status"] = "ok"
    table["status"] = table["status"].astype(object).where(table["status"].notna(), "ok")
    table["unit"] = table["unit"].astype(str)
    table["flush"] = table["flush"].astype("int64")
    return table


def _numbers(values: pd.Series, name: str) -> pd.Series:
    """Give a column of the harvest as numbers, or say which cell is none."""
    try:
        return values.astype("float64")
    except (TypeError, ValueError):
        read = pd.to_numeric(values, errors="coerce")
        odd = values[read.isna() & values.notna()]
        shown = repr(odd.iloc[0]) if len(odd) else str(values.dtype)
        raise AlignError(
            f"harvest: {name} has cells that are no numbers, such as {shown} → read the sheet "
            "with tk.read_harvest(trial), or convert them"
        ) from None


def _pool_picks(
    table: pd.DataFrame, doubled: pd.Series, trial: Trial
) -> tuple[pd.DataFrame, Finding]:
    """Make one row of several picks of the same flush of a unit, each column in its own way."""
    parts = table[doubled]
    keys = [*trial.structure.factors, "unit", "flush"]
    grouped = parts.groupby(keys, sort=False)
    in_time = parts.sort_values("time", kind="stable", na_position="first")
    pooled = {
        "sum": grouped.sum(numeric_only=True, min_count=1),
        "mean": grouped.mean(numeric_only=True),
        "last": in_time.groupby(keys, sort=False).last(),
    }
    columns = trial.harvest_columns.values()
    summed = pd.concat([pooled[column.pools][column.name] for column in columns], axis=1)
    summed["time"] = grouped["time"].max()
    rank = {name: i for i, name in enumerate(_WORST_FIRST)}
    summed["status"] = grouped["status"].agg(lambda s: min(s, key=lambda v: rank.get(v, 9)))
    summed["note"] = grouped["note"].agg(lambda s: "; ".join(str(v) for v in s if v))
    told = finding("picked_in_parts", "note", count=len(summed))
    return pd.concat([table[~doubled], summed.reset_index()], ignore_index=True), told


def assemble(
    trial: Trial,
    picked: pd.DataFrame,
    assignment: pd.DataFrame | None,
    runs: pd.DataFrame,
) -> tuple[pd.DataFrame, list[Finding]]:
    """Build the table: every unit and flush, its treatments, harvest and exposures."""
    units = trial.grown_units()
    factors = list(trial.structure.factors)
    flushes = pd.DataFrame({"flush": np.arange(1, trial.flushes + 1, dtype=np.int64)})
    table = units.merge(flushes, how="cross")
    if assignment is not None:
        given = assignment.copy()
        if "unit" not in given.columns:
            given["unit"] = given[factors].astype(str).agg("-".join, axis=1)
        table = table.merge(given[["unit", *trial.factors]], on="unit", how="left")
        without = table[list(trial.factors)].isna().any(axis=1)
        if without.any():
            named = ", ".join(table.loc[without, "unit"].unique()[:4])
            raise AlignError(f"the plan names no treatment for {named} → make the plan again")
    columns = ["unit", "flush", *trial.harvest_columns, "status", "note", "time"]
    table = table.merge(picked[columns], on=["unit", "flush"], how="left")
    table = table.rename(columns={"time": "harvest_time"})
    findings = _mark_missing(table, due(trial, table, picked) & ~table["unit"].isin(trial.given_up))
    keys = list(run_factors(trial))
    start = runs[runs["window"] == "whole"][[*keys, "start"]]
    table = (
        table.merge(start, on=keys, how="left")
        if keys
        else table.assign(start=start["start"].iloc[0])
    )
    start_time = pd.to_datetime(table.pop("start"), utc=True)  # no dates at all: plain NaT
    table["days"] = (table["harvest_time"] - start_time).dt.total_seconds() / 86400
    dry = trial.blocks.dry_substrate_g
    table["be_pct"] = np.nan if dry is None else 100 * table["fresh_g"] / dry
    return _attach(table, runs, keys), findings


def _attach(table: pd.DataFrame, runs: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    """Add the exposures of the run and flush to every row."""
    table["window"] = "flush " + table["flush"].astype(str)
    wanted = [*EXPOSURE_COLUMNS, *MIST_COLUMNS, "rh_u_pct", "vpd_u_kpa", "low_coverage"]
    part = runs[[*keys, "window", *wanted]]
    table = table.merge(part, on=[*keys, "window"], how="left", validate="many_to_one")
    return table.drop(columns="window")


def _mark_missing(table: pd.DataFrame, due: pd.Series) -> list[Finding]:
    """Give a status to units without a harvest row, and list those that are due.

    A block lost in one flush has no later rows: it stays lost and is not called missing.
    """
    order = table.sort_values(["unit", "flush"], kind="stable")
    lost = order["status"].where(order["status"].isin(LOST))
    lost = lost.groupby(order["unit"]).ffill().reindex(table.index)
    absent = table["status"].isna()
    table["status"] = table["status"].where(~absent, lost.where(lost.notna(), "missing"))
    table["note"] = table["note"].fillna("")
    gone = table[(table["status"] == "missing") & due]
    if not len(gone):
        return []
    named = [
        message("place.unit_flush", unit=str(u), flush=int(f))
        for u, f in gone[["unit", "flush"]].itertuples(index=False)
    ]
    return [
        finding(
            "harvest_missing", "caution", number=len(gone), all=len(table), units=several(named, 6)
        )
    ]
