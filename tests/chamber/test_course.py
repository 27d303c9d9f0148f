"""Readings expected where the air fills, warms or is read seldom, by closed forms and a solver."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import solve_ivp

from trialkit.chamber.course import (
    Course,
    _capped,
    _follow,
    _lasts,
    fills_air,
    predict_readings,
)

N = 6 / 3600


def make(
    times: np.ndarray, switch: list, on: list, *, full: float = 17.3, nodes=None, node_full=None
) -> Course:
    """Make a log without readings: only what is expected of it matters."""
    node_s = times if nodes is None else nodes
    node_full = np.full(len(node_s), full) if node_full is None else node_full
    ends = np.append(switch[1:], times[-1])
    return Course(
        time_s=times, rh_pct=np.zeros(times.size), full_g_m3=np.full(times.size, full),
        switch_s=np.array(switch, dtype=float), on=np.array(on, dtype=float),
        switch_full=np.interp(ends, node_s, node_full), knots_s=np.zeros(1), node_s=node_s,
        node_full=node_full, temp_lag_s=math.nan, start=pd.Timestamp("2031-03-01", tz="UTC"),
    )  # fmt: skip


TIMES = np.arange(0.0, 2001.0, 20.0)


def capped(*goals: float, caps: float | list = 12.0, first: float = 8.0, falls: float = math.inf):
    """Walk stretches of 500 s towards the goals; give begins, levels and goals of the pieces."""
    count = len(goals)
    ends = 500.0 * np.arange(1, count + 1)
    caps = np.broadcast_to(caps, count).astype(float)
    return _capped(ends - 500.0, ends, np.array(goals), caps, N, first, falls)


def test_air_that_fills_is_held_and_dries_at_once_without_fog() -> None:
    """Full after ln((20 − 8)/(20 − 12))/n; as the mist ends no fog is there to keep it full."""
    begins, levels, goals = capped(20.0, 8.0)
    fills = math.log(12 / 8) / N
    assert begins == pytest.approx([0.0, fills, 500.0])
    assert levels == pytest.approx([8.0, 12.0, 12.0])
    assert goals == pytest.approx([20.0, math.nan, 8.0], nan_ok=True)
    later = capped(20.0, 8.0, 8.0)
    assert later[1][-1] == pytest.approx(8 + 4 * math.exp(-500 * N))


@pytest.mark.parametrize("falls", [0.5 / 3600, 20 / 3600])
def test_fog_keeps_the_air_full_for_as_long_as_it_lasts(falls: float) -> None:
    """F = n (20 − 12)(1 − e^(−(n + v) t))/(n + v); then ln(1 + F (n + v)/(n (12 − 8)))/(n + v)."""
    begins, levels, goals = capped(20.0, 8.0, falls=falls)
    fills, gone = math.log(12 / 8) / N, N + falls
    fog = N * 8 * -math.expm1(-gone * (500 - fills)) / gone
    lasts = math.log1p(fog * gone / (N * 4)) / gone
    if lasts > 500:
        assert begins == pytest.approx([0.0, fills, 500.0])
        assert np.isnan(goals).tolist() == [False, True, True]
        return
    assert begins == pytest.approx([0.0, fills, 500.0, 500.0 + lasts])
    assert levels == pytest.approx([8.0, 12.0, 12.0, 12.0])
    assert np.isnan(goals).tolist() == [False, True, True, False]
    assert goals[3] == 8.0


def test_what_is_left_of_fog_lasts_on_through_the_next_stretch() -> None:
    """It shrinks by what the dry air takes and by its fall, from one stretch to the next."""
    falls = 1 / 3600
    begins, _, goals = capped(60.0, 11.0, 9.0, 9.0, falls=falls)
    gone = N + falls
    fills = math.log(52 / 48) / N
    fog = N * 48 * -math.expm1(-gone * (500 - fills)) / gone
    fog = fog * math.exp(-gone * 500) - N * 1 * -math.expm1(-gone * 500) / gone
    assert fog > 1
    lasts = math.log1p(fog * gone / (N * 3)) / gone
    held = begins[np.isnan(goals)].tolist()
    assert held == pytest.approx([fills, 500.0, 1000.0, 1500.0][: 3 + (lasts > 500)])
    assert begins[np.flatnonzero(np.isnan(goals))[-1] + 1] == pytest.approx(1000 + lasts)


def test_fog_takes_warmer_air_up_to_its_saturation() -> None:
    """Air of 12 g/m³ warms to hold 13 or 30: as much fog goes into it as there is or is needed."""
    falls = 1e-9
    for cap, want in ((13.0, 13.0), (30.0, None)):
        _, levels, goals = capped(20.0, 12.5, caps=[12.0, cap], falls=falls)
        fills = math.log(12 / 8) / N
        fog = 8 * -math.expm1(-N * (500 - fills))
        if want is None:  # all of it, and the air stays short of full
            assert levels[-1] == pytest.approx(12 + fog, rel=1e-4)
            assert goals[-1] == 12.5
        else:
            assert levels[2] == want
            assert math.isnan(goals[2])
    # air that cools lets go what it no longer holds; here nothing is left in fog of it
    _, levels, _ = capped(11.0, 8.0, caps=[12.0, 9.0])
    assert levels[1] == 9.0


def test_air_at_its_goal_or_on_its_way_to_it_is_not_full() -> None:
    for goal in (11.9, 12.0):
        _, levels, goals = capped(goal, goal, first=8.0)
        assert goals.tolist() == [goal, goal]
        assert levels[1] == pytest.approx(goal + (8 - goal) * math.exp(-500 * N))


def test_how_long_fog_lasts_by_its_exponential() -> None:
    assert _lasts(2.0, 0.01, 0.004) == pytest.approx(math.log(1 + 2 * 0.4) / 0.004)
    assert _lasts(2.0, 0.0, 0.004) == math.inf
    assert _lasts(0.0, 0.0, 0.004) == _lasts(-1.0, 0.01, 0.004) == 0.0
    assert _lasts(0.5, 1e-9, 0.004) == pytest.approx(math.log(1 + 0.5 * 0.004 / 1e-9) / 0.004)


@pytest.mark.parametrize("full", [9.0, 12.0, 40.0])
def test_readings_of_air_that_fills_in_the_last_stretch(full: float) -> None:
    """Mist from 100 s on without end, no fog: c stops at saturation; s' = (100 c/cs − s)/45."""
    course = make(TIMES, [0.0, 100.0], [0.0, 1.0], full=full)
    rates = {"n_h": 6.0, "mist_g_m3_h": 60.0, "outside": 8.0, "first": 8.0}

    def slope(t: float, x: np.ndarray) -> list[float]:
        rising = N * (8.0 - x[0]) + (60 / 3600 if t >= 100 else 0.0)
        return [0.0 if x[0] >= full and rising > 0 else rising, (100 * x[0] / full - x[1]) / 45]

    made = solve_ivp(slope, (0, 2000), [8.0, 800 / full], t_eval=TIMES, max_step=2.0, rtol=1e-8)
    got = predict_readings(course, lag_s=45.0, **rates)
    assert got == pytest.approx(made.y[1], abs=0.1)
    assert fills_air(course, **rates, delay_s=0.0, falls_h=math.inf) is (full < 18.0)


