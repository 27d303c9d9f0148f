"""What each chamber does now and did in the last day: logger, humidity, mist."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any

import numpy as np

from trialkit.structure import Term
from trialkit.today.recent import LATEST, Recent

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.design.plan import Plan
    from trialkit.trial import Setting, Trial

#: The time looked back on.
DAY = dt.timedelta(hours=24)
#: A logger is silent after this time and three of its own steps without a record.
SILENT = dt.timedelta(hours=1)
#: A sensor that shows one and the same value for this long, below saturation, is stuck.
STUCK = dt.timedelta(hours=6)
_SATURATED = 99.0
_FEWEST = 12  # records from which on a constant value is told
_GAP_MIN = 10.0  # longest hold of a record, where the trial file states none


def running_batch(trial: Trial, now: dt.datetime) -> str:
    """Name the batch that is growing now, the last begun of several; empty where none is."""
    return next(reversed(running_batches(trial, now)), "")


def running_batches(trial: Trial, now: dt.datetime) -> list[str]:
    """Name the batches that are growing now, in the order in which they began."""
    units = trial.unit_table()
    kept = units[~units["unit"].isin(trial.given_up)]
    grown = set(kept["batch"].astype(str)) if "batch" in kept else set(trial.batches)
    begun = [
        (dates.start, name)
        for name, dates in trial.batches.items()
        if name in grown
        and dates.start is not None
        and dates.start <= now
        and (dates.end is None or dates.end > now)
    ]
    return [name for _, name in sorted(begun)]


def mist_level(trial: Trial, plan: Plan | None, batch: str, chamber: str) -> tuple[str, Any]:
    """Give the schedule of a chamber in a batch as planned: its level and setting."""
    for name, factor in trial.factors.items():
        kinds = {setting.kind for setting in factor.levels.values()}
        if plan is None or not kinds & {"timed", "band"}:
            continue
        table = plan.assignment(name)
        at = {"batch": batch, "chamber": chamber}
        for column in _known(factor.applied_to):
            table = table[table[column].astype(str) == at[column]]
        levels = set(table[name].astype(str))
        if len(levels) == 1:
            level = levels.pop()
            return level, factor.levels[level]
    return "", None


def _grows(trial: Trial, batch: str, chamber: str) -> bool:
    """Tell whether a batch is grown in a chamber: neither added later nor given up there."""
    units = trial.unit_table()
    here = units[~units["unit"].isin(trial.given_up)]
    for name, level in (("chamber", chamber), ("batch", batch)):
        if name in here:
            here = here[here[name].astype(str) == level]
    return bool(batch) and len(here) > 0


def _known(applied_to: Term) -> list[str]:
    return [name for name in applied_to if name in ("batch", "chamber")]


def look_at_chambers(
    trial: Trial,
    plan: Plan | None,
    climate: Recent | None,
    mist: Recent | None,
    now: dt.datetime,
) -> pd.DataFrame:
    """Give one row a chamber.

    Returns
    -------
    DataFrame
        ``chamber, batch`` (empty where none grows there), ``level, setting`` (words), ``last``
        (last record), ``step_s`` (between records), ``silent`` (None where there is no climate
        log), ``rh_pct`` (newest), ``hours`` (of the last 24 with records), ``inside_pct,
        below_pct, above_pct`` (share of these inside, below and above the band), ``stuck_pct``
        (the value that does not change), ``mist_last``,
        ``mist_pct, planned_pct`` (share of the time with mist on), ``mist_hours`` and ``cycle_s``.
        Times are UTC; what is not known is missing.
    """
    import pandas as pd

    running = running_batch(trial, now)
    rows = []
    for chamber in trial.levels.get("chamber", ()):
        batch = running if _grows(trial, running, chamber) else ""
        level, setting = mist_level(trial, plan, batch, chamber) if batch else ("", None)
        row: dict[str, Any] = {
            "chamber": chamber,
            "batch": batch,
            "level": level,
            "setting": setting.words if setting is not None else "",
        }
        row |= _climate(trial, climate, chamber, setting, now)
        row |= _mist(trial, mist, chamber, batch, setting, now)
        rows.append(row)
    return pd.DataFrame(rows)


def band_of(trial: Trial, setting: Setting | None) -> tuple[float, float] | None:
    """Give the humidity wanted: that of the rig, or else of a chamber held by a sensor."""
    rig = trial.rig
    if rig.band_low_rh is not None and rig.band_high_rh is not None:
        return rig.band_low_rh, rig.band_high_rh
    if setting is not None and setting.kind == "band":
        return float(setting.start_below_rh or 0), float(setting.stop_above_rh or 100)
    return None


def _climate(
    trial: Trial, log: Recent | None, chamber: str, setting: Setting | None, now: dt.datetime
) -> dict[str, Any]:
    none = dict.fromkeys(("rh_pct", "hours", "inside_pct", "below_pct", "above_pct", "stuck_pct"))
    out: dict[str, Any] = {"last": None, "step_s": None, "silent": None, **none}
    if log is None:
        return out
    mine = _of(log.table, chamber, "time", now)
    sound = [m for m in (log.last.get(chamber), *_newest(mine)) if m and m <= now + LATEST]
    out["last"] = max(sound, default=None)
    steps = [_step_s(group) for _, group in _by_sensor(mine)]
    out["step_s"] = step = min((s for s in steps if s), default=None)
    patience = max(SILENT, dt.timedelta(seconds=3 * (step or 0)))
    out["silent"] = out["last"] is None or now - out["last"] > patience
    if not len(mine) or "rh_pct" not in mine:
        return out
    mine = mine[mine["rh_pct"].notna()]
    spec = trial.logs["environment"]
    hold = 60 * (spec.max_gap_min or max(_GAP_MIN, 2 * (step or 0) / 60))
    parts = [_last_day(group, hold, now) for _, group in _by_sensor(mine)]
    if not out["silent"] and len(mine):
        newest = mine.groupby("sensor", observed=True)["time"].transform("max") == mine["time"]
        out["rh_pct"] = float(mine.loc[newest, "rh_pct"].mean())
    seconds = np.concatenate([[0.0], *(w for _, w in parts)])
    values = np.concatenate([[0.0], *(v for v, _ in parts)])
    total = seconds.sum()
    out["hours"] = float(total / 3600 / max(1, len(parts)))
    band = band_of(trial, setting)
    if band and total:
        out["below_pct"] = float(100 * seconds[values < band[0]].sum() / total)
        out["above_pct"] = float(100 * seconds[values > band[1]].sum() / total)
        out["inside_pct"] = 100 - out["below_pct"] - out["above_pct"]
    out["stuck_pct"] = next((v for _, g in _by_sensor(mine) if (v := _stuck(g))), None)
    return out


def _of(table: pd.DataFrame, chamber: str, when: str, now: dt.datetime) -> pd.DataFrame:
    """Give a chamber's rows up to now."""
    if not len(table):
        return table
    mine = table["chamber"].astype(str) == chamber
    return table[mine & (table[when] <= now + LATEST)]


