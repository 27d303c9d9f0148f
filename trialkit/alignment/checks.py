"""Climate and mist logs judged together: sensors set right, flagged, and mist followed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from trialkit.alignment.measures import ExposureSettings
from trialkit.alignment.one_chamber import Job, Judged
from trialkit.alignment.open_checks import Open
from trialkit.alignment.sources import HeldLog, Source
from trialkit.alignment.summaries import Summaries, join_summaries
from trialkit.alignment.windows import list_runs, run_factors
from trialkit.columns.channels import READ
from trialkit.design.layout.progress import Told
from trialkit.errors import Finding
from trialkit.signals.calibration import Calibrated, order_corrections, tell_corrections
from trialkit.signals.mist_response import MistResponse, gather_response
from trialkit.signals.overrides import tell_unheeded
from trialkit.signals.sensors import SensorFlags, find_flags, gather_flags
from trialkit.trial import Trial


@dataclass(frozen=True)
class LogCheck:
    """What the logs are worth. Made by `check_logs`.

    Parameters
    ----------
    climate : DataFrame or None
        The log, calibrated, without the readings that cannot be trusted (they are missing). Of a
        log too large for memory the lowest, middle and highest humidity of many stretches, enough
        to draw it.
    calibrated : Calibrated or None
        Corrections of its sensors; its table is `climate`.
    flags : SensorFlags or None
    response : MistResponse or None
    findings : tuple of Finding
    """

    climate: pd.DataFrame | None
    calibrated: Calibrated | None
    flags: SensorFlags | None
    response: MistResponse | None
    findings: tuple[Finding, ...] = ()


def check_logs(
    trial: Trial,
    climate: pd.DataFrame | None,
    mist: pd.DataFrame | None,
    *,
    max_gap_min: float = 10.0,
    told: tuple[Finding, ...] = (),
    spans: pd.DataFrame | None = None,
) -> LogCheck:
    """Set sensors right, flag those that lie, and see whether the mist came out.

    Needs no harvest, so it can be run while the trial runs.

    Parameters
    ----------
    trial : Trial
    climate, mist : DataFrame or None
        Tables of the environment and mist logs.
    max_gap_min : float
        Largest gap that is bridged [min].
    told : tuple of Finding
        Findings of the readers; what they already say is not said again.
    spans : DataFrame, optional
        Windows from the harvest (`derive_windows`), for runs whose end the trial file does
        not give.

    Returns
    -------
    LogCheck

    Examples
    --------
    >>> import trialkit as tk
    >>> trial = tk.read_trial(tk.demo_folder())
    >>> mist = tk.read_mist(trial)
    >>> tk.check_logs(trial, None, mist.table).findings
    ()
    """
    spec = trial.logs.get("environment")
    if climate is None or "chamber" not in run_factors(trial):
        why = "no_log" if climate is None else "no_chambers"
        unheeded = tell_unheeded(spec.asked if spec else (), why=why)
        return LogCheck(climate, None, None, None, tuple(unheeded))
    settings = ExposureSettings(max_gap_min=max_gap_min)
    runs = named_runs(trial, climate, spans)
    return judge_log(trial, HeldLog(climate), mist, runs=runs, settings=settings, told=told).check


@dataclass(frozen=True)
class JudgedLog:
    """A climate log judged and summed. Made by `judge_log`.

    Parameters
    ----------
    check : LogCheck
    exposures : Summaries or None
        Over the windows, in their order.
    slow : DataFrame or None
        Columns of `judge_readings`, rows as the windows.
    open : tuple of Open
        What could not be looked for, by chamber.
    """

    check: LogCheck
    exposures: Summaries | None
    slow: pd.DataFrame | None
    open: tuple[Open, ...]


def judge_log(
    trial: Trial,
    source: Source,
    mist: pd.DataFrame | None,
    *,
    runs: pd.DataFrame,
    settings: ExposureSettings,
    told: tuple[Finding, ...] = (),
    windows: pd.DataFrame | None = None,
    progress: Told | None = None,
) -> JudgedLog:
    """Judge a climate log chamber by chamber, and sum it over windows.

    Parameters
    ----------
    trial : Trial
    source : Source
    mist : DataFrame or None
    runs : DataFrame
        Chamber runs (`named_runs`).
    settings : ExposureSettings
    told : tuple of Finding
        Findings of the readers; what they already say is not said again.
    windows : DataFrame, optional
        `chamber, start, stop` (UTC) and any further columns; nothing is summed without it.
    progress : callable, optional
        Told (chambers done, chambers in all).

    Returns
    -------
    JudgedLog
    """
    spec, outline = trial.logs.get("environment"), source.outline
    job = Job(
        outline,
        order_corrections(spec.calibration if spec else (), trial.zone),
        spec.asked if spec else (),
        trial.zone,
        runs,
        windows,
        mist,
        trial.rig,
        settings,
        thin=source.held is None,
    )
    named = {*outline.chambers, *runs["chamber"].astype(str)}
    if windows is not None:
        named |= set(windows["chamber"].astype(str))
    chambers = sorted(named)
    found: dict[str, Judged] = {}
    for name, judged in zip(chambers, source.each(chambers, job), strict=True):
        found[name] = judged
        if progress is not None:
            progress(len(found), len(chambers))
    check = _gather_check(trial, source, job, found, told)
    summed = windows is not None and len(windows) > 0
    slow = [one.slow for one in found.values() if one.slow is not None]
    return JudgedLog(
        check,
        _gather_exposures(windows, found) if windows is not None and summed else None,
        pd.concat(slow).sort_index() if summed and slow else None,
        tuple(one.open for one in found.values()),
    )


def _gather_check(
    trial: Trial,
    source: Source,
    job: Job,
    found: Mapping[str, Judged],
    told: tuple[Finding, ...],
) -> LogCheck:
    """Put together and tell what the chambers' logs are worth."""
    zone, known = trial.zone, job.outline.series
    each = zip(*(one.counts for one in found.values()), strict=True)
    counts = [sum(some) for some in each]
    corrected = tell_corrections(job.corrections, counts, known, zone)
    climate = _gather_climate(source, found)
    parts = [one.flags for one in found.values()] or [find_flags(climate.iloc[:0])]
    flags = gather_flags(parts, within=job.runs, zone=zone, asked=job.asked)
    findings = [*corrected, *flags.findings]
    response = None
    if job.mist_followed:
        order = dict.fromkeys(job.runs["chamber"].astype(str))
        followed = [one for name in order if (one := found[name].followed) is not None]
        response = gather_response(
            followed, within=job.runs, reservoir_l=trial.rig.reservoir_l, zone=zone
        )
        clock_told = any(finding.code.startswith("clock") for finding in told)
        findings += [f for f in response.findings if f.code != "mist_clock" or not clock_told]
    calibrated = Calibrated(climate, job.corrections, corrected)
    return LogCheck(climate, calibrated, flags, response, tuple(findings))


