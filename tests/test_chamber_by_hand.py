"""The chamber's parts one by one: sums of exponentials, constants of a room, a settled cycle."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp
from scipy.linalg import expm

from trialkit import air
from trialkit.chamber.airtemp import _decay, _lag, _share_on, estimate_air_temp
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
from trialkit.chamber.forward import simulate
from trialkit.chamber.quantities import QUANTITIES
from trialkit.chamber.recovery import recovery_minutes
from trialkit.chamber.room import Band, Room
from trialkit.chamber.schedule import run_setting
from trialkit.chamber.steady_cycle import start_state

# ------------------------------------------------------------------ sums of exponentials


@pytest.mark.parametrize("rate", [-3.0, -0.02, -1e-7, 0.0, 1e-7, 0.4])
@pytest.mark.parametrize("t", [0.0, 0.001, 0.7, 5.0])
def test_phi_and_its_integral_against_quadrature(rate: float, t: float) -> None:
    """φ(t) = ∫ e^(λu) du over 0 to t; numerical integration by scipy."""
    want = quad(lambda u: math.exp(rate * u), 0, t, epsabs=1e-14)[0]
    assert phi_of(rate, t) == pytest.approx(want, rel=1e-10, abs=1e-15)
    assert phi_array(rate, np.array([t]))[0] == pytest.approx(want, rel=1e-8, abs=1e-15)
    both = quad(lambda u: (t - u) * math.exp(rate * u), 0, t, epsabs=1e-14)[0]
    assert phi_integral(rate, t) == pytest.approx(both, rel=1e-8, abs=1e-15)
    assert phi_integral_array(rate, np.array([t]))[0] == pytest.approx(both, rel=1e-8, abs=1e-15)


@pytest.mark.parametrize("x", [0.0009, 0.0011, 0.05, 0.5])
def test_the_series_meets_the_closed_form(x: float) -> None:
    """(e^x − 1 − x)/x², in 30 digits of the series, on both sides of where the two meet."""
    want = sum(x**k / math.factorial(k + 2) for k in range(20))
    assert phi_integral(x, 1.0) == pytest.approx(want, rel=1e-9)
    assert phi_integral_array(x, np.array([1.0]))[0] == pytest.approx(want, rel=1e-9)


@pytest.mark.parametrize("rate", [-0.5, -0.1, -0.1001, 0.0, 1e-14, 0.3])
def test_a_lagged_answer_against_quadrature(rate: float) -> None:
    """With y' = (φ − y)/lag from rest: ∫ φ(u) e^(−(t−u)/lag)/lag du. 10 s meets −0.1/s."""
    lag = 10.0
    for t in (0.5, 8.0, 40.0):
        want = quad(lambda u: phi_of(rate, u) * math.exp(-(t - u) / lag) / lag, 0, t)[0]  # noqa: B023
        assert lagged(rate, lag, t) == pytest.approx(want, rel=1e-5)
        assert lagged_array(rate, lag, np.array([t]))[0] == pytest.approx(want, rel=1e-5)


@pytest.mark.parametrize("b", [0.0, 0.3])
def test_modes_add_up_to_the_answer_of_the_matrix(b: float) -> None:
    """x(t) − x(0) = M⁻¹ (e^(Mt) − 1) x'(0), by scipy's matrix exponential."""
    a, e, f = -0.8, 0.2 if b else 0.0, -0.5
    slopes = (1.3, -0.7)
    rates, c, temp = split_modes(a, b, e, f, slopes)
    m = np.array([[a, b], [e, f]])
    for t in (0.1, 1.0, 7.0):
        want = np.linalg.solve(m, (expm(m * t) - np.eye(2)) @ slopes)
        phi = [phi_of(rate, t) for rate in rates]
        got = [c[0] * phi[0] + c[1] * phi[1], temp[0] * phi[0] + temp[1] * phi[1]]
        assert got == pytest.approx(want.tolist(), rel=1e-9)


def test_rates_that_coincide_are_kept_apart_by_a_millionth() -> None:
    assert keep_apart(-2.0, -1.0) == -2.0
    assert keep_apart(-1.0, -1.0) == pytest.approx(-1.0 * (1 - 1e-6), rel=1e-12)
    assert keep_apart(-1.0 - 2e-6, -1.0) == -1.0 - 2e-6


