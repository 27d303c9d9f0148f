"""Moist air against published tables, the steam formulation and other libraries."""

from __future__ import annotations

import importlib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialkit import air

# ------------------------------------------------------------------ saturation pressure

#: °C, then kPa by FAO-56 table 2.3 (eq. 11 to 3 decimals), IAPWS-IF97 (iapws 1.5.5),
#: IAPWS-95 (CoolProp 8.0.0), ASHRAE Hyland-Wexler (PsychroLib 2.5.0). The ASHRAE value at 0 °C
#: is left out: that library takes the ice line there.
SATURATION = [
    (0.0, 0.611, 0.61121, np.nan, np.nan),
    (0.01, np.nan, 0.61166, 0.61165, 0.61166),
    (5.0, 0.872, 0.87257, 0.87258, 0.87249),
    (10.0, 1.228, 1.22818, 1.22820, 1.22800),
    (15.0, 1.705, 1.70574, 1.70579, 1.70545),
    (18.0, 2.064, 2.06466, 2.06473, 2.06429),
    (20.0, 2.338, 2.33921, 2.33932, 2.33880),
    (25.0, 3.168, 3.16975, 3.16993, 3.16922),
    (30.0, 4.243, 4.24669, 4.24697, 4.24603),
    (35.0, 5.623, 5.62862, 5.62902, 5.62782),
]


@pytest.mark.parametrize(("temp", "fao", "if97", "iapws95", "ashrae"), SATURATION)
def test_saturation_pressure_agrees_with_each_published_formulation(
    temp, fao, if97, iapws95, ashrae
):
    ours = air.saturation_pressure_kpa(temp)
    for other in (if97, iapws95, ashrae):
        if np.isfinite(other):
            assert ours == pytest.approx(other, rel=5e-4)
    if np.isfinite(fao):
        # the table is rounded to 0.001 kPa, and FAO eq. 11 itself is up to 0.12 % low
        assert ours == pytest.approx(fao, rel=1.2e-3, abs=5e-4)
        assert air.saturation_pressure_fao_kpa(temp) == pytest.approx(fao, abs=5.1e-4)


def test_within_a_tenth_of_a_percent_of_iapws_from_0_to_40():
    iapws = importlib.import_module("iapws")
    temps = np.linspace(0.01, 40, 41)
    steam = [iapws.IAPWS97(T=t + 273.15, x=1).P * 1e3 for t in temps]
    assert air.saturation_pressure_kpa(temps) == pytest.approx(steam, rel=2e-4)


def test_latent_heat_against_iapws():
    iapws = importlib.import_module("iapws")
    temps = np.linspace(0.01, 40, 21)
    latent = [
        iapws.IAPWS97(T=t + 273.15, x=1).h - iapws.IAPWS97(T=t + 273.15, x=0).h for t in temps
    ]
    assert air.latent_heat_kj_kg(temps) == pytest.approx(latent, rel=1e-4)
    # IAPWS-95 by CoolProp 8.0.0
    printed = {0.01: 2500.9, 10: 2477.2, 15: 2465.4, 20: 2453.5, 25: 2441.7, 30: 2429.8}
    for temp, value in printed.items():
        assert air.latent_heat_kj_kg(temp) == pytest.approx(value, abs=0.15)


def test_fao_56_example_3():
    """FAO-56 chapter 3 example 3: 24.5 and 15 °C give 3.075, 1.705 and a mean of 2.39 kPa."""
    pair = air.saturation_pressure_fao_kpa([24.5, 15.0])
    assert pair == pytest.approx([3.075, 1.705], abs=5e-4)
    assert pair.mean() == pytest.approx(2.39, abs=5e-3)
    assert air.saturation_pressure_kpa([24.5, 15.0]).mean() == pytest.approx(2.39, abs=5e-3)


def test_fao_pressure_at_altitude():
    """FAO-56 eq. 7; its table prints 81.8 kPa at 1800 m."""
    heights = [100, 500, 1000, 1800]
    assert air.pressure_at_altitude_kpa(heights) == pytest.approx(
        [100.124, 95.528, 90.025, 81.756], abs=6e-4
    )


# ------------------------------------------------------------------ moist air

