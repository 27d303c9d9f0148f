"""Vapour pressure, its deficit, and the temperatures at which air turns wet."""

from __future__ import annotations

from typing import Any

import numpy as np

from trialkit.air.kernels import (
    RH_ERROR_PCT,
    apply_to,
    log_saturation,
    saturation,
    solve_saturation_temp,
    wet_bulb,
)
from trialkit.arrays import Floats


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
    return apply_to(saturation, temp_c=temp_c)


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
    return apply_to(lambda t: 0.6108 * np.exp(17.27 * t / (t + 237.3)), temp_c=temp_c)


def saturation_slope_kpa_per_c(temp_c: Any) -> Any:
    """Give how fast the saturation pressure rises with temperature [kPa/°C].

    Examples
    --------
    >>> round(saturation_slope_kpa_per_c(20.0), 4)
    0.1449
    """

    def slope(t: Floats) -> Floats:
        logp, rate = log_saturation(t)
        return np.asarray(np.exp(logp) * rate)

    return apply_to(slope, temp_c=temp_c)


def vapour_pressure_kpa(temp_c: Any, rh_pct: Any) -> Any:
    """Give the pressure of the water vapour that the air holds now [kPa].

    Examples
    --------
    >>> round(vapour_pressure_kpa(20.0, 50.0), 4)
    1.1696
    """
    return apply_to(lambda t, r: r / 100 * saturation(t), temp_c=temp_c, rh_pct=rh_pct)


def vpd_kpa(temp_c: Any, rh_pct: Any, *, rh_error_pct: float = RH_ERROR_PCT) -> Any:
    """Give the vapour pressure deficit: how hard the air pulls water from a wet surface.

    For a log, compute it record by record and then average; the deficit of the average
    temperature and humidity is too small, because saturation pressure is curved.

    Parameters
    ----------
    temp_c : float, array or Series
        Air temperature [°C].
    rh_pct : float, array or Series
        Relative humidity [%], 0 to 120.
    rh_error_pct : float
        Error of the sensor [% points]. A reading above 100 % by no more than that is taken as
        full air, with a deficit of 0; one further above gives a negative deficit and belongs
        among the readings that are doubted.

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

    def deficit(t: Floats, r: Floats) -> Floats:
        full = (r > 100) & (r <= 100 + rh_error_pct)
        return np.where(full, 0.0, (1 - r / 100) * saturation(t))

    return apply_to(deficit, temp_c=temp_c, rh_pct=rh_pct)


def surface_vpd_kpa(temp_c: Any, rh_pct: Any, surface_temp_c: Any) -> Any:
    """Give the deficit between a wet surface of its own temperature and the air [kPa].

    Negative when the surface is below the dew point: it then gathers dew.

    Examples
    --------
    >>> round(surface_vpd_kpa(20.0, 90.0, 18.0), 3)
    -0.041
    """
    return apply_to(
        lambda t, r, s: saturation(s) - r / 100 * saturation(t),
        temp_c=temp_c,
        rh_pct=rh_pct,
        surface_temp_c=surface_temp_c,
    )


def saturation_temp_c(vapour_kpa: Any) -> Any:
    """Give the temperature at which this vapour pressure is saturation [°C].

    Zero or negative pressures have no such temperature and give NaN.

    Examples
    --------
    >>> round(saturation_temp_c(2.33919), 2)
    20.0
    """
    return apply_to(solve_saturation_temp, vapour_kpa=vapour_kpa)


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
    return apply_to(
        lambda t, r: solve_saturation_temp(r / 100 * saturation(t)), temp_c=temp_c, rh_pct=rh_pct
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
    return apply_to(wet_bulb, temp_c=temp_c, rh_pct=rh_pct, pressure_kpa=pressure_kpa)
