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

from trialkit.air.content import (
    absolute_humidity_g_m3,
    co2_mg_m3,
    dry_air_density_kg_m3,
    enthalpy_kj_kg,
    evaporation_coefficient,
    humidity_ratio,
    latent_heat_kj_kg,
    pressure_at_altitude_kpa,
)
from trialkit.air.inverse import (
    rh_from_absolute_humidity,
    rh_from_dew_point,
    rh_from_humidity_ratio,
    rh_from_vpd,
    rh_from_wet_bulb,
)
from trialkit.air.kernels import (
    BOWMAN_RANGE,
    GAS_CONSTANT_DRY_AIR,
    GAS_CONSTANT_VAPOUR,
    MASS_RATIO,
    RH_ERROR_PCT,
    AirError,
)
from trialkit.air.uncertainty import uncertainty_of, vpd_uncertainty_kpa
from trialkit.air.vapour import (
    dew_point_c,
    saturation_pressure_fao_kpa,
    saturation_pressure_kpa,
    saturation_slope_kpa_per_c,
    saturation_temp_c,
    surface_vpd_kpa,
    vapour_pressure_kpa,
    vpd_kpa,
    wet_bulb_c,
)

__all__ = [
    "BOWMAN_RANGE",
    "GAS_CONSTANT_DRY_AIR",
    "GAS_CONSTANT_VAPOUR",
    "MASS_RATIO",
    "RH_ERROR_PCT",
    "AirError",
    "absolute_humidity_g_m3",
    "co2_mg_m3",
    "dew_point_c",
    "dry_air_density_kg_m3",
    "enthalpy_kj_kg",
    "evaporation_coefficient",
    "humidity_ratio",
    "latent_heat_kj_kg",
    "pressure_at_altitude_kpa",
    "rh_from_absolute_humidity",
    "rh_from_dew_point",
    "rh_from_humidity_ratio",
    "rh_from_vpd",
    "rh_from_wet_bulb",
    "saturation_pressure_fao_kpa",
    "saturation_pressure_kpa",
    "saturation_slope_kpa_per_c",
    "saturation_temp_c",
    "surface_vpd_kpa",
    "uncertainty_of",
    "vapour_pressure_kpa",
    "vpd_kpa",
    "vpd_uncertainty_kpa",
    "wet_bulb_c",
]