def test_seldom_readings_follow_the_air_between_them() -> None:
    """Readings each 150 s, saturation known each 2 s and swinging within each 300 s."""
    times, nodes = np.arange(0.0, 3001.0, 150.0), np.arange(0.0, 3001.0, 2.0)
    node_full = 17.3 + 1.5 * np.sin(nodes / 300 * 2 * np.pi + 0.5)
    course = make(times, [0.0, 400.0, 700.0], [0.0, 1.0, 0.0], nodes=nodes, node_full=node_full)

    def slope(t: float, x: np.ndarray) -> list[float]:
        c, s = x
        on = 400 <= t < 700
        full = np.interp(t, nodes, node_full)
        return [N * (8.0 - c) + (60 / 3600) * on, (100 * c / full - s) / 20.0]

    made = solve_ivp(slope, (0, 3000), [8.0, 800 / node_full[0]], t_eval=times, max_step=2.0,
                     rtol=1e-8)  # fmt: skip
    got = predict_readings(course, n_h=6.0, mist_g_m3_h=60.0, lag_s=20.0, outside=8.0, first=8.0)
    assert got == pytest.approx(made.y[1], abs=0.08)
    as_read = predict_readings(course.as_read(), n_h=6.0, mist_g_m3_h=60.0, lag_s=20.0,
                               outside=8.0, first=8.0)  # fmt: skip
    assert np.abs(as_read - got).max() > 1.0


def test_mist_by_a_clock_ahead_of_the_log() -> None:
    """Mist that began before the first reading, and that is put before it by a delay."""
    course = make(TIMES, [-60.0, -60.0, 40.0], [0.0, 1.0, 0.0])
    rates = {"n_h": 6.0, "mist_g_m3_h": 120.0, "lag_s": 1e-3, "outside": 8.0, "first": 9.0}
    for delay, lasts in ((0.0, 40.0), (-30.0, 10.0), (-80.0, 0.0), (25.0, 65.0)):
        got = predict_readings(course, **rates, delay_s=delay) * 0.173
        top = 8.0 + 20.0
        on = np.minimum(TIMES, lasts)
        at_end = top + (9.0 - top) * np.exp(-N * on)
        want = 8.0 + (at_end - 8.0) * np.exp(-N * (TIMES - on))
        assert got[1:] == pytest.approx(want[1:], rel=1e-3)


