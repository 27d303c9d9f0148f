"""How errors of thermometers and hygrometers reach the deficit: hand-worked from FAO-56."""

from __future__ import annotations

import math

import pytest

from trialkit import air

#: °C, saturation pressure [kPa] and slope of its line [kPa/°C], FAO-56 eq. 11 and 13.
SLOPES = [(10.0, 1.22796, 0.0822826), (20.0, 2.33828, 0.144745), (30.0, 4.24307, 0.243363)]


@pytest.mark.parametrize(("temp", "sat", "slope"), SLOPES)
def test_slopes_are_those_of_the_equation(temp, sat, slope):
    """Δ = 4098 e0/(T + 237.3)²; the values above to five digits."""
    assert 4098 * sat / (temp + 237.3) ** 2 == pytest.approx(slope, rel=1e-4)
    assert air.saturation_slope_kpa_per_c(temp) == pytest.approx(slope, rel=2e-3)


@pytest.mark.parametrize(("temp", "sat", "slope"), SLOPES)
@pytest.mark.parametrize("rh", [40.0, 70.0, 90.0])
def test_a_thermometer_alone(temp, sat, slope, rh):
    """Half a degree: slope × (1 − RH) × 0.5; nothing at saturation."""
    got = air.vpd_uncertainty_kpa(temp, rh, temp_u_c=0.5, rh_u_pct=0.0)
    assert got == pytest.approx(slope * (1 - rh / 100) * 0.5, rel=2e-3)
    assert air.vpd_uncertainty_kpa(temp, 100.0, temp_u_c=0.5, rh_u_pct=0.0) == 0


@pytest.mark.parametrize(("temp", "sat", "slope"), SLOPES)
def test_both_add_as_squares(temp, sat, slope):
    want = math.hypot(slope * 0.6 * 1.0, sat * 0.01)
    got = air.vpd_uncertainty_kpa(temp, 40.0, temp_u_c=1.0, rh_u_pct=1.0)
    assert got == pytest.approx(want, rel=2e-3)
    general = air.uncertainty_of(air.vpd_kpa, temp, 40.0, temp_u_c=1.0, rh_u_pct=1.0)
    assert general == pytest.approx(want, rel=2e-3)


@pytest.mark.parametrize(("temp", "rh"), [(-90.0, 50.0), (150.0, 50.0), (20.0, 0.0), (20.0, 120.0)])
def test_the_ends_of_the_range_are_still_air(temp, rh):
    assert math.isfinite(air.vpd_kpa(temp, rh))


@pytest.mark.parametrize(
    ("temp", "rh"), [(-90.5, 50.0), (150.5, 50.0), (20.0, -0.1), (20.0, 120.1)]
)
def test_beyond_the_ends_is_refused(temp, rh):
    with pytest.raises(air.AirError):
        air.vpd_kpa(temp, rh)


def test_where_no_pressure_is_given_it_is_that_at_sea_level():
    """One standard atmosphere, 101.325 kPa: the same as saying so, and not as at 1800 m."""
    ratio = air.humidity_ratio(20.0, 90.0)
    for function, given in [
        (air.humidity_ratio, (20.0, 90.0)),
        (air.wet_bulb_c, (20.0, 50.0)),
        (air.rh_from_humidity_ratio, (20.0, ratio)),
        (air.rh_from_wet_bulb, (20.0, 15.0)),
        (air.enthalpy_kj_kg, (20.0, 90.0)),
        (air.dry_air_density_kg_m3, (20.0, 50.0)),
        (lambda ppm, *pressure: air.co2_mg_m3(ppm, 20.0, *pressure), (800.0,)),
    ]:
        assert function(*given) == pytest.approx(function(*given, 101.325), rel=1e-12)
        assert function(*given) != pytest.approx(function(*given, 81.76), rel=1e-4)


def test_carbon_dioxide_is_weighed_at_twenty_degrees_where_nothing_is_said():
    assert air.co2_mg_m3(800.0) == air.co2_mg_m3(800.0, 20.0, 101.325)
