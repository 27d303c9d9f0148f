"""How much water, heat and carbon dioxide a body of air holds, and how it dries a crop."""

from __future__ import annotations

from typing import Any

from trialkit.air.kernels import (
    GAS_CONSTANT_DRY_AIR,
    GAS_CONSTANT_VAPOUR,
    ZERO_C,
    apply_to,
    enthalpy,
    mixing_ratio,
    saturation,
)
from trialkit.arrays import Floats


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
    return apply_to(
        lambda t, r, p: mixing_ratio(r / 100 * saturation(t), p),
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

    def density(t: Floats, r: Floats) -> Floats:
        return r / 100 * saturation(t) * 1e6 / (GAS_CONSTANT_VAPOUR * (t + ZERO_C))

    return apply_to(density, temp_c=temp_c, rh_pct=rh_pct)


def dry_air_density_kg_m3(temp_c: Any, rh_pct: Any, pressure_kpa: Any = 101.325) -> Any:
    """Give the kilograms of dry air in a cubic metre of moist air.

    Examples
    --------
    >>> round(dry_air_density_kg_m3(20.0, 0.0), 4)
    1.2042
    """

    def density(t: Floats, r: Floats, p: Floats) -> Floats:
        return (p - r / 100 * saturation(t)) * 1e3 / (GAS_CONSTANT_DRY_AIR * (t + ZERO_C))

    return apply_to(density, temp_c=temp_c, rh_pct=rh_pct, pressure_kpa=pressure_kpa)


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
    return apply_to(
        lambda t, r, p: enthalpy(t, mixing_ratio(r / 100 * saturation(t), p)),
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
    return apply_to(lambda t: 2500.9 - 2.370 * t, temp_c=temp_c)


def pressure_at_altitude_kpa(altitude_m: Any) -> Any:
    """Give the usual air pressure at a height above the sea [kPa] (FAO-56 eq. 7).

    Examples
    --------
    >>> round(pressure_at_altitude_kpa(1800.0), 2)
    81.76
    """
    return apply_to(lambda z: 101.3 * ((293 - 0.0065 * z) / 293) ** 5.26, altitude_m=altitude_m)


def co2_mg_m3(co2_ppm: Any, temp_c: Any = 20.0, pressure_kpa: Any = 101.325) -> Any:
    """Give the mass of carbon dioxide in a cubic metre of air [mg/m³] (ideal gas).

    Examples
    --------
    >>> round(co2_mg_m3(5000.0, 25.0))
    8994
    """
    return apply_to(
        lambda c, t, p: c * 44.0095 * p / (8.314462618 * (t + ZERO_C)),
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
    return apply_to(
        lambda t, r, v: 60 * v * 10 * (1 - r / 100) * saturation(t),
        temp_c=temp_c,
        rh_pct=rh_pct,
        air_speed_m_s=air_speed_m_s,
    )