def _by_sensor(table: pd.DataFrame) -> list[tuple[Any, pd.DataFrame]]:
    return list(table.groupby("sensor", observed=True)) if len(table) else []


def _newest(table: pd.DataFrame) -> list[dt.datetime]:
    return [table["time"].max().to_pydatetime()] if len(table) else []


def _step_s(table: pd.DataFrame) -> float | None:
    """Give the usual seconds between two records of one sensor."""
    steps = table["time"].diff().dt.total_seconds().dropna()
    return float(steps.median()) if len(steps) else None


def _last_day(
    table: pd.DataFrame, hold_s: float, now: dt.datetime
) -> tuple[np.ndarray, np.ndarray]:
    """Give the humidities of the last day and for how long each holds [s]."""
    inside = table[table["time"] > now - DAY].sort_values("time")
    times = inside["time"].astype("int64").to_numpy() / 1e9
    ends = np.append(times[1:], now.timestamp())
    return inside["rh_pct"].to_numpy(dtype=float), np.clip(ends - times, 0, hold_s)


def _stuck(table: pd.DataFrame) -> float | None:
    """Give the value that a sensor has shown without any change; None where it moves."""
    since = table["time"].max() - STUCK
    inside = table[table["time"] >= since]
    values = inside["rh_pct"]
    whole = table["time"].min() <= since + STUCK / 12
    if len(values) < _FEWEST or not whole or values.min() != values.max():
        return None
    value = float(values.iloc[0])
    return value if value < _SATURATED else None


def _mist(
    trial: Trial,
    log: Recent | None,
    chamber: str,
    batch: str,
    setting: Setting | None,
    now: dt.datetime,
) -> dict[str, Any]:
    out: dict[str, Any] = dict.fromkeys(
        ("mist_last", "mist_pct", "planned_pct", "mist_hours", "cycle_s")
    )
    if setting is not None and setting.kind == "timed":
        out["planned_pct"] = setting.duty_pct
        out["cycle_s"] = float((setting.on_s or 0) + (setting.off_s or 0))
    if log is None or not batch:
        return out
    mine = _of(log.table, chamber, "start", now)
    moments = [m for m in (log.last.get(chamber),) if m and m <= now + LATEST]
    if len(mine):
        moments.append(min(mine["stop"].max().to_pydatetime(), now))
    out["mist_last"] = last = max(moments, default=None)
    start = trial.batches[batch].start
    since = max(now - DAY, start) if start else now - DAY
    slack = dt.timedelta(seconds=max(600.0, 2 * (out["cycle_s"] or 0)))
    if last is None or last <= since:
        return out
    end = min(now, last + slack)
    seconds = (end - since).total_seconds()
    if seconds <= 0:
        return out
    given = 0.0
    if len(mine):
        starts, stops = (mine[name].astype("int64").to_numpy() / 1e9 for name in ("start", "stop"))
        inside = np.minimum(stops, end.timestamp()) - np.maximum(starts, since.timestamp())
        given = float(np.clip(inside, 0, None).sum())
    return out | {"mist_pct": 100 * given / seconds, "mist_hours": seconds / 3600}
