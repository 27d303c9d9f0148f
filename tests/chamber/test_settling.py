"""The cycle a room settles into: found without following it, at rest in all it is made of."""

from __future__ import annotations

import math

import numpy as np
import pytest

from trialkit import air
from trialkit.chamber import Room, Timed, simulate
from trialkit.chamber.constants import Constants
from trialkit.chamber.steady_cycle import judge_room, settle, start_state, summarise

TENT = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.3, cooling=False, sensor_lag_s=0.0)
BUSY = Room(
    volume_m3=2.0, air_changes_h=3.0, mist_l_h=0.4, mist_air_changes_h=12.0, crop_m2=0.5,
    crop_co2_g_h=6.0, fogger_w=40.0, sensor_lag_s=200.0,
)  # fmt: skip


def settled(room: Room, on: float = 60.0, off: float = 540.0) -> tuple:
    return settle(Constants.of(room), Timed(on, off), start_state(room))


@pytest.mark.parametrize("lag", [0.0, 0.5, 200.0, 5000.0])
@pytest.mark.parametrize("cooling", [True, False])
def test_everything_is_back_after_a_cycle(lag: float, cooling: bool) -> None:
    """Air, sensor and carbon dioxide end as they began, and no run was followed for it."""
    block, followed = settled(BUSY.change(sensor_lag_s=lag, cooling=cooling))
    assert followed is None
    begin, end = block.pieces[0][0].start, block.end
    assert end.c == pytest.approx(begin.c, rel=1e-10)
    assert end.t == pytest.approx(begin.t, abs=1e-9)
    assert end.s == pytest.approx(begin.s, abs=1e-7)
    assert end.q == pytest.approx(begin.q, rel=1e-10)
    assert block.repeats == math.inf
    assert block.length_s == pytest.approx(600.0)
    brief = settled(BUSY.change(sensor_lag_s=lag, cooling=cooling), 3.0, 27.0)
    assert brief[1] is None
    assert brief[0].end.s == pytest.approx(brief[0].pieces[0][0].start.s, abs=1e-7)


def test_carbon_dioxide_of_a_fan_that_runs_with_the_mist_by_two_exponentials() -> None:
    """Towards q_in + S/n at 15 changes an hour for a minute and at 3 for nine; by their cycle."""
    block, _ = settled(BUSY)
    fast, slow = 15 / 3600, 3 / 3600
    grown = 6.0 * 1000 / float(air.co2_mg_m3(1.0, 20.0)) / 2 / 3600
    tops = 420 + grown / fast, 420 + grown / slow
    keeps = math.exp(-60 * fast), math.exp(-540 * slow)
    # q = tops[1] + ((tops[0] + (q − tops[0]) k0) − tops[1]) k1
    begins = tops[1] + (tops[0] * (1 - keeps[0]) - tops[1]) * keeps[1]
    begins /= 1 - keeps[0] * keeps[1]
    assert block.end.q == pytest.approx(begins, rel=1e-9)


def test_a_sensor_that_hardly_moves_shows_the_mean() -> None:
    """A lag of ten days: what is shown is the mean humidity, within its swing of a cycle."""
    block, _ = settled(TENT.change(sensor_lag_s=864_000.0))
    mean = 50.0 + 100 * 0.3 * 998.2 / 8 * 0.1 / float(air.absolute_humidity_g_m3(20.0, 100.0))
    assert block.end.s == pytest.approx(mean, abs=0.01)


@pytest.mark.parametrize(
    ("change", "wettest"),
    [
        ({}, 0.0),
        ({"surface_m2": 0.5}, 0.0),  # all mist is fog: they stay dry
        ({"surface_m2": 0.6, "evaporating_fraction": 0.2, "surface_holds_g_m2": 1e4}, 3.4),
        ({"surface_m2": 0.2, "evaporating_fraction": 0.1, "surface_holds_g_m2": 5.0,
          "room_rh_pct": 90.0}, 1.0),  # full in every cycle
    ],
)  # fmt: skip
def test_surfaces_dry_or_full_need_not_be_followed_in_time(change: dict, wettest: float) -> None:
    """0.2 m² hold 1 g; of 5 g of mist 4 settle, 0.0018 × 60 × 6 g dry within the minute."""
    room = TENT.change(**change)
    _, followed = settled(room)
    assert followed is None
    water = simulate(room, {"on_s": 60, "off_s": 540}, 24.0).trace["surface_g"]
    assert water.iloc[-61:].max() == pytest.approx(wettest, rel=0.1)


