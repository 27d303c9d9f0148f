"""Climate and mist logs judged together: sensors set right, flagged, and mist followed."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from trialkit.alignment.windows import list_runs, run_factors
from trialkit.errors import Finding
from trialkit.signals.calibration import Calibrated, calibrate_sensors
from trialkit.signals.mist_response import MistResponse, check_response
from trialkit.signals.overrides import tell_unheeded
from trialkit.signals.sensors import SensorFlags, flag_sensors, leave_out
from trialkit.trial import Trial


@dataclass(frozen=True)
class LogCheck:
    """What the logs are worth. Made by `check_logs`.

    Parameters
    ----------
    climate : DataFrame or None
        The log, calibrated, without the readings that cannot be trusted (they are missing).
    calibrated : Calibrated or None
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
    """
    spec = trial.logs.get("environment")
    if climate is None or "chamber" not in run_factors(trial):
        why = "no_log" if climate is None else "no_chambers"
        unheeded = tell_unheeded(spec.asked if spec else (), why=why)
        return LogCheck(climate, None, None, None, tuple(unheeded))
    zone = trial.zone
    calibrated = calibrate_sensors(climate, spec.calibration if spec else (), zone=zone)
    runs = named_runs(trial, climate, spans)
    asked = spec.asked if spec else ()
    flags = flag_sensors(
        calibrated.table, within=runs, max_gap_min=max_gap_min, zone=zone, asked=asked
    )
    clean = leave_out(calibrated.table, flags)
    response = None
    findings = [*calibrated.findings, *flags.findings]
    if mist is not None and {"temp_c", "rh_pct"} <= set(climate.columns):
        # a wet sensor is no proof against the mist: a relay stuck on looks the same
        wet = (flags.table["flag"] == "saturated").any()
        seen = leave_out(calibrated.table, flags, keep=("saturated",)) if wet else clean
        response = check_response(
            seen, mist, within=runs, reservoir_l=trial.rig.reservoir_l, zone=zone
        )
        clock_told = any(finding.code.startswith("clock") for finding in told)
        findings += [f for f in response.findings if f.code != "mist_clock" or not clock_told]
    return LogCheck(clean, calibrated, flags, response, tuple(findings))


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
    last = climate["time"].max()
    runs["stop"] = runs["stop"].fillna(last).clip(upper=last)
    return runs[runs["start"].notna() & (runs["stop"] > runs["start"])]
