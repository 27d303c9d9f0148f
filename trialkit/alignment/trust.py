"""How far the humidity of a window can be trusted: sensors against each other, and their error."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from trialkit.air import vpd_uncertainty_kpa
from trialkit.alignment.slow_readings import too_slow
from trialkit.signals.calibration import Calibrated
from trialkit.trial import Trial


def add_agreement(runs: pd.DataFrame, sensors: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    """Add how many sensors a window has and how far apart they are.

    Parameters
    ----------
    runs, sensors : DataFrame
        Exposures per window, and per window and sensor.
    keys : list of str
        Run factors.

    Returns
    -------
    DataFrame
        `runs` with `sensors` (with humidity or temperature), `rh_apart_pct`, `temp_apart_c`:
        highest minus lowest mean among the sensors, missing where there is only one.
    """
    by = [*keys, "window"]
    heard = sensors[sensors[["rh_pct", "temp_c"]].notna().any(axis=1)]
    if not len(heard):
        return runs.assign(sensors=0, rh_apart_pct=np.nan, temp_apart_c=np.nan)
    grouped = heard.groupby(by, sort=False)
    told = pd.DataFrame(
        {
            "sensors": grouped.size(),
            "rh_apart_pct": grouped["rh_pct"].max() - grouped["rh_pct"].min(),
            "temp_apart_c": grouped["temp_c"].max() - grouped["temp_c"].min(),
        }
    ).reset_index()
    for name in ("rh_apart_pct", "temp_apart_c"):
        told[name] = told[name].where(told["sensors"] > 1)
    out = runs.merge(told, on=by, how="left")
    out["sensors"] = out["sensors"].fillna(0).astype("int64")
    return out


def add_uncertainty(
    runs: pd.DataFrame,
    sensors: pd.DataFrame,
    trial: Trial,
    calibrated: Calibrated | None,
) -> pd.DataFrame:
    """Add the standard uncertainty of humidity and vapour pressure deficit of each window.

    Parameters
    ----------
    runs, sensors : DataFrame
        Exposures per window, and per window and sensor; with the columns of `judge_readings`,
        what slow readings leave open is added.
    trial : Trial
        `rig.sensor_rh_error` and `sensor_temp_error` are limits of error, used as a/√3 where a
        sensor was not calibrated.
    calibrated : Calibrated or None

    Returns
    -------
    DataFrame
        `runs` with `rh_u_pct` [% points] and `vpd_u_kpa` [kPa]; missing where nothing is known
        about the sensors.

    Notes
    -----
    A sensor's error is the same from record to record, so averaging over time does not make it
    smaller; the sensors of a chamber are taken as independent of each other. The error of the
    deficit is worked out at the window's mean temperature and humidity.
    """
    names = (
        {
            str(chamber): sorted(part["sensor"].astype(str).unique())
            for chamber, part in sensors.groupby("chamber")
        }
        if "chamber" in sensors.columns
        else {}
    )
    limit = trial.rig.sensor_rh_error
    usual = math.nan if limit is None else limit / math.sqrt(3)
    temp_limit = trial.rig.sensor_temp_error
    temp_u = 0.0 if temp_limit is None else temp_limit / math.sqrt(3)
    rh_u, vpd_u = np.full(len(runs), np.nan), np.full(len(runs), np.nan)
    humid, warm = runs["rh_pct"].to_numpy(dtype=float), runs["temp_c"].to_numpy(dtype=float)
    for i in np.flatnonzero(np.isfinite(humid)).tolist():
        rh, start = float(humid[i]), runs["start"].iloc[i]
        chamber = str(runs["chamber"].iloc[i])
        each = []
        for sensor in names.get(chamber, [""]):
            known = math.nan
            if calibrated is not None:
                known = calibrated.rh_u_pct([sensor, chamber], rh, start)
            each.append(known if math.isfinite(known) else usual)
        rh_u[i] = math.sqrt(sum(u * u for u in each)) / len(each)
    if "rh_slow_pct" in runs:
        slow = runs["rh_slow_pct"].to_numpy(dtype=float) / math.sqrt(3)
        rh_u = np.where(too_slow(runs), np.hypot(rh_u, slow), rh_u)
    both = np.isfinite(rh_u) & np.isfinite(warm)
    vpd_u[both] = vpd_uncertainty_kpa(warm[both], humid[both], temp_u_c=temp_u, rh_u_pct=rh_u[both])
    return runs.assign(rh_u_pct=rh_u, vpd_u_kpa=vpd_u)
