"""The surface over what chambers really got, beside that over what was set.

What was set was drawn by chance, what came of it was not: a tent whose mist was weak may have
been a poor tent in other ways too. This surface helps to understand the answer and never is it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from trialkit.alignment.slow_findings import HUMID
from trialkit.alignment.slow_readings import too_slow
from trialkit.analysis.by_run import run_keys
from trialkit.analysis.dose_doubts import dose_uncertain, exposure_label
from trialkit.analysis.mist_coverage import covered_runs, least_coverage
from trialkit.analysis.run_doses import doses_of_runs
from trialkit.analysis.tuned import fit_settings, settings_of
from trialkit.columns.exposures import EXPOSURE
from trialkit.errors import Finding, ModelError
from trialkit.settings.setting_range import SettingRange
from trialkit.surface.best_region import BestRegion, best_region
from trialkit.surface.limits import surface_limits
from trialkit.wording import finding

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.alignment.result import Aligned
    from trialkit.surface.fit_surface import Surface
    from trialkit.trial import Factor, Trial

#: What mist can be measured as in a chamber run, by its log and by the air.
EXPOSURES = ("duty_pct", "rh_pct")
_MIST = ("duty_pct", "start_below_rh")
_WINDOW = "whole"


@dataclass(frozen=True, eq=False)
class DeliveredSurface:
    """A surface over what was delivered. Made by `surfaces_delivered`.

    Parameters
    ----------
    treatment : str
        Treatment whose settings are replaced by what was delivered.
    exposure : str
        Column of ``data.runs`` that takes their place; the surface's setting has its name.
    surface : Surface
    region : BestRegion
        As if the exposures had been drawn, which they were not.
    limits : DataFrame
        `surface_limits`.
    runs : DataFrame
        One row per chamber run: its keys, `dose`, the `mean` of what its blocks gave, `level`
        (what was set).
    findings : tuple of Finding
    """

    treatment: str
    exposure: str
    surface: Surface
    region: BestRegion
    limits: pd.DataFrame
    runs: pd.DataFrame
    findings: tuple[Finding, ...] = ()


def surfaces_delivered(
    trial: Trial, data: Aligned, *, more_is_better: bool = True
) -> tuple[list[DeliveredSurface], list[Finding]]:
    """Fit the surface again, with mist as it was measured in each chamber run.

    Parameters
    ----------
    trial : Trial
        Whose treatments have ranges.
    data : Aligned
    more_is_better : bool

    Returns
    -------
    surfaces : list of DeliveredSurface
        One for the duty by the mist log and one for the mean humidity, as far as they were
        logged; empty where no range sets the mist of whole chamber runs.
    findings : list of Finding
        Why one is missing that could have been.

    Notes
    -----
    Other settings stay as set. The random terms are the trial's. An exposure that is known with
    error makes the surface flatter than it is (`trialkit.analysis.dose`).
    """
    keys, found, said = run_keys(trial), [], []
    for factor in trial.tuned:
        tuned = factor.tuned
        if tuned is None or tuned.name not in _MIST or not set(factor.applied_to) <= set(keys):
            continue
        for exposure in _logged(data):
            try:
                found.append(_fit(trial, data, factor, exposure, more_is_better))
            except ModelError as problem:
                label = exposure_label(exposure)
                said.append(
                    finding("delivered_not_fitted", "note", exposure=label, problem=str(problem))
                )
    return found, said


def _logged(data: Aligned) -> Iterator[str]:
    """Give the exposures that some chamber run has."""
    runs = data.runs
    if runs is not None and "window" in runs:
        for name in EXPOSURES:
            if name in runs and runs.loc[runs["window"] == _WINDOW, name].notna().any():
                yield name


def _fit(
    trial: Trial, data: Aligned, factor: Factor, exposure: str, more: bool
) -> DeliveredSurface:
    covered = covered_runs(data.runs, trial.rig, least_pct=least_coverage(data))
    data = replace(data, runs=covered)
    runs, findings = doses_of_runs(
        trial, data, exposure, window=_WINDOW, response=trial.question.response, factor=factor
    )
    if exposure in HUMID and too_slow(covered[covered["window"] == _WINDOW]).any():
        told = finding("dose_by_slow_readings", "caution", exposure=exposure_label(exposure))
        findings.append(told)
    findings += dose_uncertain(data, runs, exposure, _WINDOW)
    dose = runs["dose"].to_numpy(dtype=float)
    today = dose[(runs["level"] == factor.control).to_numpy()]
    taken = SettingRange(
        exposure,
        float(dose.min()),
        float(dose.max()),
        float(today.mean() if len(today) else np.median(dose)),
        EXPOSURE[exposure].unit,
    )
    settings = [taken if s.name == factor.name else s for s in settings_of(trial)]
    surface = fit_settings(trial, data, settings, {factor.name: runs})
    return DeliveredSurface(
        factor.name,
        exposure,
        surface,
        best_region(surface, more_is_better=more, seed=trial.seed),
        surface_limits(surface, seed=trial.seed),
        runs,
        tuple(findings),
    )
