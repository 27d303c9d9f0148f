"""The moisture and heat balance of a chamber, solved exactly piece by piece.

Symbols

    c   vapour in the chamber air [g/m³]        T   air temperature [°C]
    F   fog: drops in the air [g/m³]            k   its fall, speed / height [1/s]
    s   what the humidity sensor shows [%]      q   carbon dioxide [ppm]
    W   water on the wetted surfaces [g]        t   time [s]
    V   volume [m³]      n   air changes [1/s]  G   mist put out [g/s]     f  share staying in air
    g   transfer × wet surface [m³/s]           cs  saturation at T [g/m³] d  = cs − c
    L   latent heat [J/g]   H  heat exchange [W/K]   C  heat held [J/K]    Q  heat given off [W]
    m   vapour that the crop's own heat drives off [g/s]      e  vapour from fog [g/s]

    V c' = V n (c_in − c) + e + g d + m                     (vapour)
    V F' = f G − e − V (n + k) F                            (fog)
    C T' = H (T_in − T) + Q − L (e + g d + m)               (heat)
    W'   = (1 − f) G + V k F − g_w d                        (wetted surfaces)
    s'   = (100 c/cs − s) / lag,   q' = n (q_in − q) + S    (sensor, carbon dioxide)

Drops of fog are gone within seconds in air short of saturation, which is quick against all else:
while there is fog the air stands at saturation (e is what keeps it there), and short of
saturation mist is vapour at once (e = f G). Drops above some 20 µm are slower than that; their
part that falls first is left to f (`trialkit.chamber.droplets`).

The speed g is that of a surface which its own evaporation cools and which takes heat from air
and walls: the speed of free water over 1 + L g₁ cs'/h, with g₁ the speed [m/s] and h the heat it
takes [W/(m² K)]; that is Penman's balance with cs straight between surface and air.

While the mist is on or off, surfaces wet or dry, and air short of saturation or at it, this is
a linear system once cs(T) is a straight line. Without cooling it is one exactly; with cooling
a piece is cut where T has moved 0.15 °C, so that cs is off by less than 0.005 %. Each piece is
then solved in closed form: every state is ``x0 + Σ x_i φ(λ_i, t)``, φ(λ, t) = (e^{λt} − 1)/λ.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from trialkit.arrays import Floats
from trialkit.chamber.constants import Constants, State, rest_fog, saturation_line
from trialkit.chamber.exponentials import (
    first_rise,
    keep_apart,
    lagged,
    lagged_array,
    phi_array,
    phi_integral,
    phi_integral_array,
    phi_of,
    split_modes,
)

#: A piece ends where the air has warmed or cooled by this much [°C].
TEMP_CUT_C = 0.15
_TINY = 1e-9


class Piece:
    """One stretch of time with everything switched one way, solved in closed form.

    `kind` is ``"open"`` (short of saturation) or ``"saturated"``; `wet` says whether the
    wetted surfaces give off vapour.
    """

    __slots__ = (
        "_c",
        "_f",
        "_l",
        "_r",
        "_t",
        "cs",
        "cs_t",
        "g",
        "given",
        "kind",
        "n",
        "on",
        "room",
        "start",
        "supply",
        "vapour",
        "wet",
    )

    def __init__(self, room: Constants, start: State, *, on: bool) -> None:
        if start.f > 0:
            start = rest_fog(start)
        self.room, self.start, self.on = room, start, on
        self.given = room.heat_on if on else room.heat_off
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
        self.vapour = room.fraction * mist + dry_supply + room.crop_vapour
        self.supply = settling - dry_supply
        self.g = room.g_crop + (room.g_wet if self.wet else 0.0)
        slopes = self._slopes(start)
        self.kind = "open"
        full = d <= _TINY * self.cs
        if start.f > 0 or (full and self.cs_t * slopes[1] - slopes[0] < 0):
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
        heat = flow * (room.t_in - x.t) + self.given - room.latent * gain
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
                    + self.given
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
        if self.kind == "saturated":
            # fog gains what is given off and not needed to keep the air full, over V
            rate, rise = self._l[0], self._c[0]
            spare = self.vapour / v - rise - self.n * (self.start.c - room.c_in)
            self._f = (spare, -rise * (rate + self.n))
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
            self.fog(t),
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

    def fog(self, t: float) -> float:
        """Give the fog in the air [g/m³] after t seconds; below zero it has ended before."""
        if self.kind == "open":
            return 0.0
        gone = -(self.n + self.room.falls)
        grown = phi_of(gone, t)
        rate = keep_apart(self._l[0], gone)
        pushed = (phi_of(rate, t) - grown) / (rate - gone)
        return self.start.f * math.exp(gone * t) + self._f[0] * grown + self._f[1] * pushed

    def fog_seconds(self, t: float) -> float:
        """Give ∫ F dt [g s/m³] over the first t seconds."""
        if self.kind == "open":
            return 0.0
        gained = self._f[0] * t + self._f[1] * phi_integral(self._l[0], t)
        return (gained + self.start.f - self.fog(t)) / (self.n + self.room.falls)

    def water(self, t: float) -> float:
        """Give the water on the wetted surfaces [g] after t seconds, nothing run off."""
        w = self.start.w + self.supply * t
        if self.kind == "saturated":
            return w + self.room.volume * self.room.falls * self.fog_seconds(t)
        return w - self.room.g_wet * self.integrals(t)[1] if self.wet else w

    # ------------------------------------------------------------ many moments at once

    def sample(self, t: Floats) -> Floats:
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
        water, fog = self._liquid(t)
        return np.stack([c, temp, s, q, water, fog])

    def _liquid(self, t: Floats) -> tuple[Floats, Floats]:
        """Give the water on surfaces [g] and the fog in the air [g/m³]."""
        w, room = self.start.w + self.supply * t, self.room
        held = [phi_integral_array(rate, t) for rate in self._l]
        if self.kind == "saturated":
            gone = -(self.n + room.falls)
            grown, rate = phi_array(gone, t), keep_apart(self._l[0], gone)
            pushed = (phi_array(rate, t) - grown) / (rate - gone)
            fog = self.start.f * np.exp(gone * t) + self._f[0] * grown + self._f[1] * pushed
            gained = self._f[0] * t + self._f[1] * held[0]
            fallen = room.falls * (gained + self.start.f - fog) / -gone
            return w + room.volume * fallen, np.maximum(fog, 0.0)
        if not self.wet:
            return w, np.zeros_like(t)
        total = self.start.c * t + self._c[0] * held[0] + self._c[1] * held[1]
        temp = self._t[0] * held[0] + self._t[1] * held[1]
        dried = room.g_wet * (self.cs * t + self.cs_t * temp - total)
        return np.asarray(w - dried), np.zeros_like(t)

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
        l1, l2 = self._l
        while abs(self._t[0] * phi_of(l1, end) + self._t[1] * phi_of(l2, end)) > TEMP_CUT_C:
            end /= 2
        return end

    def _events(self, end: float) -> list[float]:
        found: list[float | None] = []
        if self.kind == "saturated":
            found.append(self._fog_ends(end))
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

    def _fog_ends(self, end: float) -> float | None:
        """Give when the fog is used up, if it is."""
        hit = first_rise(lambda t: -self.fog(t), end)
        if hit is None and self.fog(end) < 0:  # gone before the first look
            while end > 1e-9 and self.fog(end) < 0:
                end /= 2
            return end
        return hit
