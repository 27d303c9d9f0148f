"""The formulas of moist air on plain arrays, and the shell that keeps the caller's kind."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from trialkit.arrays import Floats
from trialkit.errors import TrialkitError

#: Gas constant of water vapour, J/(kg K).
GAS_CONSTANT_VAPOUR = 461.523
#: Gas constant of dry air, J/(kg K).
GAS_CONSTANT_DRY_AIR = 287.042
#: Ratio of the molar masses of water and dry air.
MASS_RATIO = 0.621945
#: Range of air speed × VPD found acceptable over beds (Bowman 1989), m/min × mbar.
BOWMAN_RANGE = (4.0, 10.0)

#: Error of a humidity sensor near saturation [% points], where none is stated: readings above
#: 100 % by no more than that are full air. Common practice, no source.
RH_ERROR_PCT = 3.0
#: Humidities that lie between this and 1 throughout are fractions, not per cent.
DRIEST_PCT = 0.05
ZERO_C = 273.15
CRITICAL_K, CRITICAL_KPA = 647.096, 22064.0
COEFFICIENTS = (-7.85951783, 1.84408259, -11.7866497, 22.6807411, -15.9618719, 1.80122502)
EXPONENTS = (1.0, 1.5, 3.0, 3.5, 4.0, 7.5)
_LIMITS = {
    "temp_c": (-90.0, 150.0, "°C"),
    "rh_pct": (0.0, 120.0, "%"),
    "pressure_kpa": (50.0, 110.0, "kPa"),
    "altitude_m": (-430.0, 5500.0, "m"),
}


class AirError(TrialkitError, ValueError):
    """A value no air can have; the message names it, its place and the remedy."""


def _check(name: str, values: Floats) -> None:
    """Refuse values outside what the formulas or nature allow."""
    low, high, unit = _LIMITS.get(name, (-np.inf, np.inf, ""))
    bad = np.flatnonzero((values < low) | (values > high))
    if bad.size:
        raise AirError(
            f"{name}: {bad.size} value(s) outside {low:g} to {high:g} {unit}, first "
            f"{values.flat[bad[0]]:g} at position {bad[0]} → set such readings aside, or check "
            "the unit (°C, kPa rather than Pa or hPa, and % rather than a fraction)"
        )
    most = float(np.nanmax(values, initial=0.0)) if name == "rh_pct" else 0.0
    if DRIEST_PCT < most <= 1.0:  # no room is that dry, and no reading is all that near to nothing
        raise AirError(
            f"rh_pct: no value is above {most:g} % → these look like fractions; give "
            "relative humidity in %, 0 to 100"
        )


def apply_to(function: Callable[..., Any], **given: Any) -> Any:
    """Run an array function on checked arrays and hand back the caller's own kind."""
    series = [value for value in given.values() if isinstance(value, pd.Series)]
    for other in series[1:]:
        if not other.index.equals(series[0].index):
            raise AirError("the Series given have different indexes → align them first")
    arrays = {name: np.asarray(value, dtype=float) for name, value in given.items()}
    for name, values in arrays.items():
        _check(name, values)
    out = np.asarray(function(*arrays.values()), dtype=float)
    if series:
        return pd.Series(np.broadcast_to(out, series[0].shape).copy(), index=series[0].index)
    return float(out) if out.ndim == 0 else out


def log_saturation(temp_c: Floats) -> tuple[Floats, Floats]:
    """Give ln(saturation pressure / kPa) and its slope per °C."""
    kelvin = temp_c + ZERO_C
    tau = 1.0 - kelvin / CRITICAL_K
    total, slope = np.zeros_like(tau), np.zeros_like(tau)
    for a, e in zip(COEFFICIENTS, EXPONENTS, strict=True):
        power = tau ** (e - 1.0)
        slope = slope + a * e * power
        total = total + a * power * tau
    ratio = CRITICAL_K / kelvin
    return np.log(CRITICAL_KPA) + ratio * total, -(ratio * total + slope) / kelvin


def saturation(temp_c: Floats) -> Floats:
    """Give the saturation pressure over liquid water [kPa]."""
    return np.exp(log_saturation(temp_c)[0])


def solve_saturation_temp(kpa: Floats) -> Floats:
    """Give the saturation temperature [°C] by Newton steps on ln p from a Magnus guess."""
    with np.errstate(divide="ignore", invalid="ignore"):
        target = np.where(kpa > 0, np.log(np.where(kpa > 0, kpa, 1.0)), np.nan)
    guess = np.log(0.61094) - target
    temp = -243.04 * guess / (17.625 + guess)
    for _ in range(5):  # quadratic: the first guess is within 1 °C from -60 to 100 °C
        value, slope = log_saturation(temp)
        temp = temp - (value - target) / slope
    return np.asarray(temp)


def mixing_ratio(vapour_kpa: Floats, pressure_kpa: Floats) -> Floats:
    """Give kg of vapour per kg of dry air."""
    return MASS_RATIO * vapour_kpa / (pressure_kpa - vapour_kpa)


def enthalpy(temp_c: Floats, ratio: Floats) -> Floats:
    """Give kJ per kg of dry air, from dry air at 0 °C."""
    return 1.006 * temp_c + ratio * (2501.0 + 1.86 * temp_c)


def wet_bulb(temp_c: Floats, rh_pct: Floats, pressure_kpa: Floats) -> Floats:
    """Solve the adiabatic-saturation balance; convex and rising, so Newton from above is safe."""
    ratio = mixing_ratio(rh_pct / 100 * saturation(temp_c), pressure_kpa)
    wet = np.broadcast_to(temp_c, np.broadcast(temp_c, ratio).shape).copy()
    for _ in range(12):
        logp, slope = log_saturation(wet)
        sat = np.exp(logp)
        full = mixing_ratio(sat, pressure_kpa)
        rise = full * slope * pressure_kpa / (pressure_kpa - sat)
        latent = 2501.0 - 2.326 * wet
        value = (
            full * latent - 1.006 * (temp_c - wet) - ratio * (2501.0 + 1.86 * temp_c - 4.186 * wet)
        )
        wet = wet - value / (rise * latent - 2.326 * full + 1.006 + 4.186 * ratio)
    return wet