def test_a_log_as_read_knows_only_the_readings() -> None:
    course = make(TIMES, [0.0, 100.0], [0.0, 1.0], nodes=np.array([0.0, 2000.0]))
    course = replace(course, full_g_m3=10 + TIMES / 1000, temp_apart_c=np.ones((2, 3)))
    read = course.as_read()
    assert read.node_s is course.time_s
    assert read.node_full is course.full_g_m3
    assert read.temp_apart_c is None
    assert read.switch_full.tolist() == pytest.approx([10.1, 12.0])


def test_a_sum_of_one_or_two_moments() -> None:
    assert _follow(np.array([5.0]), np.zeros(0), 10.0, 3.0).tolist() == [3.0]
    two = _follow(np.array([0.0, 10.0]), np.array([2.0]), 10.0, 3.0)
    assert two == pytest.approx([3.0, 3 * math.exp(-1) + 2])


def test_readings_picked_and_averaged() -> None:
    """Of 101 readings: 33 of three, 3 left over; or each second one and the last temperature."""
    course = make(TIMES, [0.0, 100.0], [0.0, 1.0])
    assert (course.left_out, course.averaged) == (0, 0)
    course = replace(course, rh_pct=np.arange(101.0), node_full=TIMES / 100)
    mean = course.average(40)
    assert mean.rh_pct.tolist() == np.arange(1.0, 99.0, 3.0).tolist()
    assert mean.time_s.tolist() == (20 * np.arange(1.0, 99.0, 3.0)).tolist()
    assert course.average(101) is course
    assert course.average(100).rh_pct.tolist() == np.arange(0.5, 100.0, 2.0).tolist()
    few = course.thin(50)
    assert few.rh_pct.tolist() == np.arange(0.0, 101.0, 2.0).tolist()
    assert few.node_s.tolist() == TIMES.tolist()
    fewer = course.thin(10)
    assert fewer.rh_pct.tolist() == np.arange(0.0, 101.0, 10.0).tolist()
    assert fewer.node_s.tolist() == [*TIMES[:100:5], 2000.0]
    assert fewer.node_full.tolist() == [*TIMES[:100:5] / 100, 20.0]


def test_a_little_fog_goes_into_warmer_air_and_keeps_full_air_full() -> None:
    """Less than a gram of it: n 0.5 (1 − e^(−(n + v) t))/(n + v) g/m³."""
    falls, gone = 1 / 3600, N + 1 / 3600
    fills = math.log(4.5 / 0.5) / N
    ends = np.array([2000.0, 2500.0])
    fog = N * 0.5 * -math.expm1(-gone * (2000 - fills)) / gone
    assert 0.05 < fog < 0.5
    warm = _capped(ends - [2000.0, 500.0], ends, np.array([12.5, 12.5]), np.array([12.0, 13.0]), N,
                   8.0, falls)  # fmt: skip
    assert warm[1][-1] == pytest.approx(12 + fog)
    dry = _capped(ends - [2000.0, 500.0], ends, np.array([12.5, 11.0]), np.array([12.0, 12.0]), N,
                  8.0, falls)  # fmt: skip
    assert dry[0] == pytest.approx([0.0, fills, 2000.0, 2000 + math.log1p(fog * gone / N) / gone])


def test_hours_are_of_3600_seconds() -> None:
    """A quick sensor shows the moment at which fog ends: by its exponential, to a hundredth."""
    course = make(TIMES, [0.0, 500.0], [1.0, 0.0], full=12.0)
    n, falls = 6 / 3600, 20 / 3600
    top, gone = 8 + 72 / 6, n + falls
    fills = math.log((top - 8) / (top - 12)) / n
    fog = n * (top - 12) * -math.expm1(-gone * (500 - fills)) / gone
    ends = 500 + math.log1p(fog * gone / (n * 4)) / gone
    got = predict_readings(course, n_h=6.0, mist_g_m3_h=72.0, lag_s=1e-3, outside=8.0, first=8.0,
                           falls_h=20.0)  # fmt: skip
    after = ends < TIMES
    want = 100 * (8 + 4 * np.exp(-n * (TIMES[after] - ends))) / 12
    assert got[after] == pytest.approx(want, abs=3e-4)
    assert got[(fills < TIMES) & ~after] == pytest.approx(100.0, abs=1e-6)
    # mist that lifts the air to just short of full, and just beyond
    lasts = make(TIMES, [0.0, 500.0], [1.0, 0.0])
    most = 20 - 12 * math.exp(-n * 500)
    for full, fills_it in ((most - 5e-4, True), (most + 5e-4, False)):
        held = replace(lasts, switch_full=np.full(2, full))
        rates = {"n_h": 6.0, "mist_g_m3_h": 72.0, "outside": 8.0, "first": 8.0}
        assert fills_air(held, **rates, delay_s=0.0, falls_h=5.0) is fills_it
