"""Moist air: from temperature and humidity to vapour pressure, dew point and the rest.

Every function takes numbers, lists, arrays or pandas Series (mixed as you like, they
broadcast) and gives back the same kind: a float for numbers, an array for arrays, a
Series with its index for Series. A missing value stays missing.

Formulation. Saturation pressure is over **liquid** water everywhere, by the auxiliary
equation of Wagner & Pruss [1]_. It was chosen because it follows the international steam
formulation within 0.02 % from 0 to 40 °C, is one smooth line through 0 °C (humidity
sensors report relative humidity over liquid water below zero as well), and its slope is
known in closed form, so inverses converge in a few steps. The FAO-56 equation is kept
beside it for comparison. Air and vapour are ideal gases; the enhancement factor (about
0.4 % at 1 atm) is left out, as in FAO-56 and the ASHRAE ideal-gas chapter.

References
----------
.. [1] Wagner W., Pruss A. (1993). International equations for the saturation properties
   of ordinary water substance. J. Phys. Chem. Ref. Data 22:783-787, eq. 1.
   doi:10.1063/1.555926
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.errors import TrialkitError

Array = NDArray[np.float64]

#: Gas constant of water vapour, J/(kg K).
GAS_CONSTANT_VAPOUR = 461.523
#: Gas constant of dry air, J/(kg K).
GAS_CONSTANT_DRY_AIR = 287.042
#: Ratio of the molar masses of water and dry air.
MASS_RATIO = 0.621945
#: Range of air speed × VPD found acceptable over beds (Bowman 1989), m/min × mbar.
BOWMAN_RANGE = (4.0, 10.0)

_ZERO_C = 273.15
_CRITICAL_K, _CRITICAL_KPA = 647.096, 22064.0
_COEFFICIENTS = (-7.85951783, 1.84408259, -11.7866497, 22.6807411, -15.9618719, 1.80122502)
_EXPONENTS = (1.0, 1.5, 3.0, 3.5, 4.0, 7.5)
_LIMITS = {"temp_c": (-90.0, 150.0, "°C"), "rh_pct": (0.0, 120.0, "%")}


class AirError(TrialkitError, ValueError):
    """A value no air can have; the message names it, its place and the remedy."""


def _check(name: str, values: Array) -> None:
    """Refuse values outside what the formulas or nature allow."""
    low, high, unit = _LIMITS.get(name, (-np.inf, np.inf, ""))
    bad = np.flatnonzero((values < low) | (values > high))
    if bad.size:
        raise AirError(
            f"{name}: {bad.size} value(s) outside {low:g} to {high:g} {unit}, first "
            f"{values.flat[bad[0]]:g} at position {bad[0]} → set such readings aside, or check "
            "the unit (°C, and % rather than a fraction)"
        )


def _apply(function: Callable[..., Any], **given: Any) -> Any:
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


# ---------------------------------------------------------------- array kernels


def _log_saturation(temp_c: Array) -> tuple[Array, Array]:
    """Give ln(saturation pressure / kPa) and its slope per °C."""
    kelvin = temp_c + _ZERO_C
    tau = 1.0 - kelvin / _CRITICAL_K
    total, slope = np.zeros_like(tau), np.zeros_like(tau)
    for a, e in zip(_COEFFICIENTS, _EXPONENTS, strict=True):
        power = tau ** (e - 1.0)
        slope = slope + a * e * power
        total = total + a * power * tau
    ratio = _CRITICAL_K / kelvin
    return np.log(_CRITICAL_KPA) + ratio * total, -(ratio * total + slope) / kelvin


def _saturation(temp_c: Array) -> Array:
    return np.exp(_log_saturation(temp_c)[0])


def _saturation_temp(kpa: Array) -> Array:
    """Invert the saturation line: Newton on the logarithm, from a Magnus first guess."""
    with np.errstate(divide="ignore", invalid="ignore"):
        target = np.where(kpa > 0, np.log(np.where(kpa > 0, kpa, 1.0)), np.nan)
    guess = np.log(0.61094) - target
    temp = -243.04 * guess / (17.625 + guess)
    for _ in range(5):  # quadratic: the first guess is within 1 °C from -60 to 100 °C
        value, slope = _log_saturation(temp)
        temp = temp - (value - target) / slope
    return np.asarray(temp)


def _ratio(vapour_kpa: Array, pressure_kpa: Array) -> Array:
    return MASS_RATIO * vapour_kpa / (pressure_kpa - vapour_kpa)


def _enthalpy(temp_c: Array, ratio: Array) -> Array:
    return 1.006 * temp_c + ratio * (2501.0 + 1.86 * temp_c)


def _wet_bulb(temp_c: Array, rh_pct: Array, pressure_kpa: Array) -> Array:
    """Solve the adiabatic-saturation balance; convex and rising, so Newton from above is safe."""
    ratio = _ratio(rh_pct / 100 * _saturation(temp_c), pressure_kpa)
    wet = np.broadcast_to(temp_c, np.broadcast(temp_c, ratio).shape).copy()
    for _ in range(12):
        logp, slope = _log_saturation(wet)
        sat = np.exp(logp)
        full = _ratio(sat, pressure_kpa)
        rise = full * slope * pressure_kpa / (pressure_kpa - sat)
        latent = 2501.0 - 2.326 * wet
        value = (
            full * latent - 1.006 * (temp_c - wet) - ratio * (2501.0 + 1.86 * temp_c - 4.186 * wet)
        )
        wet = wet - value / (rise * latent - 2.326 * full + 1.006 + 4.186 * ratio)
    return wet


# ---------------------------------------------------------------- vapour pressure


def saturation_pressure_kpa(temp_c: Any) -> Any:
    """Give the pressure of water vapour when air holds all it can, over liquid water.

    Parameters
    ----------
    temp_c : float, array or Series
        Air temperature [°C], −90 to 150.

    Returns
    -------
    float, array or Series
        Saturation pressure [kPa].

    Raises
    ------
    AirError
        If a temperature lies outside the range.

    Notes
    -----
    Wagner & Pruss (1993) eq. 1: ``ln(p/pc) = (Tc/T) Σ a_i τ^e_i``, ``τ = 1 − T/Tc``. Within
    0.02 % of IAPWS-95 and IF97 from 0 to 40 °C. Below 0 °C it is the line of undercooled
    water (extrapolated), which is what humidity sensors refer to, not that of ice.

    Examples
    --------
    >>> round(saturation_pressure_kpa(20.0), 4)
    2.3392
    """
    return _apply(_saturation, temp_c=temp_c)


def saturation_pressure_fao_kpa(temp_c: Any) -> Any:
    """Give the saturation pressure by the FAO-56 equation, for comparison with its tables.

    Parameters
    ----------
    temp_c : float, array or Series
        Air temperature [°C].

    Returns
    -------
    float, array or Series
        Saturation pressure [kPa]; 0.02 to 0.13 % below IAPWS between 0 and 40 °C.

    References
    ----------
    Allen R. G., Pereira L. S., Raes D., Smith M. (1998). Crop evapotranspiration. FAO
    Irrigation and Drainage Paper 56, eq. 11.

    Examples
    --------
    >>> round(saturation_pressure_fao_kpa(24.5), 3)
    3.075
    """
    return _apply(lambda t: 0.6108 * np.exp(17.27 * t / (t + 237.3)), temp_c=temp_c)


def saturation_slope_kpa_per_c(temp_c: Any) -> Any:
    """Give how fast the saturation pressure rises with temperature [kPa/°C].

    Examples
    --------
    >>> round(saturation_slope_kpa_per_c(20.0), 4)
    0.1449
    """

    def slope(t: Array) -> Array:
        logp, rate = _log_saturation(t)
        return np.asarray(np.exp(logp) * rate)

    return _apply(slope, temp_c=temp_c)


def vapour_pressure_kpa(temp_c: Any, rh_pct: Any) -> Any:
    """Give the pressure of the water vapour that the air holds now [kPa].

    Examples
    --------
    >>> round(vapour_pressure_kpa(20.0, 50.0), 4)
    1.1696
    """
    return _apply(lambda t, r: r / 100 * _saturation(t), temp_c=temp_c, rh_pct=rh_pct)


def vpd_kpa(temp_c: Any, rh_pct: Any) -> Any:
    """Give the vapour pressure deficit: how hard the air pulls water from a wet surface.

    For a log, compute it record by record and then average; the deficit of the average
    temperature and humidity is too small, because saturation pressure is curved.

    Parameters
    ----------
    temp_c : float, array or Series
        Air temperature [°C].
    rh_pct : float, array or Series
        Relative humidity [%], 0 to 120. A sensor that reads above 100 % gives a negative
        deficit here; nothing is clipped.

    Returns
    -------
    float, array or Series
        Saturation pressure × (1 − RH/100) [kPa], for air; a wet cap is cooler than the air
        (near the wet bulb), so the air's deficit overstates the pull on it.

    Raises
    ------
    AirError
        If a value lies outside its range.

    Examples
    --------
    >>> round(vpd_kpa(20.0, 90.0), 3)
    0.234
    """
    return _apply(lambda t, r: (1 - r / 100) * _saturation(t), temp_c=temp_c, rh_pct=rh_pct)


def surface_vpd_kpa(temp_c: Any, rh_pct: Any, surface_temp_c: Any) -> Any:
    """Give the deficit between a wet surface of its own temperature and the air [kPa].

    Negative when the surface is below the dew point: it then gathers dew.

    Examples
    --------
    >>> round(surface_vpd_kpa(20.0, 90.0, 18.0), 3)
    -0.041
    """
    return _apply(
        lambda t, r, s: _saturation(s) - r / 100 * _saturation(t),
        temp_c=temp_c,
        rh_pct=rh_pct,
        surface_temp_c=surface_temp_c,
    )


# ---------------------------------------------------------------- temperatures of wet air


def saturation_temp_c(vapour_kpa: Any) -> Any:
    """Give the temperature at which this vapour pressure is saturation [°C].

    Zero or negative pressures have no such temperature and give NaN.

    Examples
    --------
    >>> round(saturation_temp_c(2.33919), 2)
    20.0
    """
    return _apply(_saturation_temp, vapour_kpa=vapour_kpa)


def dew_point_c(temp_c: Any, rh_pct: Any) -> Any:
    """Give the dew point: cooled below it, air or a wall turns wet.

    Parameters
    ----------
    temp_c : float, array or Series
        Air temperature [°C].
    rh_pct : float, array or Series
        Relative humidity [%]; at 0 % there is no dew point and the result is NaN.

    Returns
    -------
    float, array or Series
        Dew point over liquid water [°C].

    Examples
    --------
    >>> round(dew_point_c(20.0, 90.0), 2)
    18.31
    """
    return _apply(
        lambda t, r: _saturation_temp(r / 100 * _saturation(t)), temp_c=temp_c, rh_pct=rh_pct
    )


def wet_bulb_c(temp_c: Any, rh_pct: Any, pressure_kpa: Any = 101.325) -> Any:
    """Give the temperature that evaporating water brings the air down to.

    Parameters
    ----------
    temp_c, rh_pct : float, array or Series
        Air temperature [°C] and relative humidity [%].
    pressure_kpa : float, array or Series
        Air pressure [kPa].

    Returns
    -------
    float, array or Series
        Thermodynamic wet bulb [°C], over liquid water.

    Notes
    -----
    Energy balance of adiabatic saturation, ASHRAE Handbook of Fundamentals (2017) ch. 1
    eq. 33, solved by Newton steps.

    Examples
    --------
    >>> round(wet_bulb_c(20.0, 50.0), 2)
    13.78
    """
    return _apply(_wet_bulb, temp_c=temp_c, rh_pct=rh_pct, pressure_kpa=pressure_kpa)


# ---------------------------------------------------------------- how much water


def humidity_ratio(temp_c: Any, rh_pct: Any, pressure_kpa: Any = 101.325) -> Any:
    """Give the water carried per kilogram of dry air [kg/kg].

    Parameters
    ----------
    temp_c, rh_pct : float, array or Series
        Air temperature [°C] and relative humidity [%].
    pressure_kpa : float, array or Series
        Air pressure [kPa]; see `pressure_at_altitude_kpa`.

    Returns
    -------
    float, array or Series
        Humidity ratio [kg water / kg dry air].

    Notes
    -----
    ``W = 0.621945 e / (p − e)``: ASHRAE Handbook of Fundamentals (2017) ch. 1 eq. 20.

    Examples
    --------
    >>> round(humidity_ratio(20.0, 90.0) * 1000, 2)
    13.2
    """
    return _apply(
        lambda t, r, p: _ratio(r / 100 * _saturation(t), p),
        temp_c=temp_c,
        rh_pct=rh_pct,
        pressure_kpa=pressure_kpa,
    )


def absolute_humidity_g_m3(temp_c: Any, rh_pct: Any) -> Any:
    """Give the grams of water vapour in a cubic metre of this air.

    Parameters
    ----------
    temp_c, rh_pct : float, array or Series
        Air temperature [°C] and relative humidity [%].

    Returns
    -------
    float, array or Series
        Vapour density ``e/(Rv T)`` [g/m³], with Rv = 461.523 J/(kg K).

    Examples
    --------
    >>> round(absolute_humidity_g_m3(20.0, 50.0), 3)
    8.645
    """

    def density(t: Array, r: Array) -> Array:
        return r / 100 * _saturation(t) * 1e6 / (GAS_CONSTANT_VAPOUR * (t + _ZERO_C))

    return _apply(density, temp_c=temp_c, rh_pct=rh_pct)


def dry_air_density_kg_m3(temp_c: Any, rh_pct: Any, pressure_kpa: Any = 101.325) -> Any:
    """Give the kilograms of dry air in a cubic metre of moist air.

    Examples
    --------
    >>> round(dry_air_density_kg_m3(20.0, 0.0), 4)
    1.2042
    """

    def density(t: Array, r: Array, p: Array) -> Array:
        return (p - r / 100 * _saturation(t)) * 1e3 / (GAS_CONSTANT_DRY_AIR * (t + _ZERO_C))

    return _apply(density, temp_c=temp_c, rh_pct=rh_pct, pressure_kpa=pressure_kpa)


def enthalpy_kj_kg(temp_c: Any, rh_pct: Any, pressure_kpa: Any = 101.325) -> Any:
    """Give the heat content of moist air per kilogram of dry air, from dry air at 0 °C.

    Notes
    -----
    ``h = 1.006 t + W (2501 + 1.86 t)`` kJ/kg: ASHRAE Handbook of Fundamentals (2017) ch. 1
    eq. 30.

    Examples
    --------
    >>> round(enthalpy_kj_kg(20.0, 50.0), 2)
    38.55
    """
    return _apply(
        lambda t, r, p: _enthalpy(t, _ratio(r / 100 * _saturation(t), p)),
        temp_c=temp_c,
        rh_pct=rh_pct,
        pressure_kpa=pressure_kpa,
    )


def latent_heat_kj_kg(temp_c: Any) -> Any:
    """Give the heat that evaporating one kilogram of water takes up [kJ/kg].

    Notes
    -----
    ``2500.9 − 2.370 T``, a straight line through the IAPWS values; within 0.01 % of
    IAPWS-IF97 from 0 to 40 °C. FAO-56 prints 2501 − 2.361 T.

    Examples
    --------
    >>> round(latent_heat_kj_kg(20.0), 1)
    2453.5
    """
    return _apply(lambda t: 2500.9 - 2.370 * t, temp_c=temp_c)


# ---------------------------------------------------------------- and back


def rh_from_vpd(temp_c: Any, deficit_kpa: Any) -> Any:
    """Give the relative humidity [%] that has this vapour pressure deficit.

    Examples
    --------
    >>> round(rh_from_vpd(20.0, vpd_kpa(20.0, 87.0)), 6)
    87.0
    """
    return _apply(
        lambda t, d: 100 * (1 - d / _saturation(t)), temp_c=temp_c, deficit_kpa=deficit_kpa
    )


def rh_from_dew_point(temp_c: Any, dew_c: Any) -> Any:
    """Give the relative humidity [%] of air whose dew point is known.

    Examples
    --------
    >>> round(rh_from_dew_point(20.0, 18.31), 1)
    90.0
    """
    return _apply(lambda t, d: 100 * _saturation(d) / _saturation(t), temp_c=temp_c, dew_c=dew_c)


def rh_from_absolute_humidity(temp_c: Any, vapour_g_m3: Any) -> Any:
    """Give the relative humidity [%] of air that holds this much vapour [g/m³].

    Examples
    --------
    >>> round(rh_from_absolute_humidity(20.0, absolute_humidity_g_m3(20.0, 42.0)), 6)
    42.0
    """

    def share(t: Array, c: Array) -> Array:
        return 100 * c * 1e-6 * GAS_CONSTANT_VAPOUR * (t + _ZERO_C) / _saturation(t)

    return _apply(share, temp_c=temp_c, vapour_g_m3=vapour_g_m3)


def rh_from_humidity_ratio(temp_c: Any, ratio_kg_kg: Any, pressure_kpa: Any = 101.325) -> Any:
    """Give the relative humidity [%] of air with this humidity ratio [kg/kg].

    Examples
    --------
    >>> round(rh_from_humidity_ratio(20.0, humidity_ratio(20.0, 42.0)), 6)
    42.0
    """
    return _apply(
        lambda t, w, p: 100 * w * p / (MASS_RATIO + w) / _saturation(t),
        temp_c=temp_c,
        ratio_kg_kg=ratio_kg_kg,
        pressure_kpa=pressure_kpa,
    )


def rh_from_wet_bulb(temp_c: Any, wet_c: Any, pressure_kpa: Any = 101.325) -> Any:
    """Give the relative humidity [%] from a dry and a wet thermometer.

    Notes
    -----
    ASHRAE Handbook of Fundamentals (2017) ch. 1 eq. 33, the balance `wet_bulb_c` solves.

    Examples
    --------
    >>> round(rh_from_wet_bulb(20.0, wet_bulb_c(20.0, 50.0)), 6)
    50.0
    """

    def share(t: Array, wet: Array, p: Array) -> Array:
        full = _ratio(_saturation(wet), p)
        ratio = (full * (2501 - 2.326 * wet) - 1.006 * (t - wet)) / (2501 + 1.86 * t - 4.186 * wet)
        return 100 * ratio * p / (MASS_RATIO + ratio) / _saturation(t)

    return _apply(share, temp_c=temp_c, wet_c=wet_c, pressure_kpa=pressure_kpa)


# ---------------------------------------------------------------- pressure, gas, drying


def pressure_at_altitude_kpa(altitude_m: Any) -> Any:
    """Give the usual air pressure at a height above the sea [kPa] (FAO-56 eq. 7).

    Examples
    --------
    >>> round(pressure_at_altitude_kpa(1800.0), 2)
    81.76
    """
    return _apply(lambda z: 101.3 * ((293 - 0.0065 * z) / 293) ** 5.26, altitude_m=altitude_m)


def co2_mg_m3(co2_ppm: Any, temp_c: Any = 20.0, pressure_kpa: Any = 101.325) -> Any:
    """Give the mass of carbon dioxide in a cubic metre of air [mg/m³] (ideal gas).

    Examples
    --------
    >>> round(co2_mg_m3(5000.0, 25.0))
    8994
    """
    return _apply(
        lambda c, t, p: c * 44.0095 * p / (8.314462618 * (t + _ZERO_C)),
        co2_ppm=co2_ppm,
        temp_c=temp_c,
        pressure_kpa=pressure_kpa,
    )


def evaporation_coefficient(temp_c: Any, rh_pct: Any, *, air_speed_m_s: Any) -> Any:
    """Give Bowman's evaporation coefficient: air speed × vapour pressure deficit.

    Values from 4 to 10 (`BOWMAN_RANGE`) were found acceptable over *Agaricus* beds; below
    that the crop stays wet, above it dries. Other crops need their own range.

    Parameters
    ----------
    temp_c, rh_pct : float, array or Series
        Air temperature [°C] and relative humidity [%] over the crop.
    air_speed_m_s : float, array or Series
        Air speed over the crop [m/s].

    Returns
    -------
    float, array or Series
        Coefficient [m/min × mbar].

    References
    ----------
    Bowman G. E. (1989). Mushroom Science 12(1), article 53.

    Examples
    --------
    >>> round(evaporation_coefficient(16.0, 93.0, air_speed_m_s=0.1), 2)
    7.64
    """
    return _apply(
        lambda t, r, v: 60 * v * 10 * (1 - r / 100) * _saturation(t),
        temp_c=temp_c,
        rh_pct=rh_pct,
        air_speed_m_s=air_speed_m_s,
    )


# ---------------------------------------------------------------- uncertainty


def vpd_uncertainty_kpa(temp_c: Any, rh_pct: Any, *, temp_u_c: Any, rh_u_pct: Any) -> Any:
    """Give how uncertain a vapour pressure deficit is, from the errors of the sensor.

    Near saturation this matters: at 20 °C and 90 %, two points of humidity are one fifth of
    the deficit.

    Parameters
    ----------
    temp_c, rh_pct : float, array or Series
        Readings [°C, %].
    temp_u_c, rh_u_pct : float, array or Series
        Standard uncertainties of the two sensors [°C, % points]. For limits ± a without more
        knowledge, use a/√3.

    Returns
    -------
    float, array or Series
        Standard uncertainty [kPa], the two errors taken as independent.

    Notes
    -----
    ``u² = (s (1 − RH/100) u_T)² + (es u_RH / 100)²``, s the slope of the saturation line: the
    law of propagation, JCGM 100:2008 (GUM) eq. 10.

    Examples
    --------
    >>> round(vpd_uncertainty_kpa(20.0, 90.0, temp_u_c=0.0, rh_u_pct=2.0), 4)
    0.0468
    """

    def total(t: Array, r: Array, u_t: Array, u_r: Array) -> Array:
        logp, slope = _log_saturation(t)
        sat = np.exp(logp)
        return np.hypot(sat * slope * (1 - r / 100) * u_t, sat / 100 * u_r)

    return _apply(total, temp_c=temp_c, rh_pct=rh_pct, temp_u_c=temp_u_c, rh_u_pct=rh_u_pct)


def uncertainty_of(
    function: Callable[..., Any], temp_c: Any, rh_pct: Any, *, temp_u_c: float, rh_u_pct: float
) -> Any:
    """Give the standard uncertainty of any result of this module from sensor errors.

    Parameters
    ----------
    function : callable
        A function of ``(temp_c, rh_pct)``, such as `dew_point_c`.
    temp_c, rh_pct : float, array or Series
        Readings [°C, %].
    temp_u_c, rh_u_pct : float
        Standard uncertainties of the sensors [°C, % points], taken as independent.

    Returns
    -------
    float, array or Series
        Standard uncertainty, in the unit of the function's result.

    Notes
    -----
    Law of propagation with central differences of ±0.01 °C and ±0.01 %: JCGM 100:2008 5.1.2.

    Examples
    --------
    >>> round(uncertainty_of(dew_point_c, 20.0, 90.0, temp_u_c=0.2, rh_u_pct=2.0), 2)
    0.41
    """
    step = 0.01
    by_temp = (function(temp_c + step, rh_pct) - function(temp_c - step, rh_pct)) / (2 * step)
    by_rh = (function(temp_c, rh_pct + step) - function(temp_c, rh_pct - step)) / (2 * step)
    return ((by_temp * temp_u_c) ** 2 + (by_rh * rh_u_pct) ** 2) ** 0.5