def test_the_first_rise_is_that_after_a_fall() -> None:
    """A cosine falls through zero at π/2 and rises at 3π/2; a start at zero is none."""
    assert first_rise(math.cos, 6.0) == pytest.approx(1.5 * math.pi, abs=1e-12)
    assert first_rise(math.cos, 4.0) is None
    assert first_rise(lambda t: t, 1.0) is None
    assert first_rise(lambda t: t - 1.0, 1.0) == pytest.approx(1.0, abs=1e-12)
    assert first_rise(lambda t: t - 0.3, 1.0) == pytest.approx(0.3, abs=1e-12)
    assert first_rise(lambda t: -t, 1.0) is None


# ------------------------------------------------------------------ constants


@pytest.mark.parametrize("temp", [-5.0, 10.0, 20.0, 35.0])
def test_the_line_of_saturation_is_that_of_moist_air(temp: float) -> None:
    full, slope = saturation_line(temp)
    assert full == pytest.approx(float(air.absolute_humidity_g_m3(temp, 100.0)), rel=1e-12)
    rise = [float(air.absolute_humidity_g_m3(temp + d, 100.0)) for d in (-1e-3, 1e-3)]
    assert slope == pytest.approx((rise[1] - rise[0]) / 2e-3, rel=1e-6)


def test_fog_evaporates_up_to_saturation() -> None:
    """Full air at 20 °C holds 17.29 g/m³ (ASHRAE)."""
    dry = rest_fog(State(10.0, 20.0, 60.0, 420.0, 0.0, 2.0))
    assert (dry.c, dry.f) == (12.0, 0.0)
    wet = rest_fog(State(16.0, 20.0, 90.0, 420.0, 0.0, 3.0))
    assert wet.c == pytest.approx(17.29, abs=0.01)
    assert wet.c + wet.f == pytest.approx(19.0, rel=1e-12)


def test_the_numbers_of_a_room_in_grams_metres_and_seconds() -> None:
    """Each worked out from the room: 998.2 g in a litre, 3600 s in an hour.

    Breathing: 2805 kJ/mol of glucose over 6 × 44.01 g of carbon dioxide are 10.62 kJ/g. One ppm of
    it in a cubic metre at 20 °C is 1.8295 mg.
    """
    room = Room(
        volume_m3=2.0, air_changes_h=3.6, mist_l_h=0.36, evaporating_fraction=0.75,
        mist_air_changes_h=7.2, surface_m2=4.0, surface_holds_g_m2=50.0, crop_m2=1.5,
        crop_co2_g_h=3.6, wall_w_k=12.0, heat_kj_k=30.0, heat_w=5.0, fogger_w=80.0, fan_w=20.0,
        lamp_w=48.0, lamp_hours=12.0, height_m=1.25, sensor_lag_s=40.0,
    )  # fmt: skip
    k = Constants.of(room)
    assert (k.volume, k.walls, k.lag, k.cooling, k.t_in, k.fraction) == (2, 12, 40, True, 20, 0.75)
    assert (k.n_off, k.n_on) == (pytest.approx(0.001), pytest.approx(0.003))
    assert k.mist == pytest.approx(0.36 * 998.2 / 3600)
    assert k.c_in == pytest.approx(8.645, abs=2e-3)  # 20 °C, 50 %
    assert (k.q_in, k.holds, k.heat) == (420.0, 200.0, 30_000.0)
    assert k.q_source == pytest.approx(3600 / 1.8295 / 2 / 3600, rel=1e-4)
    breath = 3.6 * 2805e3 / 6 / 44.01 / 3600
    assert breath == pytest.approx(10.62, abs=0.01)
    assert k.heat_off == pytest.approx(5 + breath + 24)
    assert k.heat_on == pytest.approx(5 + breath + 24 + 80 + 20)
    assert k.latent == pytest.approx(2453.5, abs=0.1)  # J/g at 20 °C
    # free water: 10.8 m/h, slowed by its own cooling to a share 1/(1 + L cs' g/h)
    # (e'/T − e/T²)/R of vapour at 20 °C, with e 2.3392 kPa and e' 0.14490 kPa/°C: 1.0120 g/m³ °C
    speed, slope = 0.003, 1.0120
    slowed = speed / (1 + 2453.5 * slope * speed / 9.3)
    assert k.g_wet == pytest.approx(4 * slowed, rel=1e-3)
    assert k.g_crop == pytest.approx(1.5 * slowed, rel=1e-3)
    assert k.crop_vapour == pytest.approx(slowed * slope / 9.3 * breath, rel=1e-3)
    assert k.falls == pytest.approx(0.78e-3 / 1.25, rel=1e-2)  # 5 µm: 0.78 mm/s (Hinds)
    assert k.air_heat == pytest.approx(1.19 * 1006 * 2.0, rel=2e-3)  # dry air at 20 °C, 50 %


