"""Were the schedules really different? Mist delivered against mist planned, per run."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from trialkit.columns.exposures import shown_in
from trialkit.errors import Finding
from trialkit.signals.mist_response import MistResponse
from trialkit.trial import Factor, Trial
from trialkit.wording import finding, message, place

#: A run whose duty is off by more than this share of the plan is named. Common practice,
#: no source.
TOLERANCE = 0.15


def mist_factor(trial: Trial) -> Factor | None:
    """Give the treatment that sets the mist (timed or by humidity band), if there is one."""
    for factor in trial.factors.values():
        if any(setting.kind in ("timed", "band") for setting in factor.levels.values()):
            return factor
    return None


def fidelity_table(
    trial: Trial,
    runs: pd.DataFrame,
    assignment: pd.DataFrame | None,
    response: MistResponse | None = None,
) -> pd.DataFrame:
    """Set the duty delivered in each run beside the duty planned.

    Parameters
    ----------
    trial : Trial
    runs : DataFrame
        Exposures of runs; the rows with window ``"whole"`` are used.
    assignment : DataFrame or None
        Run factors and a column named after the mist treatment.
    response : MistResponse, optional
        Whether vapour followed the mist.

    Returns
    -------
    DataFrame
        Run factors, `level`, `kind`, `planned_duty_pct` (missing for a humidity band),
        `delivered_duty_pct` (by the mist log), `ratio`, `effective_duty_pct` (without the mist
        that no vapour followed), the exposures that the register shows beside them (`rh_pct`,
        `hours_below_band`, `hours_above_band`), `mist_coverage_pct`. No rows where no treatment
        sets the mist or no mist was logged.
    """
    factor = mist_factor(trial)
    whole = runs[runs["window"] == "whole"]
    columns = ["level", "kind", "planned_duty_pct", "delivered_duty_pct", "ratio"]
    columns.append("effective_duty_pct")
    extra = [*shown_in("fidelity"), "mist_coverage_pct"]
    keys = [name for name in ("batch", "chamber") if name in runs.columns]
    if factor is None or assignment is None or whole["mist_on_s"].isna().all():
        return pd.DataFrame(columns=[*keys, *columns, *extra])
    # a treatment given within the run (to shelves) has no duty of its own
    if not set(factor.applied_to) <= set(keys):
        return pd.DataFrame(columns=[*keys, *columns, *extra])
    by = list(factor.applied_to)
    given = assignment[[*by, factor.name]].drop_duplicates()
    table = whole.merge(given, on=by, how="left")
    settings = [factor.levels.get(str(level)) for level in table[factor.name]]
    planned = [np.nan if s is None or s.duty_pct is None else s.duty_pct for s in settings]
    out = table[keys].copy()
    out["level"] = table[factor.name]
    out["kind"] = ["" if s is None else s.kind for s in settings]
    out["planned_duty_pct"] = np.asarray(planned, dtype=float)
    out["delivered_duty_pct"] = table["duty_pct"]
    with np.errstate(divide="ignore", invalid="ignore"):
        out["ratio"] = out["delivered_duty_pct"] / out["planned_duty_pct"]
    out["effective_duty_pct"] = out["delivered_duty_pct"] - _lost_duty(table, keys, response)
    for name in extra:
        out[name] = table[name]
    return out.reset_index(drop=True)


def _lost_duty(
    table: pd.DataFrame, keys: Sequence[str], response: MistResponse | None
) -> np.ndarray:
    """Give the share of each run's time with mist commanded that no vapour followed [%]."""
    if response is None or not len(response.runs):
        return np.zeros(len(table))
    lost = response.runs.set_index("run")["lost_on_s"]
    names = table[list(keys)].astype(str).agg(" ".join, axis=1)
    seconds = names.map(lost).fillna(0.0).to_numpy(dtype=float)
    return np.asarray(100 * seconds / (table["window_h"].to_numpy(dtype=float) * 3600))


def fidelity_findings(fidelity: pd.DataFrame, keys: Sequence[str]) -> list[Finding]:
    """Name the runs that did not get their schedule, and schedules that hardly differed."""
    findings = []
    off = fidelity[(fidelity["ratio"] - 1).abs() > TOLERANCE]
    for _, row in off.iterrows():
        findings.append(
            finding(
                "schedule_not_delivered",
                "caution",
                form="short_log" if row["mist_coverage_pct"] < 95 else "whole_log",
                run=place({k: row[k] for k in keys}),
                level=str(row["level"]),
                delivered=float(row["delivered_duty_pct"]),
                planned=float(row["planned_duty_pct"]),
                spans=float(row["mist_coverage_pct"]),
            )
        )
    timed = fidelity[fidelity["kind"] == "timed"]
    if timed["level"].nunique() > 1:
        got = timed.groupby("level")["delivered_duty_pct"].agg(["min", "max"]).sort_values("min")
        mixed = got["min"].iloc[1:].to_numpy() <= got["max"].iloc[:-1].to_numpy()
        if mixed.any():
            findings.append(
                finding(
                    "schedules_overlap",
                    "caution",
                    levels=[
                        message(
                            "place.duty",
                            level=str(level),
                            low=float(row["min"]),
                            high=float(row["max"]),
                        )
                        for level, row in got.iterrows()
                    ],
                )
            )
    return findings
