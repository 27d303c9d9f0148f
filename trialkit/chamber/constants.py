"""The numbers and the state that the balance works with, in grams, metres and seconds."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

from trialkit import air
from trialkit.air.kernels import (
    COEFFICIENTS,
    CRITICAL_K,
    CRITICAL_KPA,
    EXPONENTS,
    GAS_CONSTANT_VAPOUR,
    ZERO_C,
)
from trialkit.chamber.droplets import settling_m_s
from trialkit.chamber.room import HEAT_KJ_K_M3, Room

#: Grams in a litre of water at 20 °C.
WATER_G_L = 998.2
#: Heat that breathing gives off with a gram of carbon dioxide [J/g]: glucose, 2805 kJ/mol over
#: six of CO2 (standard enthalpy of combustion).
RESPIRATION_J_G = 2805e3 / 6 / 44.01


class State(NamedTuple):
    """Vapour [g/m³], temperature [°C], sensor [%], CO2 [ppm], surface water [g], fog [g/m³]."""

    c: float
    t: float
    s: float
    q: float
    w: float
    f: float = 0.0


def saturation_line(temp_c: float) -> tuple[float, float]:
    """Give the vapour density at saturation [g/m³] and its slope [g/m³ per °C].

    The formula of `trialkit.air` on plain numbers, since it is asked for at every piece.
    """
    kelvin = temp_c + ZERO_C
    tau = 1.0 - kelvin / CRITICAL_K
    total = slope = 0.0
    for a, e in zip(COEFFICIENTS, EXPONENTS, strict=True):
        power = tau ** (e - 1.0)
        slope += a * e * power
        total += a * power * tau
    ratio = CRITICAL_K / kelvin * total
    cs = CRITICAL_KPA * math.exp(ratio) * 1e6 / (GAS_CONSTANT_VAPOUR * kelvin)
    return cs, cs * (-(ratio + slope) / kelvin - 1 / kelvin)


def rest_fog(state: State) -> State:
    """Bring fog and vapour to rest with each other: fog evaporates up to saturation."""
    full = saturation_line(state.t)[0]
    both = state.c + state.f
    c = min(both, full)
    return state._replace(c=c, f=both - c)


@dataclass(frozen=True)
class Constants:
    """The room's numbers in SI-like units, worked out once."""

    volume: float
    n_off: float
    n_on: float
    mist: float
    fraction: float
    c_in: float
    t_in: float
    q_in: float
    q_source: float
    g_wet: float
    g_crop: float
    crop_vapour: float
    falls: float
    holds: float
    walls: float
    heat: float
    heat_off: float
    heat_on: float
    latent: float
    air_heat: float
    lag: float
    cooling: bool

    @classmethod
    def of(cls, room: Room) -> Constants:
        """Work out the constants of a room."""
        dry = float(
            air.dry_air_density_kg_m3(room.room_temp_c, room.room_rh_pct, room.pressure_kpa)
        )
        mg_ppm = float(air.co2_mg_m3(1.0, room.room_temp_c, room.pressure_kpa))
        held = HEAT_KJ_K_M3 * room.volume_m3 if room.heat_kj_k is None else room.heat_kj_k
        latent = float(air.latent_heat_kj_kg(room.room_temp_c))
        # energy balance of a wet surface: what its cooling leaves of the free speed
        slope = saturation_line(room.room_temp_c)[1] if room.cooling else 0.0
        gets = room.surface_heat_w_m2_k
        speed = room.transfer_m_h / 3600
        slowed = speed / (1 + latent * slope * speed / gets)
        crop_heat = room.crop_co2_g_h * RESPIRATION_J_G / 3600
        always = room.heat_w + crop_heat + room.lamp_w * room.lamp_hours / 24
        fan = (room.fan_w or 0.0) if room.fan_inside else 0.0
        fogger = 0.0
        if room.fogger_inside:
            fogger = (room.fogger_w or 0.0) if room.fogger_heat_w is None else room.fogger_heat_w
        heat_off = always + (fan if room.fan == "always" else 0.0)
        return cls(
            volume=room.volume_m3,
            n_off=room.air_changes_h / 3600,
            n_on=(room.air_changes_h + room.mist_air_changes_h) / 3600,
            mist=room.mist_l_h * WATER_G_L / 3600,
            fraction=room.evaporating_fraction,
            c_in=room.outside_g_m3,
            t_in=room.room_temp_c,
            q_in=room.outside_co2_ppm,
            q_source=room.crop_co2_g_h * 1000 / mg_ppm / room.volume_m3 / 3600,
            g_wet=slowed * room.surface_m2,
            g_crop=slowed * room.crop_m2,
            # the crop's own heat drives vapour off it even into full air
            crop_vapour=slowed * slope / gets * crop_heat if room.crop_m2 > 0 else 0.0,
            falls=settling_m_s(room.drop_um) / room.tall_m,
            holds=room.surface_m2 * room.surface_holds_g_m2,
            walls=room.walls_w_k,
            heat=max(held, 1.3 * room.volume_m3) * 1e3,
            heat_off=heat_off,
            heat_on=always + fan + fogger,
            latent=latent,
            air_heat=dry * 1006 * room.volume_m3,
            lag=room.sensor_lag_s,
            cooling=room.cooling,
        )
