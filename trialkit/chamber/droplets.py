"""Water drops in air: how fast they fall, how long they last, how much evaporates on the way."""

from __future__ import annotations

import math

import numpy as np

from trialkit import air
from trialkit.chamber.room import ChamberError

#: Viscosity of air at 20 °C [Pa s] and mean free path [m].
AIR_PA_S, FREE_PATH_M = 1.81e-5, 0.066e-6
WATER_KG_M3, AIR_KG_M3, GRAVITY_M_S2 = 998.2, 1.2, 9.81
#: Diffusion of vapour in air at 0 °C [m²/s]; it grows with the power 1.81 of the kelvins.
DIFFUSION_M2_S = 2.12e-5
#: Size of the fog of an ultrasonic fogger by mass once it hangs in the air [µm]: least the drop
#: at the disc (2.9 µm, Rodes et al. 1990), most and middle judged, since drops meet and join.
FOG_DROP_UM, FOG_DROP_RANGE_UM = 5.0, (2.5, 12.0)


def settling_m_s(drop_um: float) -> float:
    """Give the speed at which a drop of water falls in still air [m/s].

    Parameters
    ----------
    drop_um : float
        Diameter [µm].

    Notes
    -----
    Stokes' law with the slip correction ``1 + Kn (1.257 + 0.4 e^(−1.1/Kn))``, Kn = 2 λ/d, and
    above it the drag of Schiller & Naumann (1933), ``1 + 0.15 Re^0.687`` (both from memory).

    Examples
    --------
    >>> round(1000 * settling_m_s(5.0), 2)
    0.78
    """
    if not drop_um > 0:
        raise ChamberError(f"a drop of {drop_um:g} µm → must be above zero")
    d = drop_um * 1e-6
    knudsen = 2 * FREE_PATH_M / d
    slip = 1 + knudsen * (1.257 + 0.4 * math.exp(-1.1 / knudsen))
    stokes = (WATER_KG_M3 - AIR_KG_M3) * GRAVITY_M_S2 * d * d * slip / (18 * AIR_PA_S)
    speed = stokes
    for _ in range(60):  # drag rises with speed: damped steps come to rest
        reynolds = AIR_KG_M3 * speed * d / AIR_PA_S
        speed = (speed + stokes / (1 + 0.15 * reynolds**0.687)) / 2
    return speed


def drop_life_s(drop_um: float, temp_c: float, rh_pct: float) -> float:
    """Give the time that a drop of water lasts in air that does not change [s].

    Parameters
    ----------
    drop_um : float
        Diameter [µm].
    temp_c, rh_pct : float
        Air: temperature [°C], relative humidity [%]; at 100 % a drop lasts for ever.

    Notes
    -----
    Diffusion from a sphere that stands at the wet bulb: ``ρ d² / (8 D (c_wet − c))``. It
    leaves out slip (for drops under 1 µm) and the wind of the fall (over 50 µm).

    Examples
    --------
    >>> round(drop_life_s(10.0, 20.0, 50.0), 2)
    0.16
    """
    wet = float(air.wet_bulb_c(temp_c, rh_pct))
    deficit = float(
        air.absolute_humidity_g_m3(wet, 100.0) - air.absolute_humidity_g_m3(temp_c, rh_pct)
    )
    if deficit <= 0:
        return math.inf
    diffusion = DIFFUSION_M2_S * ((temp_c + 273.15) / 273.15) ** 1.81
    return float(WATER_KG_M3 * (drop_um * 1e-6) ** 2 / (8 * diffusion * deficit / 1000))


def evaporating_share(drop_um: float, height_m: float, temp_c: float, rh_pct: float) -> float:
    """Give the share of a mist that evaporates before it falls to the floor.

    The air is stirred, so that drops reach the floor at their speed over the height; both
    shrink together as the drops dry.

    Parameters
    ----------
    drop_um : float
        Diameter by mass as the mist is put out [µm].
    height_m : float
        Height of the chamber [m].
    temp_c, rh_pct : float
        Air in which they fall.

    Examples
    --------
    >>> round(evaporating_share(5.0, 1.2, 18.0, 85.0), 3)
    1.0
    >>> round(evaporating_share(60.0, 1.2, 18.0, 85.0), 2)
    0.62
    """
    life = drop_life_s(drop_um, temp_c, rh_pct)
    if math.isinf(life):
        return 0.0
    rate = settling_m_s(drop_um) / height_m
    x = np.linspace(0.0, 1.0, 401)  # time as a share of the life; d² falls straight
    left = np.exp(-rate * life * (x - x * x / 2))
    falls = rate * life * (1 - x) ** 2.5 * left
    return float(1 - np.sum((falls[1:] + falls[:-1]) / 2) * (x[1] - x[0]))