#: °C, % RH, VPD kPa (FAO es), dew point °C, W g/kg, AH g/m³ (ASHRAE es), wet bulb °C, h kJ/kg:
#: PsychroLib 2.5.0 at 101.325 kPa except the first two columns.
MOIST = [
    (10, 90, 0.1228, 8.437, 6.859, 8.457, 9.157, 27.34),
    (12, 95, 0.0701, 11.225, 8.288, 10.125, 11.553, 32.98),
    (15, 85, 0.2558, 12.501, 9.027, 10.900, 13.502, 37.92),
    (15, 90, 0.1705, 13.374, 9.566, 11.542, 14.010, 39.28),
    (16, 93, 0.1273, 14.869, 10.557, 12.673, 15.290, 42.81),
    (18, 90, 0.2064, 16.336, 11.617, 13.826, 16.922, 47.55),
    (18, 95, 0.1032, 17.187, 12.275, 14.594, 17.466, 49.22),
    (20, 50, 1.1691, 9.272, 7.262, 8.643, 13.783, 38.55),
    (20, 85, 0.3507, 17.403, 12.447, 14.694, 18.278, 51.71),
    (20, 90, 0.2338, 18.310, 13.194, 15.558, 18.864, 53.61),
    (20, 95, 0.1169, 19.175, 13.944, 16.422, 19.439, 55.51),
    (20, 100, 0.0, 20.0, 14.695, 17.287, 20.000, 57.42),
    (22, 80, 0.5288, 18.392, 13.264, 15.532, 19.558, 55.85),
    (24, 85, 0.4476, 21.322, 15.975, 18.502, 22.103, 64.81),
    (25, 50, 1.5839, 13.864, 9.881, 11.516, 17.889, 50.32),
    (25, 90, 0.3168, 23.244, 18.015, 20.728, 23.722, 71.04),
    (25, 100, 0.0, 25.0, 20.081, 23.032, 25.000, 76.31),
    (30, 70, 1.2729, 23.928, 18.795, 21.244, 25.503, 78.24),
]


@pytest.mark.parametrize(("temp", "rh", "vpd", "dew", "ratio", "density", "wet", "heat"), MOIST)
def test_moist_air_table(temp, rh, vpd, dew, ratio, density, wet, heat):
    # 0.1 % for the difference of formulations, plus half of the last printed digit
    assert air.vpd_kpa(temp, rh) == pytest.approx(vpd, rel=1.1e-3, abs=5e-5)
    assert air.dew_point_c(temp, rh) == pytest.approx(dew, abs=2e-3)
    assert 1000 * air.humidity_ratio(temp, rh) == pytest.approx(ratio, rel=5e-4)
    assert air.absolute_humidity_g_m3(temp, rh) == pytest.approx(density, rel=5e-4)
    assert air.wet_bulb_c(temp, rh) == pytest.approx(wet, abs=4e-3)
    assert air.enthalpy_kj_kg(temp, rh) == pytest.approx(heat, abs=0.03)


def test_grid_against_psychrolib():
    psy = importlib.import_module("psychrolib")
    psy.SetUnitSystem(psy.SI)
    temps, rhs = np.meshgrid(np.arange(1.0, 41.0, 3.0), np.arange(20.0, 100.1, 10.0))
    pressure = 95.0
    ratio = air.humidity_ratio(temps, rhs, pressure)
    wet = air.wet_bulb_c(temps, rhs, pressure)
    for i, j in np.ndindex(temps.shape):
        t, r = temps[i, j], rhs[i, j] / 100
        assert ratio[i, j] == pytest.approx(psy.GetHumRatioFromRelHum(t, r, 95000.0), rel=1e-3)
        theirs = psy.GetTWetBulbFromRelHum(t, r, 95000.0)
        if theirs > 0.02:  # below zero it balances over ice, this module over liquid water
            assert wet[i, j] == pytest.approx(theirs, abs=6e-3)


