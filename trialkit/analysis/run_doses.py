"""The dose of each chamber run and what it gave; which doses move together."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit.analysis.by_run import run_keys
from trialkit.analysis.dose_doubts import exposure_label
from trialkit.analysis.table import analysis_table
from trialkit.columns.exposures import DOSES, EXPOSURE
from trialkit.errors import Finding, ModelError
from trialkit.wording import finding

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.alignment.result import Aligned
    from trialkit.trial import Factor, Trial

_FEWEST_ALIKE = 4  # runs with both exposures below which their likeness is not judged


def doses_of_runs(
    trial: Trial, data: Aligned, exposure: str, *, window: str, response: str, factor: Factor
) -> tuple[pd.DataFrame, list[Finding]]:
    """Give dose, mean response and level of each chamber run, and say which have no dose.

    Parameters
    ----------
    trial : Trial
    data : Aligned
    exposure : str
        Column of ``data.runs``.
    window : str
    response : str
    factor : Factor
        Whose level is told.

    Returns
    -------
    runs : DataFrame
        Keys of the run, `mean, level, rows, dose`. Flushes differ, so a weight counts against the
        mean of its flush: a run that lacks a flush stands neither higher nor lower for it.
    findings : list of Finding

    Raises
    ------
    ModelError
        If the exposure was not recorded or hardly differs between runs.
    """
    keys = run_keys(trial)
    runs = data.runs
    if exposure not in runs or runs[exposure].notna().sum() < 3:
        known = [name for name in DOSES if name in runs and runs[name].notna().any()]
        raise ModelError(
            f"no chamber run has {exposure!r} recorded; recorded are {', '.join(known) or 'none'}"
        )
    table = analysis_table(trial, data, response)
    table = _without_flushes(table[table[response].notna()], response)
    means = table.groupby(keys, sort=False, observed=True).agg(
        mean=(response, "mean"), level=(factor.name, "first"), rows=(response, "size")
    )
    dose = runs[runs["window"] == window][[*keys, exposure]].rename(columns={exposure: "dose"})
    out = means.reset_index().merge(dose.astype(dict.fromkeys(keys, str)), how="inner", on=keys)
    missing = int(len(means) - out["dose"].notna().sum())
    out = out[out["dose"].notna()].reset_index(drop=True)
    if len(out) < 4 or out["dose"].nunique() < 3:
        raise ModelError(f"{exposure} hardly differs between the runs: there is no dose to follow")
    if not missing:
        return out, []
    told = finding(
        "runs_without_dose",
        "caution",
        form="mist" if exposure in EXPOSURE and EXPOSURE[exposure].channel == "mist" else "air",
        missing=missing,
        runs=len(means),
        exposure=exposure_label(exposure),
    )
    return out, [told]


def _without_flushes(table: pd.DataFrame, response: str) -> pd.DataFrame:
    """Take what all runs have in common in a flush out of the response, and leave its mean."""
    if "flush" not in table or table["flush"].nunique() < 2:
        return table
    means = table.groupby("flush", observed=True)[response].mean()
    common = table["flush"].map(means).astype(float)
    return table.assign(**{response: table[response] - common + means.mean()})


def likeness(trial: Trial, data: Aligned, exposure: str, window: str) -> pd.DataFrame:
    """Correlate the exposure with the others, between runs of the same batch that have both.

    Parameters
    ----------
    trial : Trial
    data : Aligned
    exposure, window : str
        As in `doses_of_runs`.

    Returns
    -------
    DataFrame
        `exposure, correlation, runs`, one row for each other exposure that can be judged.
    """
    import pandas as pd

    runs = data.runs[data.runs["window"] == window]
    rows = []
    for name in DOSES:
        if name == exposure or name not in runs:
            continue
        both = runs[[exposure, name]].notna().all(axis=1)
        values = runs.loc[both, [exposure, name]]
        size = values[name].abs().mean()
        if "batch" in trial.levels:
            values = values - values.groupby(runs.loc[both, "batch"]).transform("mean")
        if len(values) < _FEWEST_ALIKE or not float(values[name].std()) > 1e-9 * max(1.0, size):
            continue
        alike = float(values[exposure].corr(values[name]))
        rows.append({"exposure": name, "correlation": alike, "runs": len(values)})
    return pd.DataFrame(rows, columns=["exposure", "correlation", "runs"])
