"""Ducts: the pressure they take, the air a fan then moves, and the fog that is lost in them."""

from __future__ import annotations

import math
from dataclasses import dataclass

from trialkit.chamber.droplets import AIR_KG_M3, AIR_PA_S, WATER_KG_M3, settling_m_s
from trialkit.chamber.room import ChamberError

#: Pressure that a smooth bend of 90° takes, and inlet and outlet together, as shares of ρ v²/2;
#: handbook values, from memory.
BEND_LOSS, ENDS_LOSS = 0.3, 1.5
#: Roughness of plastic or metal duct [m]; flexible duct takes two to three times the pressure
#: (from memory).
ROUGHNESS_M = 1e-4


@dataclass(frozen=True)
class Duct:
    """A round duct.

    Parameters
    ----------
    length_m, diameter_mm : float
        Length [m] and inner diameter [mm].
    bends : int
        Bends of 90°.

    Examples
    --------
    >>> round(Duct(length_m=5.0, diameter_mm=100.0).area_m2, 5)
    0.00785
    """

    length_m: float
    diameter_mm: float
    bends: int = 0

    def __post_init__(self) -> None:
        if self.length_m < 0 or self.diameter_mm <= 0 or self.bends < 0:
            raise ChamberError("a duct needs a length of 0 m or more and a diameter above 0 mm")

    @property
    def diameter_m(self) -> float:
        """Inner diameter [m]."""
        return self.diameter_mm / 1000

    @property
    def area_m2(self) -> float:
        """Cross-section [m²]."""
        return math.pi * self.diameter_m**2 / 4


@dataclass(frozen=True)
class Fan:
    """A fan by the two ends of its curve.

    Parameters
    ----------
    free_m3_h, shut_pa : float
        Air it moves against no pressure [m³/h]; pressure it makes with its outlet shut [Pa].
    power_w : float or None
        Electrical power on the label [W].
    """

    free_m3_h: float
    shut_pa: float
    power_w: float | None = None

    def __post_init__(self) -> None:
        if self.free_m3_h <= 0 or self.shut_pa <= 0:
            raise ChamberError("a fan needs free delivery and shut-off pressure above 0")

    def pressure_pa(self, flow_m3_h: float) -> float:
        """Give the pressure it makes at a flow: a parabola between the two ends [Pa]."""
        return self.shut_pa * (1 - (flow_m3_h / self.free_m3_h) ** 2)


def duct_pressure_pa(duct: Duct, flow_m3_h: float) -> float:
    """Give the pressure that a duct takes at a flow [Pa].

    Parameters
    ----------
    duct : Duct
    flow_m3_h : float
        Air through it [m³/h].

    Notes
    -----
    Darcy and Weisbach, with the friction factor of Swamee & Jain (1976), 64/Re where the flow
    is smooth (Re below 2300); bends and ends as `BEND_LOSS`, `ENDS_LOSS`.

    Examples
    --------
    >>> round(duct_pressure_pa(Duct(5.0, 100.0, bends=2), 100.0), 1)
    26.0
    """
    speed = flow_m3_h / 3600 / duct.area_m2
    if speed == 0:
        return 0.0
    reynolds = AIR_KG_M3 * speed * duct.diameter_m / AIR_PA_S
    factor = 64 / reynolds
    if reynolds >= 2300:
        rough = ROUGHNESS_M / duct.diameter_m / 3.7
        factor = 0.25 / math.log10(rough + 5.74 / reynolds**0.9) ** 2
    losses = factor * duct.length_m / duct.diameter_m + BEND_LOSS * duct.bends + ENDS_LOSS
    return losses * AIR_KG_M3 * speed**2 / 2


def fan_flow_m3_h(fan: Fan, duct: Duct) -> float:
    """Give the air that a fan moves through a duct: where the two curves cross [m³/h].

    Examples
    --------
    >>> round(fan_flow_m3_h(Fan(free_m3_h=150.0, shut_pa=60.0), Duct(5.0, 100.0, bends=2)))
    107
    """
    from scipy.optimize import brentq

    def spare(flow: float) -> float:
        return fan.pressure_pa(flow) - duct_pressure_pa(duct, flow)

    return float(brentq(spare, 0.0, fan.free_m3_h, xtol=1e-6))


def fan_power_w(fan: Fan, duct: Duct, flow_m3_h: float) -> float:
    """Give the electrical power of a fan slowed down until it moves a flow [W].

    Parameters
    ----------
    fan : Fan
    duct : Duct
    flow_m3_h : float
        Air wanted [m³/h].

    Returns
    -------
    float
        Missing where the label's power is not given, or the fan cannot move that much.

    Notes
    -----
    In one duct flow goes with the speed and power with its cube (fan laws), from the label's
    power at full speed. A fan throttled instead of slowed takes about its full power.

    Examples
    --------
    >>> fan = Fan(free_m3_h=150.0, shut_pa=60.0, power_w=20.0)
    >>> round(fan_power_w(fan, Duct(5.0, 100.0, bends=2), 54.0), 1)
    2.6
    """
    full = fan_flow_m3_h(fan, duct)
    if fan.power_w is None or flow_m3_h > full * (1 + 1e-9):
        return math.nan
    return fan.power_w * (flow_m3_h / full) ** 3


def fog_through(duct: Duct, flow_m3_h: float, drop_um: float) -> float:
    """Give the share of the fog that comes out of a duct, 0 to 1.

    Parameters
    ----------
    duct : Duct
    flow_m3_h : float
        Air that carries it [m³/h].
    drop_um : float
        Size of its drops [µm].

    Notes
    -----
    Three ways to the wall, each as in the handbooks of aerosols (from memory): falling in
    stirred air, ``exp(−v D L / Q)``; eddies, at ``6·10⁻⁴ τ⁺²`` of the friction speed, a
    tenth of it at most (Liu & Agarwal 1974); bends, ``10^(−0.963 Stk)`` each (Pui, Romay-Novas &
    Liu 1987). Drops that meet and join fall faster; what evaporates on the way is vapour and
    arrives. The duct is taken as level; water that runs back is for the grower to drain.

    Examples
    --------
    >>> round(fog_through(Duct(5.0, 100.0, bends=2), 20.0, 5.0), 2)
    0.93
    """
    if flow_m3_h <= 0:
        return 0.0 if duct.length_m > 0 else 1.0
    flow, d = flow_m3_h / 3600, drop_um * 1e-6
    speed = flow / duct.area_m2
    falling = settling_m_s(drop_um) * duct.diameter_m * duct.length_m / flow
    reynolds = AIR_KG_M3 * speed * duct.diameter_m / AIR_PA_S
    answers = WATER_KG_M3 * d * d / (18 * AIR_PA_S)  # time a drop needs to follow the air [s]
    eddies = 0.0
    if reynolds >= 2300:
        rubs = speed * math.sqrt(0.316 / reynolds**0.25 / 8)
        quick = answers * rubs**2 * AIR_KG_M3 / AIR_PA_S
        to_wall = rubs * min(6e-4 * quick**2, 0.1)
        eddies = to_wall * math.pi * duct.diameter_m * duct.length_m / flow
    stokes = answers * speed / (duct.diameter_m / 2)
    return math.exp(-falling - eddies) * 10 ** (-0.963 * stokes * duct.bends)