def test_what_stays_outside_gives_no_heat_inside() -> None:
    base = {"volume_m3": 2.0, "air_changes_h": 4.0, "mist_l_h": 0.3, "fogger_w": 80.0}
    base |= {"fan_w": 20.0}
    for change, off, on in (
        ({}, 0, 100),
        ({"fogger_inside": False}, 0, 20),
        ({"fan_inside": False}, 0, 80),
        ({"fan": "always"}, 20, 100),
        ({"fan": "always", "fan_inside": False}, 0, 80),
        ({"fogger_heat_w": 30.0}, 0, 50),
        ({"fogger_heat_w": 30.0, "fogger_inside": False}, 0, 20),
        ({"fogger_w": None, "fan_w": None}, 0, 0),
        ({"lamp_w": 24.0, "lamp_hours": 8.0}, 8, 108),
    ):
        k = Constants.of(Room(**(base | change)))
        assert (k.heat_off, k.heat_on) == pytest.approx((off, on)), change


def test_heat_held_where_nothing_is_said_and_a_room_without_cooling() -> None:
    """10 kJ/K per m³; never less than the air alone holds, 1.3 kJ/K per m³."""
    base = {"volume_m3": 2.0, "air_changes_h": 4.0, "mist_l_h": 0.3}
    assert Constants.of(Room(**base)).heat == pytest.approx(20_000)
    assert Constants.of(Room(**base, heat_kj_k=1.0)).heat == pytest.approx(2600)
    plain = Constants.of(Room(**base, cooling=False, surface_m2=1.0, crop_co2_g_h=5.0))
    assert plain.g_wet == pytest.approx(0.003)  # free water is not slowed by what does not cool
    assert plain.crop_vapour == 0.0
    assert not plain.cooling


@pytest.mark.parametrize(
    ("key", "value", "measured", "low", "high"),
    [
        ("mist_l_h", 0.4, False, 0.32, 0.5),  # a fifth less, a quarter more
        ("mist_l_h", 0.42, True, 0.40, 0.441),
        ("air_changes_h", 4.0, False, 2.5, 6.4),
        ("room_rh_pct", 95.0, False, 85.0, 100.0),
        ("room_rh_pct", 60.0, True, 56.0, 64.0),
        ("room_temp_c", 18.0, False, 15.0, 21.0),
        ("evaporating_fraction", 0.9, False, 0.75, 1.0),
        ("evaporating_fraction", 0.1, False, 0.0, 0.25),
        ("heat_w", -5.0, False, -15.0, 5.0),
        ("drop_um", 0.8, False, 0.5, 1.6),
    ],
)
def test_how_far_a_number_of_the_rig_may_be_off(
    key: str, value: float, measured: bool, low: float, high: float
) -> None:
    [quantity] = [q for q in QUANTITIES if q.key == key]
    found = quantity.limits({quantity.field: value}, measured=measured)
    assert found == pytest.approx((low, high))


@pytest.mark.parametrize(
    ("key", "room", "want"),
    [
        ("surface_m2", {"volume_m3": 8.0}, (4, 0, 16)),  # a floor of 2 × 2 m
        ("wall_w_k", {"volume_m3": 8.0}, (92.3, 30.8, 138.5)),  # 24 m² of 1/0.26 W/(m² K)
        ("crop_m2", {"volume_m3": 8.0}, (0.8, 0, 4)),
        ("mist_air_changes_h", {"fan_w": 20.0}, (0, 0, 20)),
        ("mist_air_changes_h", {"fan_w": 20.0, "fan": "always"}, (0, 0, 2)),
        ("mist_air_changes_h", {}, (0, 0, 2)),
        ("fogger_heat_w", {"fogger_w": 60.0}, (60, 60, 60)),
        ("fogger_heat_w", {"fogger_w": None, "mist_l_h": 0.4}, (30, 16, 44)),
        ("room_temp_c", {}, (20, 12, 26)),
    ],
)
def test_what_is_usual_where_a_number_is_missing(key: str, room: dict, want: tuple) -> None:
    [quantity] = [q for q in QUANTITIES if q.key == key]
    assert quantity.usual is not None
    assert quantity.usual(room) == pytest.approx(want, rel=1e-3)