def test_weather_station_dew_points():
    """A year of hourly airport records: Greensboro NC, TMY3 file 723170 shipped with pvlib.

    Temperatures there were read in whole °F (±0.28 °C) and humidity is a whole percent. Rows
    with dew above freezing only: below it, two of the months were worked out over ice.
    """
    pvlib = importlib.import_module("pvlib")
    path = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"
    table = pd.read_csv(path, skiprows=1)
    table = table[table["Dew-point (C)"] > 0]
    temp, dew, rh = table["Dry-bulb (C)"], table["Dew-point (C)"], table["RHum (%)"]
    ours = air.rh_from_dew_point(temp, dew)
    low = air.rh_from_dew_point(temp + 0.28, dew - 0.28) - 0.5
    high = air.rh_from_dew_point(temp - 0.28, dew + 0.28) + 0.5
    inside = (rh >= low) & (rh <= high)
    assert len(table) > 6000
    assert inside.mean() > 0.99
    assert (ours - rh).abs().median() < 0.5
    assert abs((ours - rh).median()) < 0.15
    # the few rows outside contradict themselves in the file: another library says the same
    psy = importlib.import_module("psychrolib")
    psy.SetUnitSystem(psy.SI)
    for k in table.index[~inside]:
        theirs = 100 * psy.GetRelHumFromTDewPoint(temp[k], dew[k])
        assert ours[k] == pytest.approx(theirs, abs=0.05)


def test_saturated_salt_humidity_moves_with_temperature():
    """At fixed vapour content near 20 °C, +1 °C takes 90 % to 84.6 % (FAO-56 eq. 11)."""
    held = air.absolute_humidity_g_m3(20.0, 90.0) * 293.15 / 294.15  # same vapour pressure
    assert air.rh_from_absolute_humidity(21.0, held) == pytest.approx(84.6, abs=0.05)


def test_bowman_evaporation_coefficient():
    """Bowman (1989): acceptable from 4 to 10; values worked from FAO-56 eq. 11."""
    cases = [(16, 93, 7.64), (18, 95, 6.19), (18, 90, 12.38), (15, 85, 15.35)]
    for temp, rh, value in cases:
        found = air.evaporation_coefficient(temp, rh, air_speed_m_s=0.1)
        assert found == pytest.approx(value, rel=1.1e-3)
    assert air.BOWMAN_RANGE == (4.0, 10.0)


def test_carbon_dioxide_by_mass():
    """1 ppm is 1.8295 mg/m³ at 20 °C; 5 000 ppm is about 9 000 mg/m³ at 25 °C."""
    assert air.co2_mg_m3(1.0) == pytest.approx(1.8295, rel=1e-4)
    assert air.co2_mg_m3([5000.0, 30000.0], 25.0) == pytest.approx([8994, 53965], rel=1e-4)


# ------------------------------------------------------------------ inverses, slopes, errors

sane_temp = st.floats(-20, 45)
sane_rh = st.floats(1.5, 100)


@given(sane_temp, sane_rh, st.floats(70, 105))
def test_every_inverse_returns_where_it_came_from(temp, rh, pressure):
    assert air.rh_from_vpd(temp, air.vpd_kpa(temp, rh)) == pytest.approx(rh, abs=1e-9)
    assert air.rh_from_dew_point(temp, air.dew_point_c(temp, rh)) == pytest.approx(rh, rel=1e-9)
    density = air.absolute_humidity_g_m3(temp, rh)
    assert air.rh_from_absolute_humidity(temp, density) == pytest.approx(rh, rel=1e-9)
    ratio = air.humidity_ratio(temp, rh, pressure)
    assert air.rh_from_humidity_ratio(temp, ratio, pressure) == pytest.approx(rh, rel=1e-9)
    wet = air.wet_bulb_c(temp, rh, pressure)
    assert air.rh_from_wet_bulb(temp, wet, pressure) == pytest.approx(rh, abs=1e-6)
    assert air.dew_point_c(temp, rh) - 1e-9 <= wet <= temp + 1e-9
    sat = air.saturation_pressure_kpa(temp)
    assert air.saturation_temp_c(sat) == pytest.approx(temp, abs=1e-9)


@given(st.floats(-30, 60))
def test_slope_is_the_derivative(temp):
    step = 1e-3
    rise = air.saturation_pressure_kpa(temp + step) - air.saturation_pressure_kpa(temp - step)
    assert air.saturation_slope_kpa_per_c(temp) == pytest.approx(rise / (2 * step), rel=1e-6)