def _gather_climate(source: Source, found: Mapping[str, Judged]) -> pd.DataFrame:
    """Give the log as it was used: the whole of one in memory, else what is kept to draw it."""
    if not isinstance(source, HeldLog) or source.held is None:
        kept = [one.climate for one in found.values() if len(one.climate)]
        empty = pd.DataFrame(columns=list(source.outline.columns))
        return pd.concat(kept, ignore_index=True) if kept else empty
    if not any(one.changed for one in found.values()):
        return source.held
    out = source.held.copy()
    for column in (name for name in READ if name in out.columns):
        values = out[column].to_numpy(dtype=float, na_value=np.nan, copy=True)
        for name, one in found.items():
            if one.changed:
                values[source.rows(name)] = one.climate[column].to_numpy(dtype=float)
        out[column] = values
    return out


def _gather_exposures(windows: pd.DataFrame, found: Mapping[str, Judged]) -> Summaries:
    """Put the exposures of all windows in the order of the windows."""
    chamber = windows["chamber"].astype(str).to_numpy()
    places = {name: np.flatnonzero(chamber == name) for name in found}
    parts = [(places[name], one.exposures) for name, one in found.items() if one.exposures]
    return join_summaries(parts)


def doubted_humidity(
    check: LogCheck | None, chamber: str, start: pd.Timestamp, stop: pd.Timestamp
) -> pd.DataFrame | None:
    """List the flagged times of a chamber's humidity that touch a stretch of time.

    Gaps are left out: they show by themselves. None where nothing was flagged at all.
    """
    if check is None or check.flags is None or not len(check.flags.table):
        return None
    flags = check.flags.table
    about = flags["quantity"].isin(["rh_pct", "", None]) & (flags["flag"] != "gap")
    touches = (flags["start"] < stop) & (flags["stop"] > start)
    return flags[about & touches & (flags["chamber"].astype(str) == chamber)]


def named_runs(
    trial: Trial, climate: pd.DataFrame, spans: pd.DataFrame | None = None
) -> pd.DataFrame:
    """List the chamber runs that have begun: `run`, `start`, `stop` (at most the last record).

    See `runs_until`.
    """
    return runs_until(trial, climate["time"].max(), spans)


def runs_until(trial: Trial, last: Any, spans: pd.DataFrame | None = None) -> pd.DataFrame:
    """List the chamber runs that have begun: `run`, `start`, `stop` (at most the last record).

    A run whose end the trial file does not give lasts until its last harvest where that is
    known, and never beyond the next start in its chamber.
    """
    runs = list_runs(trial).rename(columns={"end": "stop"})
    keys = list(run_factors(trial))
    runs["run"] = runs[keys].astype(str).agg(" ".join, axis=1)
    unstated = runs["stop"].isna()
    if spans is not None and unstated.any():
        whole = spans.loc[spans["window"] == "whole", [*keys, "stop"]]
        ends = runs[keys].merge(whole, on=keys, how="left")["stop"]
        runs["stop"] = runs["stop"].fillna(ends.set_axis(runs.index))
    following = runs.sort_values("start").groupby("chamber")["start"].shift(-1).reindex(runs.index)
    runs["stop"] = runs["stop"].fillna(following)
    runs.loc[unstated & (runs["stop"] > following), "stop"] = following
    runs["stop"] = runs["stop"].fillna(last).clip(upper=last)
    return runs[runs["start"].notna() & (runs["stop"] > runs["start"])]
