"""Relative humidity from whatever else was measured."""

from __future__ import annotations

from typing import Any

from trialkit.air.kernels import (
    GAS_CONSTANT_VAPOUR,
    MASS_RATIO,
    ZERO_C,
    apply_to,
    mixing_ratio,
    saturation,
)
from trialkit.arrays import Floats


def rh_from_vpd(temp_c: Any, deficit_kpa: Any) -> Any:
    """Give the relative humidity [%] that has this vapour pressure deficit.

    Examples
    --------
    >>> from trialkit.air import vpd_kpa
    >>> round(rh_from_vpd(20.0, vpd_kpa(20.0, 87.0)), 6)
    87.0
    """
    return apply_to(
        lambda t, d: 100 * (1 - d / saturation(t)), temp_c=temp_c, deficit_kpa=deficit_kpa
    )


def rh_from_dew_point(temp_c: Any, dew_c: Any) -> Any:
    """Give the relative humidity [%] of air whose dew point is known.

    Examples
    --------
    >>> round(rh_from_dew_point(20.0, 18.31), 1)
    90.0
    """
    return apply_to(lambda t, d: 100 * saturation(d) / saturation(t), temp_c=temp_c, dew_c=dew_c)


def rh_from_absolute_humidity(temp_c: Any, vapour_g_m3: Any) -> Any:
    """Give the relative humidity [%] of air that holds this much vapour [g/m³].

    Examples
    --------
    >>> from trialkit.air import absolute_humidity_g_m3
    >>> round(rh_from_absolute_humidity(20.0, absolute_humidity_g_m3(20.0, 42.0)), 6)
    42.0
    """

    def share(t: Floats, c: Floats) -> Floats:
        return 100 * c * 1e-6 * GAS_CONSTANT_VAPOUR * (t + ZERO_C) / saturation(t)

    return apply_to(share, temp_c=temp_c, vapour_g_m3=vapour_g_m3)


def rh_from_humidity_ratio(temp_c: Any, ratio_kg_kg: Any, pressure_kpa: Any = 101.325) -> Any:
    """Give the relative humidity [%] of air with this humidity ratio [kg/kg].

    Examples
    --------
    >>> from trialkit.air import humidity_ratio
    >>> round(rh_from_humidity_ratio(20.0, humidity_ratio(20.0, 42.0)), 6)
    42.0
    """
    return apply_to(
        lambda t, w, p: 100 * w * p / (MASS_RATIO + w) / saturation(t),
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
    >>> from trialkit.air import wet_bulb_c
    >>> round(rh_from_wet_bulb(20.0, wet_bulb_c(20.0, 50.0)), 6)
    50.0
    """

    def share(t: Floats, wet: Floats, p: Floats) -> Floats:
        full = mixing_ratio(saturation(wet), p)
        ratio = (full * (2501 - 2.326 * wet) - 1.006 * (t - wet)) / (2501 + 1.86 * t - 4.186 * wet)
        return 100 * ratio * p / (MASS_RATIO + ratio) / saturation(t)

    return apply_to(share, temp_c=temp_c, wet_c=wet_c, pressure_kpa=pressure_kpa)
