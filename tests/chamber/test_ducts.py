"""Ducts at the border between smooth and rough flow, and each loss by its formula written out."""

from __future__ import annotations

import math

import pytest

from trialkit.chamber import ChamberError, Duct, Fan
from trialkit.chamber.droplets import settling_m_s
from trialkit.chamber.ducts import duct_pressure_pa, fan_flow_m3_h, fan_power_w, fog_through

AIR, STICKY = 1.2, 1.81e-5


def flow_at(reynolds: float, duct: Duct) -> float:
    """Give the flow [m³/h] of a Reynolds number: Re = ρ v D/μ."""
    return reynolds * STICKY / AIR / (duct.diameter_mm / 1000) * duct.area_m2 * 3600


@pytest.mark.parametrize("reynolds", [500.0, 2299.5, 2300.5, 5000.0, 60_000.0])
def test_pressure_on_both_sides_of_the_border_of_smooth_flow(reynolds: float) -> None:
    """64/Re below 2300; above it 0.25/log₁₀²(ε/3.7D + 5.74/Re^0.9) (Swamee & Jain)."""
    duct = Duct(7.0, 80.0, bends=3)
    factor = 64 / reynolds
    if reynolds > 2300:
        factor = 0.25 / math.log10(1e-4 / 0.08 / 3.7 + 5.74 / reynolds**0.9) ** 2
    speed = reynolds * STICKY / AIR / 0.08
    want = (factor * 7 / 0.08 + 0.3 * 3 + 1.5) * AIR * speed**2 / 2
    assert duct_pressure_pa(duct, flow_at(reynolds, duct)) == pytest.approx(want, rel=1e-9)


def test_still_air_takes_no_pressure() -> None:
    assert duct_pressure_pa(Duct(7.0, 80.0), 0.0) == 0.0


def test_a_fan_by_its_two_ends() -> None:
    """A parabola: three quarters of the pressure are left at half the free flow."""
    fan = Fan(free_m3_h=80.0, shut_pa=40.0)
    assert [fan.pressure_pa(q) for q in (0.0, 40.0, 80.0)] == [40.0, 30.0, 0.0]
    assert Fan(free_m3_h=0.5, shut_pa=0.5).power_w is None
    for free, shut in ((0.0, 40.0), (80.0, 0.0), (-1.0, 40.0), (80.0, -1.0)):
        with pytest.raises(ChamberError, match="a fan needs"):
            Fan(free_m3_h=free, shut_pa=shut)


def test_a_fan_moves_air_where_the_two_curves_cross() -> None:
    fan, duct = Fan(150.0, 60.0), Duct(4.0, 90.0, bends=1)
    flow = fan_flow_m3_h(fan, duct)
    ends = [fan.pressure_pa(q) - duct_pressure_pa(duct, q) for q in (flow - 1e-4, flow + 1e-4)]
    assert ends[0] > 0 > ends[1]


def test_no_fan_moves_more_than_at_full_speed() -> None:
    fan, duct = Fan(150.0, 60.0, power_w=20.0), Duct(4.0, 90.0)
    full = fan_flow_m3_h(fan, duct)
    assert fan_power_w(fan, duct, full) == pytest.approx(20.0)
    assert math.isnan(fan_power_w(fan, duct, full * 1.001))
    assert fan_power_w(fan, duct, full / 3) == pytest.approx(20.0 / 27)


@pytest.mark.parametrize("reynolds", [1000.0, 2299.5, 2300.5, 20_000.0, 200_000.0])
@pytest.mark.parametrize("um", [1.0, 6.0, 30.0])
def test_fog_lost_by_falling_eddies_and_bends(reynolds: float, um: float) -> None:
    """e^(−v D L/Q); in rough flow e^(−V π D L/Q), V = u* min(6·10⁻⁴ τ⁺², 0.1); 10^(−0.963 Stk).

    u* = U √(f/8) with f = 0.316/Re^¼ (Blasius), τ⁺ = τ u*² ρ/μ, Stk = τ U/(D/2).
    """
    duct = Duct(6.0, 80.0, bends=2)
    flow = flow_at(reynolds, duct) / 3600
    speed = flow / (math.pi * 0.04**2)
    answers = 998.2 * (um * 1e-6) ** 2 / (18 * STICKY)
    lost = settling_m_s(um) * 0.08 * 6 / flow
    if reynolds > 2300:
        rubs = speed * math.sqrt(0.316 / reynolds**0.25 / 8)
        to_wall = rubs * min(6e-4 * (answers * rubs**2 * AIR / STICKY) ** 2, 0.1)
        lost += to_wall * math.pi * 0.08 * 6 / flow
    stokes = answers * speed / 0.04
    want = math.exp(-lost) * 10 ** (-0.963 * stokes * 2)
    assert fog_through(duct, flow * 3600, um) == pytest.approx(want, rel=1e-9)


def test_air_that_stands_carries_fog_through_no_length() -> None:
    assert fog_through(Duct(0.1, 80.0), 0.0, 5.0) == 0.0
    assert fog_through(Duct(0.0, 80.0), 0.0, 5.0) == 1.0
    assert 0.0 < fog_through(Duct(0.1, 80.0), 0.5, 5.0) < 1.0