# ------------------------------------------------------------------ a settled cycle


def test_a_settled_cycle_in_numbers() -> None:
    """60 s of mist in ten minutes, 2 m³, 4 changes an hour, no cooling.

    Mist 0.3 L/h × 0.1 × 24 h = 0.72 L/day of 144 cycles; mean excess G/(V n) = 3.743 g/m³ over
    8.645, of 17.29 at saturation. 80 W a tenth of the day and a fan always: 0.192 + 0.24 kWh.
    """
    room = Room(
        volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.3, cooling=False, fogger_w=80.0, fan_w=10.0,
        fan="always", reservoir_l=18.0,
    )  # fmt: skip
    found = simulate(room, {"on_s": 60, "off_s": 540}).summary
    want = {
        "mean_rh_pct": 100 * (8.645 + 3.743) / 17.29, "mean_temp_c": 20.0, "cooling_c": 0.0,
        "duty_pct": 10.0, "cycles_day": 144.0, "water_l_day": 0.72, "settled_l_day": 0.0,
        "energy_kwh_day": 0.432, "refill_days": 25.0, "hours_wet_day": 0.0,
        "hours_saturated_day": 0.0, "co2_ppm": 420.0,
        "mean_vpd_kpa": 2.3392 * (1 - (8.645 + 3.743) / 17.29),
    }  # fmt: skip
    for name, value in want.items():
        assert found[name] == pytest.approx(value, rel=2e-3, abs=1e-6), name
    assert found["ripple_rh_pct"] == pytest.approx(found["high_rh_pct"] - found["low_rh_pct"])
    constant = simulate(room.change(mist_l_h=0.01), {"on_s": 60, "off_s": 0}).summary
    assert (constant["cycles_day"], constant["duty_pct"]) == (0.0, 100.0)
    never = simulate(room, {"on_s": 0, "off_s": 60}).summary
    assert (never["refill_days"], never["water_l_day"]) == (math.inf, 0.0)
    assert math.isnan(
        simulate(room.change(reservoir_l=None), {"on_s": 0, "off_s": 60}).summary["refill_days"]
    )
    bare = simulate(room.change(fogger_w=None), {"on_s": 60, "off_s": 540}).summary
    assert math.isnan(bare["energy_kwh_day"])
    fan = simulate(room.change(fan="with mist"), {"on_s": 60, "off_s": 540}).summary
    assert fan["energy_kwh_day"] == pytest.approx(0.09 * 0.1 * 24)


def test_mist_comes_on_where_the_reading_stands_at_the_lower_limit() -> None:
    """From 85.0 % exactly the mist is on from the first moment, and until 90 % is read."""
    room = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.3, cooling=False)
    run = run_setting(
        Constants.of(room), Band(85.0, 90.0), start=start_state(room, 85.0), at_most_s=3600.0
    )
    assert run.until(1.0).mist_on_s == pytest.approx(1.0)
    # 5 % of 17.29 g/m³ in 2 m³ are 1.73 g, of 0.083 g a second: no earlier than after 20 s
    assert run.until(20.0).mist_g == pytest.approx(300 * 0.9982 / 3600 * 20, rel=1e-3)
    above = run_setting(
        Constants.of(room), Band(85.0, 90.0), start=start_state(room, 85.1), at_most_s=3600.0
    )
    assert above.until(1.0).mist_on_s == 0.0


def test_where_a_chamber_starts() -> None:
    room = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.3, room_temp_c=20.0, room_rh_pct=50.0)
    assert start_state(room)[:4] == pytest.approx((8.645, 20.0, 50.0, 420.0), abs=2e-3)
    assert start_state(room, 100.0, 15.0)[:3] == pytest.approx((12.83, 15.0, 100.0), abs=0.01)
    still = room.change(cooling=False)
    assert start_state(still, 100.0, 15.0)[1] == 20.0  # it keeps the room's temperature
    for impossible in (-0.1, 100.1):
        with pytest.raises(ValueError, match="cannot start"):
            start_state(room, impossible)