def test_sensor_error_in_vpd_near_saturation():
    """±2 % RH is a fifth of the deficit at 90 % and 20 °C, two fifths at 95 %."""
    for rh, share in [(90, 0.2), (95, 0.4)]:
        error = air.vpd_uncertainty_kpa(20, rh, temp_u_c=0, rh_u_pct=2)
        assert error / air.vpd_kpa(20, rh) == pytest.approx(share, rel=1e-9)


def test_uncertainty_agrees_with_simulation():
    rng = np.random.default_rng(20)
    temps, rhs = rng.normal(18, 0.3, 200_000), rng.normal(85, 1.5, 200_000)
    told = air.vpd_uncertainty_kpa(18.0, 85.0, temp_u_c=0.3, rh_u_pct=1.5)
    assert told == pytest.approx(air.vpd_kpa(temps, rhs).std(), rel=0.01)
    general = air.uncertainty_of(air.vpd_kpa, 18.0, 85.0, temp_u_c=0.3, rh_u_pct=1.5)
    assert general == pytest.approx(told, rel=1e-6)
    dew = air.uncertainty_of(air.dew_point_c, 18.0, 85.0, temp_u_c=0.3, rh_u_pct=1.5)
    assert dew == pytest.approx(air.dew_point_c(temps, rhs).std(), rel=0.01)


def test_wet_surface_gathers_dew_below_the_dew_point():
    dew = air.dew_point_c(20.0, 90.0)
    assert air.surface_vpd_kpa(20.0, 90.0, dew) == pytest.approx(0, abs=1e-12)
    assert air.surface_vpd_kpa(20.0, 90.0, dew - 1) < 0 < air.surface_vpd_kpa(20.0, 90.0, dew + 1)
    assert air.surface_vpd_kpa(20.0, 90.0, 20.0) == pytest.approx(air.vpd_kpa(20.0, 90.0))


# ------------------------------------------------------------------ kinds of input


def test_kinds_are_kept_and_missing_stays_missing():
    assert isinstance(air.vpd_kpa(20, 90), float)
    assert air.vpd_kpa([20, 21], 90).shape == (2,)
    when = pd.date_range("2031-03-01", periods=3, freq="min", tz="UTC")
    temp, rh = pd.Series([20.0, np.nan, 21.0], when), pd.Series([90.0, 91.0, 92.0], when)
    before = temp.copy()
    for function in (air.vpd_kpa, air.dew_point_c, air.wet_bulb_c, air.humidity_ratio):
        out = function(temp, rh)
        assert out.index.equals(when)
        assert out.isna().tolist() == [False, True, False]
        assert out.iloc[2] == pytest.approx(function(21.0, 92.0))
    pd.testing.assert_series_equal(temp, before)
    assert np.isnan(air.dew_point_c(20.0, 0.0))
    assert air.vpd_kpa(np.zeros((0,)), np.zeros((0,))).shape == (0,)


def test_impossible_values_are_refused_with_their_place():
    with pytest.raises(air.AirError, match=r"rh_pct: 1 value.*first -3 at position 1.*%"):
        air.vpd_kpa([20, 21], [90, -3])
    with pytest.raises(air.AirError, match="temp_c"):
        air.saturation_pressure_kpa(293.15)
    with pytest.raises(air.AirError, match="different indexes"):
        air.vpd_kpa(pd.Series([20.0], [0]), pd.Series([90.0], [1]))


@pytest.mark.parametrize("wrong", [-5.0, 0.0, 101325.0, 1013.25])
def test_pressure_in_another_unit_is_refused(wrong):
    with pytest.raises(air.AirError, match="kPa rather than Pa"):
        air.humidity_ratio(20.0, 50.0, wrong)


def test_humidity_as_fractions_is_told():
    with pytest.raises(air.AirError, match="look like fractions"):
        air.vpd_kpa(20.0, 0.9)
    with pytest.raises(air.AirError, match="look like fractions"):
        air.dew_point_c([20.0, 21.0], [0.5, np.nan])
    assert air.vpd_kpa([20.0, 20.0], [0.9, 45.0])[0] > 2.3  # a column that goes beyond 1


def test_readings_above_full_air_within_the_error_are_full():
    """Saturation at 20 °C is 2.3392 kPa: 102 % is 0, 110 % is −0.234."""
    assert air.vpd_kpa(20.0, 102.0) == 0.0
    assert air.vpd_kpa(20.0, 110.0) == pytest.approx(-0.2339, abs=1e-4)
    assert air.vpd_kpa(20.0, 102.0, rh_error_pct=1.0) == pytest.approx(-0.0468, abs=1e-4)


