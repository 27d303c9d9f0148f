"""Photon dose from lux, where the lamp is known and no photon flux was logged."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.errors import Finding
from trialkit.light import LightError, find_lamp, ppfd_from_lux
from trialkit.trial import Trial
from trialkit.wording import finding


def only_lamp(trial: Trial) -> str | None:
    """Give the lamp of the trial's light levels, if they all name the same known one."""
    lamps = {
        setting.lamp
        for factor in trial.factors.values()
        for setting in factor.levels.values()
        if setting.kind == "light"
    }
    if len(lamps) != 1:
        return None
    lamp = lamps.pop()
    try:
        find_lamp(lamp or "")
    except LightError:
        return None
    return lamp


def add_photons(runs: pd.DataFrame, trial: Trial) -> tuple[pd.DataFrame, list[Finding]]:
    """Work out the photon dose of windows that have lux but no photon flux.

    Parameters
    ----------
    runs : DataFrame
        Exposures per window.
    trial : Trial
        Its light levels name the lamp.

    Returns
    -------
    DataFrame
        `runs` with `photon_mol_m2` filled where it follows from lux [mol m⁻²].
    list of Finding
        A note that says by which lamp.
    """
    lamp = only_lamp(trial)
    need = runs["photon_mol_m2"].isna() & runs["light_lux"].notna()
    if lamp is None or not need.any():
        return runs, []
    covered_s = runs["window_h"] * 3600 * runs["light_coverage_pct"] / 100
    flux = np.asarray(ppfd_from_lux(runs["light_lux"].to_numpy(dtype=float), lamp=lamp))
    dose = runs["photon_mol_m2"].where(~need, flux * covered_s / 1e6)
    told = finding("photons_from_lux", "note", lamp=lamp, factor=find_lamp(lamp).lux_per_umol)
    return runs.assign(photon_mol_m2=dose), [told]
