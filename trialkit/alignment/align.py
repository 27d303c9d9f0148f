"""Harvest, climate and mist brought together: one row per block and flush."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from trialkit.air import RH_ERROR_PCT
from trialkit.alignment.carriers import log_table, open_climate
from trialkit.alignment.checks import JudgedLog, LogCheck, judge_log, runs_until
from trialkit.alignment.fidelity import fidelity_findings, fidelity_table
from trialkit.alignment.frame import expose_frame
from trialkit.alignment.harvest_rows import assemble, one_row_each
from trialkit.alignment.measures import ExposureSettings
from trialkit.alignment.mist import MIST_COLUMNS, mist_per_window
from trialkit.alignment.open_checks import list_unmade
from trialkit.alignment.photons import add_photons
from trialkit.alignment.proposals import propose_deviations
from trialkit.alignment.result import Aligned
from trialkit.alignment.slow_findings import slow_findings
from trialkit.alignment.slow_readings import SLOW_COLUMNS
from trialkit.alignment.sources import Source
from trialkit.alignment.summaries import EXPOSURE_COLUMNS, Summaries
from trialkit.alignment.trust import add_agreement, add_uncertainty
from trialkit.alignment.who_got_what import as_given_first, plan_of, who_got_what
from trialkit.alignment.windows import derive_windows, run_factors
from trialkit.alignment.written_levels import written_findings
from trialkit.columns.exposures import LIMITS
from trialkit.design.layout.progress import Told, shown_progress
from trialkit.design.question_record import question_findings
from trialkit.errors import Finding
from trialkit.logs.climate.outline import Outline, outline_of
from trialkit.right_kind import check_kinds
from trialkit.signals.overrides import tell_unheeded
from trialkit.trial import Trial
from trialkit.wording import finding, message, place, several

#: Most chamber runs without any record that are named one by one.
_MOST_SILENT = 12


def align(
    trial: Trial,
    harvest: Any,
    climate: Any = None,
    mist: Any = None,
    *,
    plan: Any = None,
    windows: pd.DataFrame | None = None,
    settings: ExposureSettings | None = None,
    progress: Told | bool | None = None,
) -> Aligned:
    """Put beside every weight what its chamber really got until then.

    Use it once the logs are read. Nothing is filled in: a window with too little of its time
    covered by records keeps its numbers and is marked; a unit without a harvest row keeps its
    place with missing weights.

    Parameters
    ----------
    trial : Trial
    harvest : Log or DataFrame
        Harvest table: `unit` or the unit factors, `flush, time, fresh_g`; the other harvest
        columns (`dry_g`, `caps`, those of the trial file), `status`, `note` optional.
    climate : Log, DataFrame, path(s), Dask DataFrame or None
        Environment table: `chamber, time` and any of `sensor, temp_c, rh_pct, co2_ppm,
        light_lux, ppfd_umol_m2_s`. Parquet or CSV files too large for memory, a `LargeLog`, or a
        Dask table are judged and summed chamber by chamber, by the same rules.
    mist : Log, DataFrame or None
        Intervals with mist on: `chamber, start, stop`.
    plan : Plan, DataFrame or None
        Who received what; read from the trial's folder if None.
    windows : DataFrame, optional
        Windows that replace or add to those derived from the harvest: run factors, `window,
        start, stop` (UTC).
    settings : ExposureSettings, optional
        Limits; by default from the trial file (`default_settings`).
    progress : callable, bool or None
        Told (chambers done, chambers in all); True shows a bar.

    Returns
    -------
    Aligned

    Raises
    ------
    AlignError
        If the harvest has no usable columns or there is no plan.

    Notes
    -----
    Exposures are time-weighted integrals over the records (see `trialkit.alignment.kernel`
    for the line drawn between them). Several sensors in a chamber are averaged, each by the
    time it covers. Blocks of one chamber run share the exposures of that run.

    Examples
    --------
    >>> import trialkit as tk
    >>> trial = tk.read_trial(tk.demo_folder())
    >>> data = tk.align(trial, tk.read_harvest(trial))
    >>> len(data.table), data.table.loc[0, "unit"]
    (432, 'B1-T1-top-1')
    """
    check_kinds("align", trial=trial)
    picked = log_table(harvest, "harvest")
    with open_climate(climate) as source:
        pulses = log_table(mist, "mist")
        outline = None if source is None else source.outline
        settings = settings or settings_of(trial, outline)
        picked, findings = one_row_each(trial, picked)
        until = None if outline is None else outline.last
        spans, more = derive_windows(trial, picked, override=windows, until=until)
        if source is None and pulses is None:  # no log could fill a window, known or not
            more = [finding for finding in more if finding.code != "window_unknown"]
        told = _told(harvest, climate, mist)
        judged = _judge(trial, source, pulses, spans, settings, told, progress)
    check = judged.check
    findings += check.findings
    runs, sensors, thin = _expose(
        trial, judged.exposures, (pulses, getattr(mist, "spans", None)), spans, settings
    )
    runs, lit = add_photons(runs, trial)
    keys = list(run_factors(trial))
    runs = add_agreement(runs, sensors, keys)
    runs = _add_slow(runs, judged.slow)
    runs = add_uncertainty(runs, sensors, trial, check.calibrated)
    plan = plan_of(trial, plan)
    assignment, late, given = who_got_what(trial, plan, picked, spans)
    actual = as_given_first(trial, assignment, given)
    fidelity = fidelity_table(trial, runs, actual, check.response)
    logged = getattr(mist, "spans", None)
    proposed = [] if actual is None else propose_deviations(trial, runs, actual, pulses, logged)
    table, missing = assemble(trial, picked, assignment, runs)
    if any(finding.code == "units_missing" for finding in told):
        missing = []  # the reader of the harvest already listed them
    findings += more + thin + lit + missing + [*late.findings]
    findings += fidelity_findings(fidelity, keys)
    findings += slow_findings(runs, fidelity, keys)
    findings += question_findings(trial, plan)
    findings += written_findings(trial, log_table(harvest, "harvest"), assignment, given)
    unmade = list_unmade(trial, judged.open, runs, check.response, mist=pulses)
    kept = check if source is not None else None
    return Aligned(
        table,
        runs,
        sensors,
        fidelity,
        tuple(findings),
        settings,
        trial,
        kept,
        unmade,
        given=given,
        not_randomised=late.units,
        proposals=tuple(proposed),
    )


def _judge(
    trial: Trial,
    source: Source | None,
    pulses: pd.DataFrame | None,
    spans: pd.DataFrame,
    settings: ExposureSettings,
    told: tuple[Finding, ...],
    progress: Told | bool | None,
) -> JudgedLog:
    """Judge the climate log and sum it over the windows, where there is one."""
    spec = trial.logs.get("environment")
    asked = spec.asked if spec else ()
    if source is None:
        return JudgedLog(LogCheck(None, None, None, None), None, None, ())
    if "chamber" not in run_factors(trial):
        unheeded = tuple(tell_unheeded(asked, why="no_chambers"))
        return JudgedLog(LogCheck(source.held, None, None, None, unheeded), None, None, ())
    runs = runs_until(trial, source.outline.last, spans)
    with shown_progress(progress, str(message("step.align"))) as tell:
        return judge_log(
            trial,
            source,
            pulses,
            runs=runs,
            settings=settings,
            told=told,
            windows=spans,
            progress=tell,
        )


def _add_slow(runs: pd.DataFrame, slow: pd.DataFrame | None) -> pd.DataFrame:
    """Add how far readings too slow for the mist leave each window open."""
    if slow is None:
        return runs.assign(**dict.fromkeys(SLOW_COLUMNS, np.nan))
    return pd.concat([runs, slow.set_axis(runs.index)], axis=1)


def _told(*logs: Any) -> tuple[Finding, ...]:
    """Collect what the readers of the logs already found."""
    return tuple(f for log in logs for f in getattr(log, "findings", ()))


def default_settings(trial: Trial, climate: pd.DataFrame | None) -> ExposureSettings:
    """Take the limits from the trial file.

    Parameters
    ----------
    trial : Trial
    climate : DataFrame or None
        The climate log; where the file states no `max_gap_min`, the largest gap bridged is 10
        minutes or two and a half times the usual step of the log, whichever is longer. The error
        of humidity near saturation is `rig.sensor_rh_error`, or 3 points if that is more.

    Returns
    -------
    ExposureSettings
    """
    return settings_of(trial, None if climate is None else outline_of(climate))


def settings_of(trial: Trial, outline: Outline | None) -> ExposureSettings:
    """Take the limits from the trial file; see `default_settings`."""
    spec = trial.logs.get("environment")
    given = {name: getattr(trial.rig, name) for name in LIMITS if LIMITS[name].section == "rig"}
    if trial.rig.sensor_rh_error is not None:
        # wet sensors overshoot by more than their data sheets state of drier air
        given["rh_error_pct"] = max(float(trial.rig.sensor_rh_error), RH_ERROR_PCT)
    if spec is not None:
        given |= spec.limits
        stated = {"max_gap_min": spec.max_gap_min, "min_coverage_pct": spec.min_coverage_pct}
        given |= {name: float(value) for name, value in stated.items() if value is not None}
    if "max_gap_min" not in given and outline is not None and outline.rows:
        given["max_gap_min"] = max(10.0, 2.5 * outline.step_min)
    return ExposureSettings(**given)


def usual_step_min(climate: pd.DataFrame) -> float:
    """Give the usual time between records of one sensor: the largest median [min]."""
    return outline_of(climate).step_min


def _expose(
    trial: Trial,
    summed: Summaries | None,
    mist: tuple[pd.DataFrame | None, pd.DataFrame | None],
    spans: pd.DataFrame,
    settings: ExposureSettings,
) -> tuple[pd.DataFrame, pd.DataFrame, list[Finding]]:
    """Sum climate and mist over the windows of every chamber run."""
    pulses, logged = mist
    if "chamber" not in spans.columns or (summed is None and pulses is None and logged is None):
        runs = spans.copy()
        for name in (*EXPOSURE_COLUMNS, *MIST_COLUMNS):
            runs[name] = np.nan
        runs["low_coverage"] = False
        return runs, runs.iloc[:0].assign(sensor=""), []
    silent = summed is None
    nothing = pd.DataFrame({"chamber": [], "time": pd.Series([], dtype="datetime64[ns, UTC]")})
    out = expose_frame(nothing, spans, settings=settings) if summed is None else summed
    delivered = mist_per_window(pulses, spans, trial.rig, spans=logged)
    runs = pd.concat([out.chambers, delivered], axis=1)
    findings = []
    runs["low_coverage"] = (
        (runs["coverage_pct"].fillna(0) < settings.min_coverage_pct)
        & runs["window_h"].notna()
        & (not silent)
    )
    thin = runs[runs["low_coverage"]]
    if len(thin):
        keys = [*run_factors(trial), "window"]
        thin, silent_runs = _each_gap_once(thin, keys[:-1])
        named = [
            message(
                "place.covered",
                place=place({k: row[k] for k in keys}),
                percent=float(row["coverage_pct"]),
            )
            for _, row in thin.iterrows()
        ]
        findings.append(
            finding(
                "low_coverage",
                "caution",
                count=len(thin),
                least=float(settings.min_coverage_pct),
                windows=several(named, min(max(4, silent_runs), _MOST_SILENT)),
            )
        )
    return runs, out.sensors, findings


def _each_gap_once(thin: pd.DataFrame, keys: list[str]) -> tuple[pd.DataFrame, int]:
    """Leave out the windows of runs without any record, which come first; count these runs."""
    whole = thin["window"].eq("whole") & ~(thin["coverage_pct"].fillna(0) > 0)
    names = thin[keys].astype(str).agg("|".join, axis=1)
    inner = names.isin(names[whole]) & ~whole
    kept = pd.concat([thin[whole], thin[~whole & ~inner]])
    return kept, int(whole.sum())
