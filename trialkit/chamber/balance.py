"""The moisture and heat balance of a chamber, solved exactly piece by piece.

Symbols

    c   vapour in the chamber air [g/m³]        T   air temperature [°C]
    s   what the humidity sensor shows [%]      q   carbon dioxide [ppm]
    W   water on the wetted surfaces [g]        t   time [s]
    V   volume [m³]      n   air changes [1/s]  G   mist put out [g/s]     f  share evaporating
    g   transfer × wet surface [m³/s]           cs  saturation at T [g/m³] d  = cs − c
    L   latent heat [J/g]   H  heat exchange [W/K]   C  heat held [J/K]    Q  heat given off [W]

    V c' = V n (c_in − c) + f G + g d                       (vapour)
    C T' = H (T_in − T) + Q − L (f G + g d)                 (heat)
    W'   = (1 − f) G − g_w d                                (wetted surfaces)
    s'   = (100 c/cs − s) / lag,   q' = n (q_in − q) + S    (sensor, carbon dioxide)

While the mist is on or off, surfaces wet or dry, and air short of saturation or at it, this is
a linear system once cs(T) is a straight line. Without cooling it is one exactly; with cooling
a piece is cut where T has moved 0.15 °C, so that cs is off by less than 0.005 %. Each piece is
then solved in closed form: every state is ``x0 + Σ x_i φ(λ_i, t)``, φ(λ, t) = (e^{λt} − 1)/λ.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from trialkit import air
from trialkit.air.kernels import (
    COEFFICIENTS,
    CRITICAL_K,
    CRITICAL_KPA,
    EXPONENTS,
    GAS_CONSTANT_VAPOUR,
    ZERO_C,
)
from trialkit.chamber.exponentials import (
    Array,
    first_rise,
    lagged,
    lagged_array,
    phi_array,
    phi_integral,
    phi_integral_array,
    phi_of,
    split_modes,
)
from trialkit.chamber.room import HEAT_KJ_K_M3, Room

#: Grams in a litre of water at 20 °C.
WATER_G_L = 998.2
#: A piece ends where the air has warmed or cooled by this much [°C].
TEMP_CUT_C = 0.15
_TINY = 1e-9


class State(NamedTuple):
    """Vapour [g/m³], temperature [°C], sensor [%], carbon dioxide [ppm], surface water [g]."""

    c: float
    t: float
    s: float
    q: float
    w: float


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
    holds: float
    walls: float
    heat: float
    heat_given: float
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
            g_wet=room.transfer_m_h * room.surface_m2 / 3600,
            g_crop=room.transfer_m_h * room.crop_m2 / 3600,
            holds=room.surface_m2 * room.surface_holds_g_m2,
            walls=room.walls_w_k,
            heat=max(held, 1.3 * room.volume_m3) * 1e3,
            heat_given=room.heat_w,
            latent=float(air.latent_heat_kj_kg(room.room_temp_c)),
            air_heat=dry * 1006 * room.volume_m3,
            lag=room.sensor_lag_s,
            cooling=room.cooling,
        )


class Piece:
    """One stretch of time with everything switched one way, solved in closed form.

    `kind` is ``"open"`` (short of saturation) or ``"saturated"``; `wet` says whether the
    wetted surfaces give off vapour.
    """

    __slots__ = (
        "_c", "_l", "_r", "_t", "cs", "cs_t", "ends", "g", "kind", "n", "on", "room", "start",
        "supply", "vapour", "wet",
    )  # fmt: skip

    def __init__(self, room: Constants, start: State, *, on: bool) -> None:
        self.room, self.start, self.on = room, start, on
        self.ends = math.inf
        self.n = room.n_on if on else room.n_off
        mist = room.mist if on else 0.0
        self.cs, self.cs_t = saturation_line(start.t)
        if not room.cooling:
            self.cs_t = 0.0
        d = self.cs - start.c
        settling = (1 - room.fraction) * mist
        # a dry surface that gets more than it can give off is wet at once
        gets_enough = settling > 0 and settling >= room.g_wet * max(d, 0.0) * (1 - 1e-12)
        self.wet = room.g_wet > 0 and (start.w > 0 or gets_enough)
        dry_supply = settling if room.g_wet > 0 and not self.wet else 0.0
        self.vapour = room.fraction * mist + dry_supply
        self.supply = settling - dry_supply
        self.g = room.g_crop + (room.g_wet if self.wet else 0.0)
        slopes = self._slopes(start)
        self.kind = "open"
        if d <= _TINY * self.cs and self.cs_t * slopes[1] - slopes[0] < 0:
            self.kind = "saturated"
        self._solve(slopes)

    def _slopes(self, x: State) -> tuple[float, float]:
        """Give c' and T' short of saturation."""
        room = self.room
        gain = self.vapour + self.g * (self.cs - x.c)
        c_slope = self.n * (room.c_in - x.c) + gain / room.volume
        if not room.cooling:
            return c_slope, 0.0
        flow = room.walls + room.air_heat * self.n
        heat = flow * (room.t_in - x.t) + room.heat_given - room.latent * gain
        return c_slope, heat / room.heat

    def _solve(self, slopes: tuple[float, float]) -> None:
        """Find rates λ and the parts of c and T that go with them."""
        room, v = self.room, self.room.volume
        flow = room.walls + room.air_heat * self.n
        if self.kind == "saturated":
            if not room.cooling:
                self._l, self._c, self._t = (-1.0, -1.0), (0.0, 0.0), (0.0, 0.0)
            else:
                held = room.heat + room.latent * v * self.cs_t
                heat = (
                    flow * (room.t_in - self.start.t)
                    + room.heat_given
                    - room.latent * v * self.n * (self.cs - room.c_in)
                )
                rate = -(flow + room.latent * v * self.n * self.cs_t) / held
                slope = heat / held
                self._l, self._t = (rate, rate), (slope, 0.0)
                self._c = (self.cs_t * slope, 0.0)
        else:
            a = -self.n - self.g / v
            b = self.g * self.cs_t / v
            if not room.cooling:
                self._l, self._c, self._t = (a, a), (slopes[0], 0.0), (0.0, 0.0)
            else:
                e = room.latent * self.g / room.heat
                f = -(flow + room.latent * self.g * self.cs_t) / room.heat
                self._l, self._c, self._t = split_modes(a, b, e, f, slopes)
        # sensor: 100 c/cs about the start, straight in c and T
        share = 100 / self.cs
        bend = -share * self.start.c * self.cs_t / self.cs
        self._r = tuple(share * ci + bend * ti for ci, ti in zip(self._c, self._t, strict=True))

    # ------------------------------------------------------------ states

    def at(self, t: float) -> State:
        """Give the state after t seconds."""
        l1, l2 = self._l
        p1, p2 = phi_of(l1, t), phi_of(l2, t)
        x = self.start
        return State(
            x.c + self._c[0] * p1 + self._c[1] * p2,
            x.t + self._t[0] * p1 + self._t[1] * p2,
            self.sensor(t),
            self._carbon(t),
            self.water(t),
        )

    def deficit(self, t: float) -> float:
        """Give cs − c [g/m³] after t seconds (cs straight over the piece)."""
        p1, p2 = phi_of(self._l[0], t), phi_of(self._l[1], t)
        d1 = self.cs_t * self._t[0] - self._c[0]
        d2 = self.cs_t * self._t[1] - self._c[1]
        return self.cs - self.start.c + d1 * p1 + d2 * p2

    def turning(self) -> float | None:
        """Give the time at which the deficit turns, if it does."""
        d1 = self.cs_t * self._t[0] - self._c[0]
        d2 = self.cs_t * self._t[1] - self._c[1]
        l1, l2 = self._l
        if l1 == l2 or d1 * d2 >= 0:
            return None
        t = math.log(-d2 / d1) / (l1 - l2)
        return t if t > 0 else None

    def sensor(self, t: float) -> float:
        """Give what the humidity sensor shows [%] after t seconds."""
        r0 = 100 * self.start.c / self.cs
        lag = self.room.lag
        if lag <= 0:
            return r0 + sum(r * phi_of(rate, t) for r, rate in zip(self._r, self._l, strict=True))
        shown = self.start.s - (r0 - self.start.s) * math.expm1(-t / lag)
        for r, rate in zip(self._r, self._l, strict=True):
            if r:
                shown += r * lagged(rate, lag, t)
        return shown

    def _carbon(self, t: float) -> float:
        slope = self.n * (self.room.q_in - self.start.q) + self.room.q_source
        return self.start.q + slope * phi_of(-self.n, t)

    def integrals(self, t: float) -> tuple[float, float]:
        """Give ∫ c dt [g s/m³] and ∫ (cs − c) dt over the first t seconds."""
        i1, i2 = phi_integral(self._l[0], t), phi_integral(self._l[1], t)
        c = self.start.c * t + self._c[0] * i1 + self._c[1] * i2
        temp = self._t[0] * i1 + self._t[1] * i2
        return c, self.cs * t + self.cs_t * temp - c

    def water(self, t: float) -> float:
        """Give the water on the wetted surfaces [g] after t seconds, nothing run off."""
        if self.kind == "saturated":
            c, _ = self.integrals(t)
            rise = self._c[0] * phi_of(self._l[0], t)
            net = self.room.volume * (rise + self.n * (c - self.room.c_in * t))
            return self.start.w + (self.vapour + self.supply) * t - net
        if not self.wet:
            return self.start.w + self.supply * t
        return self.start.w + self.supply * t - self.room.g_wet * self.integrals(t)[1]

    def condensing(self, t: float) -> float:
        """Give how fast vapour turns to water at saturation [g/s]; below zero it ends."""
        rise = self._c[0] * math.exp(self._l[0] * t)
        c = self.start.c + self._c[0] * phi_of(self._l[0], t)
        return self.vapour - self.room.volume * (rise + self.n * (c - self.room.c_in))

    # ------------------------------------------------------------ many moments at once

    def sample(self, t: Array) -> Array:
        """Give c, T, s, q and W at many moments, shape (5, len(t)), for tables and figures."""
        x, lag = self.start, self.room.lag
        phi = [phi_array(rate, t) for rate in self._l]
        c = x.c + self._c[0] * phi[0] + self._c[1] * phi[1]
        temp = x.t + self._t[0] * phi[0] + self._t[1] * phi[1]
        r0 = 100 * x.c / self.cs
        s = np.full_like(t, r0) if lag <= 0 else x.s - (r0 - x.s) * np.expm1(-t / lag)
        for r, rate, p in zip(self._r, self._l, phi, strict=True):
            if r:
                s = s + r * (p if lag <= 0 else lagged_array(rate, lag, t))
        slope = self.n * (self.room.q_in - x.q) + self.room.q_source
        q = x.q + slope * phi_array(-self.n, t)
        return np.stack([c, temp, s, q, self._water_array(t, c)])

    def _water_array(self, t: Array, c: Array) -> Array:
        w = self.start.w + self.supply * t
        if not (self.wet or self.kind == "saturated"):
            return w
        held = [phi_integral_array(rate, t) for rate in self._l]
        total = self.start.c * t + self._c[0] * held[0] + self._c[1] * held[1]
        if self.kind == "saturated":
            stays = c - self.start.c + self.n * (total - self.room.c_in * t)
            return np.asarray(w + self.vapour * t - self.room.volume * stays)
        temp = self._t[0] * held[0] + self._t[1] * held[1]
        return np.asarray(w - self.room.g_wet * (self.cs * t + self.cs_t * temp - total))

    # ------------------------------------------------------------ events

    def next_event(self, longest: float, also: Callable[[float], float] | None = None) -> float:
        """Give when this piece ends: the first event, or `longest` seconds.

        Events: saturation reached or left, surfaces dried out or wetted, temperature moved by
        `TEMP_CUT_C`, and `also` (a function of time) rising through zero.
        """
        end = self._cut_by_temperature(longest)
        for event in self._events(end):
            end = min(end, event)
        if also is not None:
            hit = first_rise(also, end)
            end = end if hit is None else min(end, hit)
        return end

    def _cut_by_temperature(self, end: float) -> float:
        if not self.room.cooling:
            return end
        while True:
            l1, l2 = self._l
            moved = self._t[0] * phi_of(l1, end) + self._t[1] * phi_of(l2, end)
            if abs(moved) <= TEMP_CUT_C or end < 1e-3:
                return end
            end /= 2

    def _events(self, end: float) -> list[float]:
        found: list[float | None] = []
        if self.kind == "saturated":
            found.append(first_rise(lambda t: -self.condensing(t), end))
        else:
            low = self.turning()
            stop = end if low is None or low >= end else low
            # a start on the line itself is no event: it is leaving it
            if self.deficit(stop) < 0 or self.deficit(end) < 0:
                found.append(first_rise(lambda t: -self.deficit(t), end))
        if self.wet and self.start.w < self.room.g_wet * self.cs * end:
            found.append(first_rise(lambda t: -self.water(t), end))
        settling = (1 - self.room.fraction) * self.room.mist if self.on else 0.0
        if not self.wet and self.room.g_wet > 0 and self.kind == "open" and settling > 0:
            found.append(first_rise(lambda t: settling - self.room.g_wet * self.deficit(t), end))
        return [event for event in found if event is not None]
