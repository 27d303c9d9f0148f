"""Windows: the stretches of time whose exposures are summed, per chamber run."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from trialkit.errors import AlignError, Finding
from trialkit.trial import Trial
from trialkit.trial.flushes_to_come import flushes_to_come
from trialkit.wording import finding, place, several

#: Lead window used where the trial file names none. Common practice for oyster mushrooms
#: (pins show four to six days before the first harvest), no source.
PINNING_DAYS = 5.0


def run_factors(trial: Trial) -> tuple[str, ...]:
    """Give the unit factors that name a chamber run: of batch and chamber those there are.

    Examples
    --------
    >>> import trialkit as tk
    >>> run_factors(tk.read_trial(tk.demo_folder()))
    ('batch', 'chamber')
    """
    return tuple(name for name in ("batch", "chamber") if name in trial.structure.factors)


def list_runs(trial: Trial) -> pd.DataFrame:
    """List the chamber runs that were grown, with start and end of their batch (UTC, or NaT)."""
    factors = run_factors(trial)
    rows = trial.grown_units()[list(factors)].drop_duplicates().reset_index(drop=True)
    if not factors:
        rows = pd.DataFrame(index=[0])
    dates = trial.batches
    batch = rows["batch"] if "batch" in factors else pd.Series("all", index=rows.index)
    for name in ("start", "end"):
        moments = [getattr(dates[b], name) if b in dates else None for b in batch]
        rows[name] = pd.to_datetime(pd.Series(moments, index=rows.index, dtype=object), utc=True)
        rows[name] = rows[name].astype("datetime64[ns, UTC]")
    return rows


def harvest_moments(trial: Trial, harvest: pd.DataFrame) -> tuple[pd.DataFrame, list[Finding]]:
    """Give the moment of each flush of each chamber run.

    Parameters
    ----------
    trial : Trial
    harvest : DataFrame
        Harvest table with `flush, time` and the unit factors.

    Returns
    -------
    DataFrame
        Run factors, `flush`, `time`, `borrowed` (the run had none; its batch's was taken).
    list of Finding

    Notes
    -----
    The moment of a flush is the median over the blocks of the run, so that one mistyped date
    moves it little.
    """
    factors = list(run_factors(trial))
    runs = list_runs(trial)
    grid = runs[factors].merge(pd.DataFrame({"flush": range(1, trial.flushes + 1)}), how="cross")
    dated = harvest[harvest["time"].notna()]
    own = _median(dated, [*factors, "flush"])
    grid = grid.merge(own, on=[*factors, "flush"], how="left")
    grid["borrowed"] = False
    findings = []
    if "chamber" in factors:
        above = [name for name in factors if name != "chamber"]
        batch = _median(dated, [*above, "flush"]).rename(columns={"time": "_of_batch"})
        grid = grid.merge(batch, on=[*above, "flush"], how="left")
        lent = grid["time"].isna() & grid["_of_batch"].notna()
        grid["borrowed"] = lent
        grid["time"] = grid["time"].fillna(grid.pop("_of_batch"))
        if lent.any():
            named = _named(grid[lent], [*factors, "flush"])
            findings.append(
                finding("harvest_time_borrowed", "note", count=int(lent.sum()), runs=named)
            )
    return grid, findings


def _median(table: pd.DataFrame, by: Sequence[str]) -> pd.DataFrame:
    if not len(table):
        out = pd.DataFrame({name: pd.Series(dtype=object) for name in by})
        out["flush"] = out["flush"].astype("int64")
        out["time"] = pd.Series(dtype="datetime64[ns, UTC]")
        return out
    part = table[[*by, "time"]].copy()
    part["flush"] = part["flush"].astype("int64")
    part["time"] = part["time"].astype("datetime64[ns, UTC]")
    return part.groupby(list(by), sort=True)["time"].median().reset_index()


def derive_windows(
    trial: Trial,
    harvest: pd.DataFrame,
    *,
    override: pd.DataFrame | None = None,
    until: Any = None,
) -> tuple[pd.DataFrame, list[Finding]]:
    """List the windows of every chamber run.

    Parameters
    ----------
    trial : Trial
    harvest : DataFrame
        Harvest table.
    override : DataFrame, optional
        Run factors, `window, start, stop`: replaces the windows of these names in these runs,
        or adds new ones.
    until : Timestamp, optional
        Last moment of the logs (UTC): a batch that still runs is taken to here.

    Returns
    -------
    DataFrame
        Run factors, `window`, `start`, `stop` (UTC; NaT where it cannot be known).
    list of Finding

    Notes
    -----
    ``whole``: start of fruiting to the end of the batch, or to the last harvest where no end
    is given. A batch whose last flush is not in yet is taken to `until`, or to the start of
    the next batch, if that is earlier. A run that was given up ends then, and has no windows
    where nothing of it was harvested. ``flush 1``: start of fruiting to the first harvest;
    ``flush k``: harvest k−1 to harvest k. Lead windows: the n days before the first harvest,
    not before the start.
    """
    factors = list(run_factors(trial))
    runs = list_runs(trial)
    moments, findings = harvest_moments(trial, harvest)
    leads = _lead_windows(trial)
    given_up = _given_up_runs(trial, factors)
    rows = []
    ordered = moments.sort_values("flush", kind="stable")
    names = list(zip(*(ordered[name] for name in factors), strict=True)) or [()] * len(ordered)
    times: dict[tuple[str, ...], list[pd.Timestamp]] = {}
    for key_of, time in zip(names, ordered["time"].tolist(), strict=True):
        times.setdefault(key_of, []).append(time)
    for run in runs.to_dict("records"):
        key = {str(name): run[name] for name in factors}
        mine = times.get(tuple(key.values()), [])
        end, gone = run["end"], given_up.get(tuple(key.values()))
        if gone is not None:
            if not any(pd.notna(moment) for moment in mine):
                continue  # nothing was harvested, and nothing rests on what it got
            end = gone if pd.isna(end) else min(end, gone)
        if (not mine or pd.isna(mine[-1])) and until is not None:
            end = _so_far(runs["start"], run["start"], end, until)
        rows += [key | row for row in _windows_of_run(run["start"], end, mine, leads)]
    table = pd.DataFrame(rows, columns=[*factors, "window", "start", "stop"])
    for name in ("start", "stop"):
        table[name] = pd.to_datetime(table[name], utc=True).astype("datetime64[ns, UTC]")
    if override is not None:
        table = _apply_override(table, override, factors)
    return table, findings + _check(trial, table, factors, harvest)


def _given_up_runs(trial: Trial, factors: Sequence[str]) -> dict[tuple[str, ...], pd.Timestamp]:
    """Give the runs that were given up whole after they began, with the latest moment of it."""
    units = trial.grown_units()
    moments = [trial.given_up.get(str(code)) for code in units["unit"]]
    units = units.assign(gone=pd.to_datetime(pd.Series(moments, dtype=object), utc=True))
    if not factors or units["gone"].isna().all():
        return {}
    whole = units.groupby(list(factors), sort=False)["gone"].agg(lambda s: s.max(skipna=False))
    keys = (key if isinstance(key, tuple) else (key,) for key in whole.index)
    return {
        tuple(map(str, key)): moment
        for key, moment in zip(keys, whole, strict=True)
        if pd.notna(moment)
    }


def _so_far(starts: pd.Series, start: pd.Timestamp, end: pd.Timestamp, until: pd.Timestamp) -> Any:
    """Give the end so far of a batch that still runs; NaT if it has not begun."""
    limits = [until, *starts[starts > start].tolist()] + ([] if pd.isna(end) else [end])
    stop = min(limits)
    return pd.NaT if pd.isna(start) or stop <= start else stop


def _lead_windows(trial: Trial) -> dict[str, float]:
    named = {
        window.name: float(window.days_before_first_harvest)
        for kind in ("environment", "mist", "harvest")
        if kind in trial.logs
        for window in trial.logs[kind].windows
    }
    return named or {"pinning": PINNING_DAYS}


def _windows_of_run(
    start: pd.Timestamp, end: pd.Timestamp, times: list[pd.Timestamp], leads: dict[str, float]
) -> list[dict[str, object]]:
    """List the windows of one run, in order of time."""
    known = [t for t in times if not pd.isna(t)]
    last = max(known, default=pd.NaT) if pd.isna(end) else end
    rows: list[dict[str, object]] = [{"window": "whole", "start": start, "stop": last}]
    before = start
    for flush, time in enumerate(times, 1):
        rows.append({"window": f"flush {flush}", "start": before, "stop": time})
        before = time
    first = times[0] if times else pd.NaT
    for name, days in leads.items():
        lead = pd.NaT if pd.isna(first) else first - pd.Timedelta(days=days)
        if not (pd.isna(lead) or pd.isna(start)):
            lead = max(lead, start)
        rows.append({"window": name, "start": lead, "stop": first})
    return rows


def _apply_override(
    table: pd.DataFrame, override: pd.DataFrame, factors: list[str]
) -> pd.DataFrame:
    needed = [*factors, "window", "start", "stop"]
    missing = [name for name in needed if name not in override.columns]
    if missing:
        raise AlignError(
            f"windows: the columns {', '.join(missing)} are missing; give {', '.join(needed)}"
        )
    new = override[needed].copy()
    for name in ("start", "stop"):
        if new[name].dt.tz is None:
            raise AlignError(f"windows: {name} has no time zone; use UTC")
        new[name] = new[name].dt.tz_convert("UTC").astype("datetime64[ns, UTC]")
    keys = [*factors, "window"]
    replaced = pd.MultiIndex.from_frame(table[keys].astype(str)).isin(
        pd.MultiIndex.from_frame(new[keys].astype(str))
    )
    return pd.concat([table[~replaced], new], ignore_index=True)


def due(trial: Trial, table: pd.DataFrame, harvest: pd.DataFrame) -> pd.Series:
    """Tell rows whose harvest should be in: their batch has one, and their flush is no later one.

    Parameters
    ----------
    trial : Trial
    table : DataFrame
        With ``flush``, or ``window`` with the name of one; ``batch`` where the trial has batches.
    harvest : DataFrame

    Returns
    -------
    Series of bool
    """
    if "batch" in table.columns:
        batch, seen = table["batch"].astype(str), harvest["batch"].astype(str)
    else:
        batch, seen = pd.Series("all", index=table.index), pd.Series("all", index=harvest.index)
    if "flush" in table.columns:
        flush = table["flush"].astype("int64")
    else:
        named = table["window"].astype(str).str.extract(r"^flush (\d+)$", expand=False)
        flush = named.fillna("0").astype("int64")
    entered = set(zip(seen, harvest["flush"].astype(int), strict=True))
    to_come = flushes_to_come(trial, entered)
    later = [key in to_come for key in zip(batch, flush, strict=True)]
    return batch.isin(set(seen)) & ~pd.Series(later, index=table.index, dtype=bool)


def _check(
    trial: Trial, table: pd.DataFrame, factors: list[str], harvest: pd.DataFrame
) -> list[Finding]:
    """Say which windows cannot be known or run backwards."""
    findings = []
    # a batch or flush that is not harvested yet has no end, which is no fault
    unknown = (table["start"].isna() | table["stop"].isna()) & due(trial, table, harvest)
    if unknown.any():
        findings.append(
            finding(
                "window_unknown",
                "caution",
                count=int(unknown.sum()),
                windows=_named(table[unknown], [*factors, "window"]),
            )
        )
    backwards = table["stop"] <= table["start"]
    if backwards.any():
        findings.append(
            finding(
                "window_backwards",
                "caution",
                count=int(backwards.sum()),
                windows=_named(table[backwards], [*factors, "window"]),
            )
        )
    return findings


def _named(table: pd.DataFrame, columns: Sequence[str]) -> list[Any]:
    """Name the first rows of a table for a sentence."""
    return several([place({c: row[c] for c in columns}) for _, row in table.iterrows()], 4)
