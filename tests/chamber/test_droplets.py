"""Single drops in air, each number by its formula written out or from the handbook."""

from __future__ import annotations

import math

import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

from trialkit import air
from trialkit.chamber.droplets import drop_life_s, evaporating_share, settling_m_s
from trialkit.chamber.quantities import QUANTITIES


def test_the_smallest_drops_slip_between_the_molecules_of_air() -> None:
    """0.1 µm: Kn = 1.32, 1 + Kn (1.257 + 0.4 e^(−1.1/Kn)) = 2.8887 (Hinds, table A11, 2.89).

    997 × 9.81 × 10⁻¹⁴ × 2.8887/(18 × 1.81·10⁻⁵) = 8.672·10⁻⁷ m/s; the table has 8.82·10⁻⁷ (from
    memory).
    """
    assert settling_m_s(0.1) == pytest.approx(8.672e-7, rel=2e-4)


@pytest.mark.parametrize("um", [20.0, 100.0, 200.0])
def test_large_drops_fall_until_their_drag_bears_their_weight(um: float) -> None:
    """The root of v (1 + 0.15 Re^0.687) = 997 g d² slip/(18 μ), found by scipy."""
    d = um * 1e-6
    slip = 1 + 0.132e-6 / d * 1.257  # the third part is below 1e-30 here
    still = 997.0 * 9.81 * d**2 * slip / (18 * 1.81e-5)
    root = brentq(
        lambda v: v * (1 + 0.15 * (1.2 * v * d / 1.81e-5) ** 0.687) - still, 0, still, xtol=1e-15
    )
    assert settling_m_s(um) == pytest.approx(root, rel=1e-9)


@pytest.mark.parametrize(("um", "temp", "rh"), [(10.0, 20.0, 50.0), (30.0, 5.0, 90.0)])
def test_life_of_a_drop_by_its_formula(um: float, temp: float, rh: float) -> None:
    """ρ d²/(8 D (c_wet − c)), D = 2.12·10⁻⁵ m²/s at 0 °C, with the power 1.81 of the kelvins."""
    wet = float(air.wet_bulb_c(temp, rh))
    gap = float(air.absolute_humidity_g_m3(wet, 100.0) - air.absolute_humidity_g_m3(temp, rh))
    diffusion = 2.12e-5 * ((temp + 273.15) / 273.15) ** 1.81
    want = 998.2 * (um * 1e-6) ** 2 / (8 * diffusion * gap * 1e-3)
    assert drop_life_s(um, temp, rh) == pytest.approx(want, rel=1e-9)


def test_life_of_a_drop_in_numbers() -> None:
    """20 °C, 50 %: the wet bulb is 13.8 °C (chart), 11.8 − 8.65 g/m³; D is 2.41·10⁻⁵ m²/s.

    998.2 × 10⁻¹⁰/(8 × 2.41·10⁻⁵ × 3.19·10⁻³) = 0.162 s.
    """
    assert drop_life_s(10.0, 20.0, 50.0) == pytest.approx(0.162, rel=0.02)


@pytest.mark.parametrize("um", [20.0, 60.0, 90.0])
def test_share_that_dries_by_quadrature(um: float) -> None:
    """d² falls along a line, so at x of its life a drop weighs (1 − x)^1.5 and is (1 − x) as quick.

    Left in the air by then are e^(−rate life (x − x²/2)).
    """
    once = drop_life_s(um, 18.0, 85.0) * settling_m_s(um) / 1.2
    fallen = quad(lambda x: once * (1 - x) ** 2.5 * math.exp(-once * (x - x * x / 2)), 0, 1)[0]
    assert evaporating_share(um, 1.2, 18.0, 85.0) == pytest.approx(1 - fallen, abs=5e-5)


def test_fog_that_hangs_in_the_air_is_of_five_micrometres_or_half_to_twice_as_much() -> None:
    """From a little below the drop at the disc, 2.9 µm (Rodes et al. 1990), to 12 µm (judged)."""
    [drop] = [quantity for quantity in QUANTITIES if quantity.key == "drop_um"]
    assert drop.usual is not None
    assert drop.usual({}) == (5.0, 2.5, 12.0)
