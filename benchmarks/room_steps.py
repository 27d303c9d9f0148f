"""Many rooms at once followed in steps of a second: a solver apart from the package.

Drops dry at a finite speed, wet surfaces find their own temperature, saturation is Sonntag's
formula: none of it is taken from `trialkit`. For studies that need a truth to compare with.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

Array = np.ndarray


def saturation_g_m3(temp_c: Array) -> Array:
    """Give saturation over water [g/m³]: Sonntag (1990) and the gas law.

    Z. Meteorol. 40:340-344, coefficients from memory; within 0.01 % of the steam tables (0.61165,
    1.2282, 2.3393, 4.2470, 7.3849 kPa at 0.01, 10, 20, 30, 40 °C). Magnus' formula is 0.25 % low
    at 20 °C, more than a good log leaves open of the mist's rate.
    """
    kelvin = temp_c + 273.15
    power = -6096.9385 / kelvin + 16.635794 - 2.711193e-2 * kelvin + 1.673952e-5 * kelvin**2
    hpa = np.exp(power + 2.433502 * np.log(kelvin))
    return hpa * 1e5 / (461.5 * kelvin)


@dataclass
class Rooms:
    """True numbers of many rooms, all arrays of one length (units as in `[rig]`)."""

    volume_m3: Array
    air_changes_h: Array
    mist_l_h: Array
    room_temp_c: Array
    room_rh_pct: Array
    evaporating_fraction: Array
    mist_air_changes_h: Array
    surface_m2: Array
    surface_holds_g_m2: Array
    crop_m2: Array
    crop_co2_g_h: Array
    heat_w: Array
    machines_w: Array
    drop_um: Array
    wall_w_k: Array
    transfer_m_h: Array
    surface_heat_w_m2_k: Array
    heat_kj_k_m3: Array
    lag_s: Array = field(default_factory=lambda: np.array([30.0]))
    temp_lag_s: Array = field(default_factory=lambda: np.array([0.0]))


def follow(
    rooms: Rooms, on: Array, *, step_s: float = 1.0, start: str = "room air"
) -> dict[str, Array]:
    """Follow all rooms; `on` has one row per step and one column per room (0 or 1).

    Returns humidity, temperature and the sensor's humidity at the end of each step.
    """
    steps, count = on.shape
    dt, v = step_s, rooms.volume_m3
    latent, cp = 2454.0, 1206.0  # J/g; J/(m³ K)
    c_in = saturation_g_m3(rooms.room_temp_c) * rooms.room_rh_pct / 100
    c, t = c_in.copy(), rooms.room_temp_c.copy()
    fog, water = np.zeros(count), np.zeros(count)
    if start == "in mist":
        c, fog = saturation_g_m3(t), np.full(count, 0.2)
    shown, felt = 100 * c / saturation_g_m3(t), t.copy()
    d = rooms.drop_um * 1e-6
    diffusion, conducts = 2.12e-5 * ((t + 273.15) / 273.15) ** 1.81, 0.0257
    slope = (saturation_g_m3(t + 0.05) - saturation_g_m3(t - 0.05)) / 0.1
    dries = 12 * diffusion / (1 + latent * slope * diffusion / conducts) / (998e3 * d * d)
    falls = (998 - 1.2) * 9.81 * d * d * (1 + 2.52 * 0.066e-6 / d) / (18 * 1.81e-5) / np.cbrt(v)
    speed, gets = rooms.transfer_m_h / 3600, rooms.surface_heat_w_m2_k
    breath = rooms.crop_co2_g_h * 10.62e3 / 3600
    per_crop = np.where(rooms.crop_m2 > 0, breath / np.maximum(rooms.crop_m2, 1e-9), 0.0)
    heat = rooms.heat_kj_k_m3 * 1e3 * v
    mist = rooms.mist_l_h * 998.2 / 3600
    most = rooms.surface_m2 * rooms.surface_holds_g_m2
    crop_t, wet_t, t_before, rh_before = t.copy(), t.copy(), t.copy(), shown.copy()
    out = {name: np.empty((steps, count)) for name in ("rh_pct", "temp_c", "sensor_rh_pct")}
    for k in range(steps):
        now = on[k]
        n = (rooms.air_changes_h + rooms.mist_air_changes_h * now) / 3600
        # surface temperatures: a Newton step a second keeps up with the air
        crop_t = _surface(crop_t, t, c, speed, gets, per_crop, latent)
        wet_t = _surface(wet_t, t, c, speed, gets, 0.0, latent)
        crop = rooms.crop_m2 * speed * np.maximum(saturation_g_m3(crop_t) - c, 0.0)
        free = rooms.surface_m2 * speed * np.maximum(saturation_g_m3(wet_t) - c, 0.0)
        dropped = (1 - rooms.evaporating_fraction) * mist * now + v * falls * fog
        free = np.minimum(free, water / dt + dropped)
        water = np.minimum(water + (dropped - free) * dt, most)
        c = c + (c_in - c) * -np.expm1(-n * dt) + (crop + free) / v * dt
        fog = fog + (rooms.evaporating_fraction * mist * now / v - (n + falls) * fog) * dt
        gap = saturation_g_m3(t) - c
        room_for = np.minimum(fog, np.maximum(gap, 0.0) / (1 + latent * slope / (cp * 3)))
        moved = room_for * -np.expm1(-dries * np.maximum(np.maximum(fog, gap), 0.0) * dt)
        moved = np.where(gap < 0, gap / (1 + latent * slope / cp), moved)  # new drops at once
        c, fog = c + moved, fog - moved
        given = rooms.heat_w + breath + rooms.machines_w * now
        warms = (rooms.wall_w_k + cp * n * v) * (rooms.room_temp_c - t) + given
        t = t + (warms * dt - latent * (v * moved + (crop + free) * dt)) / heat
        rh = np.minimum(100 * c / saturation_g_m3(t), 100.0)
        # both elements follow the mean over the step: followed to its end they would run ahead
        felt = np.where(
            rooms.temp_lag_s > 0,
            felt + ((t + t_before) / 2 - felt) * _pace(dt, rooms.temp_lag_s),
            t,
        )
        shown = shown + ((rh + rh_before) / 2 - shown) * _pace(dt, rooms.lag_s)
        t_before, rh_before = t, rh
        out["rh_pct"][k], out["temp_c"][k], out["sensor_rh_pct"][k] = rh, felt, shown
    return out


def _pace(dt: float, lag: Array) -> Array:
    return np.where(lag > 0, -np.expm1(-dt / np.maximum(lag, 1e-9)), 1.0)


def _surface(
    guess: Array, temp: Array, vapour: Array, speed: Array, gets: Array, own: Array, latent: float
) -> Array:
    """One Newton step to the temperature at which a wet surface's heat balances."""
    full = saturation_g_m3(guess)
    slope = full * (17.6 * 243.0 / (guess + 243.0) ** 2 - 1 / (guess + 273.15))  # for the step only
    balance = gets * (temp - guess) + own - latent * speed * (full - vapour)
    return guess + balance / (gets + latent * speed * slope)