def test_uncertainty_at_the_ends_and_of_lists():
    """Absolute humidity at 20 °C is 17.29 g/m³ at 100 %: 2 points are 0.346 g/m³ anywhere."""
    for rh in (0.0, 120.0):
        found = air.uncertainty_of(air.absolute_humidity_g_m3, 20.0, rh, temp_u_c=0.0, rh_u_pct=2.0)
        assert found == pytest.approx(0.346, abs=1e-3)
    both = air.uncertainty_of(
        air.absolute_humidity_g_m3, [20.0, 20.0], [0.0, 50.0], temp_u_c=0.0, rh_u_pct=2.0
    )
    assert both == pytest.approx([0.346, 0.346], abs=1e-3)


def test_dry_air_makes_room_for_vapour():
    """PsychroLib 2.5: dry air in moist air is one over its volume per kg of dry air.

    By hand at 25 °C and 100 %, 101.325 kPa: (101.325 − 3.1698)/(0.287042 × 298.15) = 1.1469.
    """
    psy = importlib.import_module("psychrolib")
    psy.SetUnitSystem(psy.SI)
    assert air.dry_air_density_kg_m3(25.0, 100.0) == pytest.approx(1.1469, rel=2e-4)
    for temp, rh, pressure in [(5.0, 40.0, 101.325), (25.0, 90.0, 95.0), (40.0, 100.0, 81.76)]:
        ratio = psy.GetHumRatioFromRelHum(temp, rh / 100, pressure * 1e3)
        want = 1 / psy.GetMoistAirVolume(temp, ratio, pressure * 1e3)
        assert air.dry_air_density_kg_m3(temp, rh, pressure) == pytest.approx(want, rel=4e-4)


@pytest.mark.parametrize(
    ("function", "low", "high"),
    [(lambda kpa: air.humidity_ratio(20.0, 50.0, kpa), 50.0, 110.0),
     (air.pressure_at_altitude_kpa, -430.0, 5500.0),
     (air.saturation_pressure_kpa, -90.0, 150.0)],
)  # fmt: skip
def test_the_ends_that_are_stated_are_held(function, low, high):
    """Pressure of 50 to 110 kPa, from the Dead Sea's shore to 5 500 m, and −90 to 150 °C."""
    assert np.isfinite(function([low, high])).all()
    for beyond in (low - 0.1, high + 0.1):
        with pytest.raises(air.AirError, match="at position 0"):
            function([beyond])


def test_a_reading_is_full_air_up_to_the_error_and_not_beyond():
    """Three points unless said otherwise: 103 % is full, 103.1 % is 3.1 % of 2.3392 kPa over."""
    assert air.vpd_kpa(20.0, 103.0) == 0.0
    assert air.vpd_kpa(20.0, 103.1) == pytest.approx(-0.031 * 2.3392, rel=1e-3)
    assert air.vpd_kpa(20.0, 99.9) == pytest.approx(0.001 * 2.3392, rel=1e-3)


def test_fractions_are_told_from_readings_that_stick_near_nothing():
    """A column that never passes 1 is a fraction; one that never passes 0.05 is a dead sensor."""
    assert air.vpd_kpa(20.0, 0.05) == pytest.approx(2.3392 * 0.9995, rel=1e-4)
    assert air.vpd_kpa([20.0, 20.0], [1.01, 0.5])[0] == pytest.approx(2.3392 * 0.9899, rel=1e-4)
    for share in (0.06, 1.0):
        with pytest.raises(air.AirError, match="fractions"):
            air.vpd_kpa(20.0, share)


@pytest.mark.parametrize("temp", [-85.0, -60.0, 0.01, 100.0, 149.0])
def test_dew_points_are_found_from_deep_frost_to_an_autoclave(temp):
    """Air at 100 % is at its own dew point; at 100 °C that is 101.42 kPa (IAPWS-95)."""
    assert air.dew_point_c(temp, 100.0) == pytest.approx(temp, abs=1e-6)
    assert air.saturation_temp_c(101.418) == pytest.approx(100.0, abs=0.01)