@pytest.mark.parametrize(("n", "share", "exchanged"), [(4, 0.95, 1.0), (6, 0.9, 0.5)])
def test_constant_mist_comes_back_along_one_exponential(
    n: float, share: float, exchanged: float
) -> None:
    """ln(1/(1 − share))/n hours, whatever part of the air was lost; read over one minute."""
    room = Room(volume_m3=2.0, air_changes_h=n, mist_l_h=0.05, cooling=False)
    found = recovery_minutes(room, {"on_s": 60, "off_s": 0}, exchanged=exchanged, share=share)
    assert found == pytest.approx(60 * math.log(1 / (1 - share)) / n, abs=0.02)


# ------------------------------------------------------------------ a slow thermometer


def test_shares_of_steps_with_mist() -> None:
    """Steps of 10 s; mist from 5 to 22 s and from 30 to 40 s."""
    grid = np.arange(0.0, 60.0, 10.0)
    found = _share_on(grid, 10.0, np.array([5.0, 30.0]), np.array([22.0, 40.0]))
    assert found.tolist() == pytest.approx([0.5, 1.0, 0.2, 1.0, 0.0, 0.0])


def test_first_order_answers_over_steps_are_exact() -> None:
    """With q' = on − q/w, on held over steps, and a lag behind straight lines: scipy's solver."""
    on = np.array([1.0, 1.0, 0.0, 0.5, 0.0, 0.0])
    step, w = 10.0, 35.0
    want = [0.0]
    for share in on[:-1]:
        made = solve_ivp(lambda _, q: share - q / w, (0, step), [want[-1]], rtol=1e-10)  # noqa: B023
        want.append(float(made.y[0, -1]))
    assert _decay(on, w, step).tolist() == pytest.approx(want, rel=1e-6)
    values = np.array([2.0, 2.0, 2.0, 2.0])
    assert _lag(values, 30.0, step).tolist() == pytest.approx([2.0] * 4)
    keeps = math.exp(-10 / 30)
    # a rise over the first step stands for its middle there, then the value is held
    step_up = _lag(np.array([0.0, 1.0, 1.0, 1.0]), 30.0, step)
    first = (1 - keeps) / 2
    second = keeps * first + 1 - keeps
    assert step_up.tolist() == pytest.approx([0, first, second, keeps * second + 1 - keeps])
    assert _lag(step_up, 2.0, step) is step_up  # far quicker than the steps: as it is


def test_a_lag_put_on_by_hand_is_found_again() -> None:
    """Air cooled by 1.5 °C in each hour's quarter of mist, warmed again in 500 s; lag 90 s."""
    t = np.arange(0.0, 6 * 3600.0, 20.0)
    begin = np.arange(600.0, 6 * 3600.0, 1800.0)
    end = begin + 450.0
    fine = np.arange(0.0, t[-1] + 1, 1.0)
    on = np.zeros(len(fine))
    for a, b in zip(begin, end, strict=True):
        on[(fine >= a) & (fine < b)] = 1.0
    q = np.zeros(len(fine))
    seen = np.zeros(len(fine))
    for i in range(1, len(fine)):
        q[i] = q[i - 1] + on[i - 1] - q[i - 1] / 500.0
    true = 18.0 + 0.1 * fine / 3600 - 1.5 * q / 300
    seen[0] = true[0]
    for i in range(1, len(fine)):
        seen[i] = seen[i - 1] + (true[i - 1] - seen[i - 1]) / 90.0
    found = estimate_air_temp(t, np.interp(t, fine, seen), begin, end)
    assert found.lag_s == pytest.approx(90.0, rel=0.1)
    away = np.interp(found.node_s, fine, true) - found.temp_c
    assert np.abs(away).max() < 0.1
    assert np.abs(np.interp(t, fine, true) - np.interp(t, fine, seen)).max() > 0.3
    # without mist to see it by, or too short a log, the readings stand as they are
    for times, temps in ((t[:29], seen[:29]), (t, np.full(len(t), 18.0))):
        plain = estimate_air_temp(times, temps, begin, end)
        assert math.isnan(plain.lag_s)
        assert plain.temp_c is temps