def test_a_sealed_room_is_followed_since_it_has_no_cycle() -> None:
    """Nothing carries carbon dioxide off: it never comes back to where it was."""
    block, followed = settled(TENT.change(air_changes_h=0.0, crop_co2_g_h=1.0), 0.0, 600.0)
    assert followed is not None
    assert not followed.settled
    assert block.end.q > block.pieces[0][0].start.q
    assert followed.blocks[-1].end_s == pytest.approx(864_000.0)  # ten days


def test_full_surfaces_drip_what_settles_and_is_not_given_off() -> None:
    """At rest they gain nothing: settled mist less what dries; by the account of the vapour."""
    room = TENT.change(surface_m2=0.2, evaporating_fraction=0.1, surface_holds_g_m2=5.0,
                       room_rh_pct=90.0)  # fmt: skip
    made = simulate(room, {"on_s": 60, "off_s": 540})
    full = float(air.absolute_humidity_g_m3(20.0, 100.0))
    mean = made.mean_rh_pct / 100 * full
    carried = 8 * (mean - room.outside_g_m3) * 24  # g/day that leave with the air
    brought = 0.03 * 998.2 * 24
    assert made.summary["settled_l_day"] * 998.2 == pytest.approx(brought - carried, rel=1e-3)
    assert made.summary["hours_wet_day"] == pytest.approx(24.0)


def test_hours_of_wet_and_of_full_air_in_a_day() -> None:
    """Two hours of mist far above what 0.5 changes carry off, then six without it.

    Full from ln((top − c)/(top − cs))/n on until the fog is gone; by exponentials.
    """
    room = TENT.change(air_changes_h=0.5, mist_l_h=0.1, room_rh_pct=40.0, height_m=1e9)
    found = simulate(room, {"on_s": 7200, "off_s": 21_600}, 24.0, step_s=10.0)
    trace = found.trace.iloc[-2880:]  # a cycle of eight hours
    full = 24 * float((trace["rh_pct"] > 99.95).mean())
    assert 2.0 < full < 20.0
    assert found.summary["hours_saturated_day"] == pytest.approx(full, abs=0.5)
    assert found.summary["hours_wet_day"] == pytest.approx(full, abs=0.5)


def test_a_timer_says_its_share_and_a_band_what_it_came_to() -> None:
    always = simulate(TENT, {"on_s": 60, "off_s": 0}).summary
    assert (always["duty_pct"], always["cycles_day"]) == (100.0, 0.0)
    assert always["water_l_day"] == pytest.approx(7.2)
    k = Constants.of(TENT)
    block, _ = settle(k, Timed(60.0, 540.0), start_state(TENT))
    found = summarise(TENT.change(fogger_w=50.0, fan_w=20.0), Timed(60.0, 540.0), block)
    assert found["energy_kwh_day"] == pytest.approx(70 * 2.4 / 1000)
    assert summarise(TENT.change(fogger_w=50.0), Timed(60.0, 540.0), block)[
        "energy_kwh_day"
    ] == pytest.approx(0.12)
    assert found["cycles_day"] == pytest.approx(144.0)


@pytest.mark.parametrize("rh", [100.0, 100.004])
def test_walls_of_full_air_are_judged_as_full(rh: float) -> None:
    """Rounding above 100 % is none."""
    room = TENT.change(volume_m3=8.0, room_temp_c=16.0)
    [told] = judge_room(room, {"mean_temp_c": 22.0, "mean_rh_pct": rh})
    [full] = judge_room(room, {"mean_temp_c": 22.0, "mean_rh_pct": 100.0})
    assert told.values["points"] == full.values["points"]


def test_nothing_condenses_on_walls_as_warm_as_the_air() -> None:
    for rh in (50.0, 99.9):
        assert judge_room(TENT, {"mean_temp_c": 20.0, "mean_rh_pct": rh}) == ()
    # air of 1.2 changes hardly feeds cold walls: points are of what it holds
    cold = TENT.change(air_changes_h=1.2, room_temp_c=10.0, volume_m3=8.0)
    [told] = judge_room(cold, {"mean_temp_c": 20.0, "mean_rh_pct": 90.0})
    wall = 20 - 10 * 0.5
    held, there, full = (float(air.absolute_humidity_g_m3(t, rh))
                         for t, rh in ((20, 90), (wall, 100), (20, 100)))  # fmt: skip
    want = 100 * 10.8 * 24 * (held - there) / (1.2 * 8 + 10.8 * 24) / full
    assert told.values["points"] == pytest.approx(want, rel=1e-6)


def test_what_a_simulation_takes_where_nothing_is_said() -> None:
    made = simulate(TENT, {"on_s": 60, "off_s": 540})
    assert (made.hours, made.step_s) == (24.0, 10.0)
    assert np.isfinite(made.balance.gap_g)
    assert made.settled
    assert made.followed is None
