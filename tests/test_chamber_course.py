"""One chamber's log made ready, and the readings expected of it, against general solvers."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import solve_ivp

from trialkit import air
from trialkit.chamber import ChamberError
from trialkit.chamber.course import (
    Course,
    _capped,
    _follow,
    _lasts,
    fills_air,
    knot_weights,
    predict_readings,
)
from trialkit.chamber.log_course import _from_the_first_fall, _merge, _shorten, prepare_course
from trialkit.chamber.rates import Layout, Slopes, _solve_linear, find_rates

START = pd.Timestamp("2031-03-01 06:00", tz="UTC")


def make_course(full: float = 17.3, knots=(0.0, 2000.0)) -> Course:
    """Make readings each 10 s for 2000 s; mist for 60 s at 100 s and at 1000 s."""
    times = np.arange(0.0, 2001.0, 10.0)
    switch = np.array([0.0, 100.0, 160.0, 1000.0, 1060.0])
    return Course(
        time_s=times, rh_pct=np.full(201, 60.0), full_g_m3=np.full(201, full), switch_s=switch,
        on=np.array([0.0, 1.0, 0.0, 1.0, 0.0]), switch_full=np.full(5, full),
        knots_s=np.array(knots), node_s=times, node_full=np.full(201, full),
        temp_lag_s=math.nan, start=START,
    )  # fmt: skip


# ------------------------------------------------------------------ readings expected


@pytest.mark.parametrize("delay", [0.0, 25.0, -40.0])
@pytest.mark.parametrize("shown", [None, 40.0])
def test_readings_short_of_saturation_by_a_general_solver(
    delay: float, shown: float | None
) -> None:
    """The balance c' = n (c_in − c) + a·on, s' = (100 c/cs − s)/lag, the incoming air constant."""
    n, a, lag, c_in = 6 / 3600, 120 / 3600, 45.0, 8.0

    def slope(t: float, x: np.ndarray) -> list[float]:
        c, s = x
        on = any(b + delay <= t < b + 60 + delay for b in (100, 1000))
        return [n * (c_in - c) + a * on, (100 * c / 17.3 - s) / lag]

    begin = [9.5, 100 * 9.5 / 17.3 if shown is None else shown]
    course = make_course()
    out = solve_ivp(slope, (0, 2000), begin, t_eval=course.time_s, max_step=2.0, rtol=1e-8)
    got = predict_readings(course, n_h=6.0, mist_g_m3_h=120.0, lag_s=lag, outside=c_in, first=9.5,
                           shown=shown, delay_s=delay)  # fmt: skip
    assert got == pytest.approx(out.y[1], abs=0.03)
    assert not fills_air(course, n_h=6.0, mist_g_m3_h=120.0, outside=c_in, first=9.5,
                         delay_s=delay, falls_h=math.inf)  # fmt: skip


def test_incoming_air_of_a_stretch_is_that_of_its_middle() -> None:
    """Knots at 0 and 2000 s: the stretch 160 to 1000 s takes the value at 580 s."""
    weights = make_course().drift
    assert weights[2].tolist() == pytest.approx([1 - 0.29, 0.29])
    assert weights[4].tolist() == pytest.approx([1 - 0.765, 0.765])  # to the last reading
    assert knot_weights(np.array([0.0, 500.0, 2500.0]), np.array([0.0, 2000.0])).tolist() == [
        [1.0, 0.0], [0.75, 0.25], [0.0, 1.0]
    ]  # fmt: skip


def test_rates_that_coincide_are_the_limit_of_rates_apart() -> None:
    """Where n = 1/lag: e^(−nt) t n answers; by readings a thousandth to both sides."""
    given = {"mist_g_m3_h": 120.0, "outside": 8.0, "first": 9.5}
    same = predict_readings(make_course(), n_h=60.0, lag_s=60.0, **given)
    sides = [predict_readings(make_course(), n_h=60.0, lag_s=60.0 * f, **given)
             for f in (0.999, 1.001)]  # fmt: skip
    assert same == pytest.approx((sides[0] + sides[1]) / 2, abs=1e-4)


@pytest.mark.parametrize("falls_h", [3.0, 40.0])
def test_full_air_with_fog_by_small_steps(falls_h: float) -> None:
    """Vapour and fog in steps of 0.02 s: fog F' = n (goal − full) − (n + v) F at saturation."""
    switch = np.array([0.0, 200.0, 500.0, 900.0])
    ends = np.array([200.0, 500.0, 900.0, 1500.0])
    aims, caps = np.array([9.0, 60.0, 9.0, 40.0]), np.array([17.0, 17.0, 17.2, 17.2])
    n, v, step = 8 / 3600, falls_h / 3600, 0.02
    begins, levels, goals = _capped(switch, ends, aims, caps, n, 12.0, v)
    c, fog, want = 12.0, 0.0, []
    for k in range(4):
        for _ in range(round((ends[k] - switch[k]) / step)):
            want.append(c)
            full = caps[k]
            c += n * (aims[k] - c) * step
            fog -= v * fog * step + n * fog * step
            if c > full:
                fog, c = fog + c - full, full
            taken = min(fog, full - c)
            c, fog = c + taken, fog - taken
    times = np.arange(0.0, 1500.0, step)
    k = np.searchsorted(begins, times, side="right") - 1
    goal = np.where(np.isnan(goals), levels, goals)[k]
    got = goal + (levels[k] - goal) * np.exp(-n * (times - begins[k]))
    away = np.abs(got - np.array(want[: len(got)]))
    away[np.isin(np.arange(len(got)), np.round(switch / step))] = 0.0  # as the cap jumps
    assert away.max() < 0.003
    assert np.isnan(goals).any()
    held = times[np.isnan(goals[k])]
    assert held.max() > 520  # fog keeps the air full for a while after the mist


def test_how_long_fog_lasts_by_a_general_solver() -> None:
    """F' = −taken − rate F from 2 g/m³."""
    taken, rate = 0.01, 0.004

    def gone(_: float, fog: np.ndarray) -> float:
        return float(fog[0])

    gone.terminal = True  # type: ignore[attr-defined]
    out = solve_ivp(lambda _, f: -taken - rate * f, (0, 1e4), [2.0], events=gone, rtol=1e-10)
    assert _lasts(2.0, taken, rate) == pytest.approx(out.t[-1], rel=1e-6)
    assert _lasts(2.0, 0.0, rate) == math.inf
    assert _lasts(0.0, taken, rate) == 0.0
    assert _lasts(2.0, taken, math.inf) == 0.0


def test_a_long_sum_does_not_overflow() -> None:
    """s[k+1] = s[k] e^(−step/lag) + gain[k], one by one; steps of up to 700 lags."""
    rng = np.random.default_rng(5)
    steps = rng.choice([0.0, 0.5, 3.0, 40.0, 7000.0], 400)
    times, gain = np.concatenate([[0.0], np.cumsum(steps)]), rng.normal(size=400)
    want = [4.0]
    for step, more in zip(steps, gain, strict=True):
        want.append(want[-1] * math.exp(-step / 10.0) + more)
    assert _follow(times, gain, 10.0, 4.0) == pytest.approx(np.array(want), rel=1e-9, abs=1e-9)


# ------------------------------------------------------------------ a log made ready


def test_spells_that_touch_or_overlap_are_one() -> None:
    begin, end = _merge(np.array([0.0, 5.0, 10.0, 30.0, 31.0]),
                        np.array([10.0, 8.0, 20.0, 50.0, 40.0]))  # fmt: skip
    assert (begin.tolist(), end.tolist()) == ([0.0, 30.0], [20.0, 50.0])
    switch, on = _shorten(np.array([0.0, 60.0]), np.array([0.0, 1.0]), 150.0, 60.0)
    assert switch.tolist() == [0.0, 60.0, 105.0]
    assert on.tolist() == [0.0, 1.0, 1.0]


def test_what_was_read_in_full_air_before_the_first_fall_is_left_out() -> None:
    rows = pd.DataFrame({"rh_pct": [99.9, 99.9, 70.0, 99.9]})
    assert _from_the_first_fall(rows)[1] == 2
    assert _from_the_first_fall(rows.iloc[2:])[1] == 0
    assert _from_the_first_fall(rows.iloc[:2])[1] == 0  # never short of it: all stay


def table(count: int = 60, step: float = 60.0, rh: float = 70.0) -> pd.DataFrame:
    times = START + pd.to_timedelta(np.arange(count) * step, unit="s")
    return pd.DataFrame({"time": times, "temp_c": 20.0, "rh_pct": rh})


def spells(*minutes: tuple[float, float]) -> pd.DataFrame:
    times = [[START + pd.Timedelta(m, "min") for m in pair] for pair in minutes]
    return pd.DataFrame(times, columns=["start", "stop"])


def test_rows_that_cannot_be_are_left_out_and_counted() -> None:
    log = table()
    for k, (column, wrong) in enumerate(
        (("rh_pct", 0.0), ("rh_pct", 105.1), ("temp_c", -40.1), ("temp_c", 80.1),
         ("temp_c", math.nan))
    ):  # fmt: skip
        log.loc[30 + k, column] = wrong
    for k, (column, right) in enumerate(
        (("rh_pct", 0.01), ("rh_pct", 105.0), ("temp_c", -40.0), ("temp_c", 80.0))
    ):
        log.loc[40 + k, column] = right
    twice = pd.concat([log, log.iloc[50:53].assign(rh_pct=74.0)])
    course = prepare_course(twice, spells((5, 6)))
    assert (course.left_out, course.averaged, len(course.time_s)) == (5, 3, 55)
    assert course.rh_pct[44:49].tolist() == [70.0, 72.0, 72.0, 72.0, 70.0]
    assert course.rh_pct.min() == 0.01
    assert course.full_g_m3[0] == pytest.approx(17.29, abs=0.01)
    assert prepare_course(table(20), spells((5, 6))).rh_pct.size == 20
    with pytest.raises(ChamberError, match="19 usable"):
        prepare_course(table(19), spells((5, 6)))


def test_mist_near_a_log_belongs_to_it() -> None:
    """A clock may be off by some minutes; mist of no length, or hours away, is none."""
    course = prepare_course(table(), spells((5, 6), (30, 32), (40, 40), (-500, -400), (900, 901)))
    begins = course.switch_s[(course.on > 0)]
    assert begins.tolist() == [300.0, 1800.0]
    assert course.switch_s[0] == 0.0
    early = prepare_course(table(), spells((-1, 2)))
    assert early.switch_s[:2].tolist() == [-60.0, -60.0]
    with pytest.raises(ChamberError, match="T3: no mist"):
        prepare_course(table(), spells((40, 40)), chamber="T3")


@pytest.mark.parametrize(("hours", "knots"), [(0.9, 1), (1.1, 2), (2.9, 2), (3.1, 3), (7.1, 5)])
def test_knots_of_the_incoming_air(hours: float, knots: int) -> None:
    """One each two hours; a log shorter than one hour has constant air."""
    log = table(count=round(hours * 60) + 1)
    course = prepare_course(log, spells((5, 6)))
    assert len(course.knots_s) == knots
    assert course.knots_s[-1] == (pytest.approx(course.time_s[-1]) if knots > 1 else 0.0)


def test_stretches_are_at_most_a_quarter_of_an_hour_and_a_minute_in_full_air() -> None:
    log = table(count=121)
    assert np.diff(prepare_course(log, spells((5, 6))).switch_s).max() <= 900.0
    assert np.diff(prepare_course(log, spells((5, 6))).switch_s).max() > 800.0
    log.loc[60, "rh_pct"] = 100.0
    assert np.diff(prepare_course(log, spells((5, 6))).switch_s).max() == pytest.approx(60.0)


def test_fewer_readings_of_the_same_log() -> None:
    course = replace(make_course(), rh_pct=np.arange(201.0))
    few = course.thin(50)
    assert few.time_s.tolist() == course.time_s[::4].tolist()
    assert few.rh_pct.tolist() == course.rh_pct[::4].tolist()
    assert few.node_s[-1] == 2000.0
    assert few.node_s[1] == 20.0  # two temperatures for each reading
    assert course.thin(500).time_s.tolist() == course.time_s.tolist()
    mean = course.average(100)  # 201 readings, three together
    assert mean.rh_pct.tolist() == np.arange(1.0, 201.0, 3.0).tolist()
    assert mean.time_s[:2].tolist() == [10.0, 40.0]
    assert course.average(201) is course
    assert len(course.average(200).time_s) == 100


# ------------------------------------------------------------------ the search for the rates


def test_unknowns_and_their_bounds() -> None:
    layout = Layout(knots=2, outside=None, fog=True)
    x = np.array([math.log(4.0), math.log(150.0), math.log(30.0), 5.0, 9.0, 52.0, 8.0, 8.5,
                  math.log(6.0)])  # fmt: skip
    made = layout.unpack(x)
    assert made.pop("outside").tolist() == [8.0, 8.5]
    assert made == pytest.approx({"n_h": 4, "mist_g_m3_h": 150, "lag_s": 30, "delay_s": 5,
                                  "first": 9, "shown": 52, "falls_h": 6})  # fmt: skip
    low, high = layout.bounds(400.0)
    assert len(low) == len(high) == 9
    assert np.exp(high[[0, 1, 2, 8]]) == pytest.approx([200, 400, 1200, 200])
    assert np.exp(low[[0, 1, 2, 8]]) == pytest.approx([0.02, 0.05, 0.5, 0.2])
    assert high[4:8].tolist() == [200.0, 120.0, 200.0, 200.0]
    assert low[4:8].tolist() == [0.0] * 4
    assert low[3] == -high[3]
    known = Layout(knots=2, outside=8.2, fog=False)
    assert known.unpack(x[:6])["outside"] == 8.2
    assert known.unpack(x[:6])["falls_h"] == math.inf
    assert len(known.bounds(math.inf)[0]) == 6
    assert math.exp(known.bounds(math.inf)[1][1]) == pytest.approx(5000)


@pytest.mark.parametrize("outside", [None, 8.2])
def test_derivatives_of_the_readings_are_their_differences(outside: float | None) -> None:
    """Central differences of 1e-4 in each unknown."""
    course = make_course(knots=(0.0,))
    layout = Layout(knots=1, outside=outside, fog=False)
    x = np.array([math.log(5.0), math.log(90.0), math.log(40.0), 7.0, 9.0, 52.0, 8.0])
    x = x[: 7 if outside is None else 6]
    used = course.time_s > 20
    slopes = Slopes(course, layout, used)
    got = slopes.jacobian(x)
    for k in range(len(x)):
        ends = []
        for d in (1e-4, -1e-4):
            moved = x.copy()
            moved[k] += d
            ends.append(predict_readings(course, **layout.unpack(moved))[used])
        want = (ends[0] - ends[1]) / 2e-4
        assert got[:, k] == pytest.approx(want, abs=1e-4 * max(1.0, np.abs(want).max())), k
    assert slopes.residual(x) == pytest.approx(
        predict_readings(course, **layout.unpack(x))[used] - 60.0
    )


def test_linear_least_squares_with_columns_of_any_size() -> None:
    rng = np.random.default_rng(4)
    columns = rng.normal(size=(40, 3)) * [1e-5, 1.0, 1e5]
    target = rng.normal(size=40)
    want = np.linalg.lstsq(columns, target, rcond=None)[0]
    assert _solve_linear(columns, target) == pytest.approx(want, rel=1e-8)
    empty = np.column_stack([columns[:, :2], np.zeros(40)])
    got = _solve_linear(empty, target)
    want = np.linalg.lstsq(columns[:, :2], target, rcond=None)[0]
    assert got == pytest.approx([*want, 0.0], rel=1e-8)


@pytest.mark.parametrize("outside", [None, 8.0])
def test_rates_are_found_back_from_readings_of_a_solver(outside: float | None) -> None:
    """Truth by scipy: 6 changes an hour, 120 g/m³ an hour, a lag of 45 s, 20 s late."""
    n, a, lag, c_in, late = 6 / 3600, 120 / 3600, 45.0, 8.0, 20.0

    def slope(t: float, x: np.ndarray) -> list[float]:
        on = any(b + late <= t < b + 60 + late for b in (100, 1000))
        return [n * (c_in - x[0]) + a * on, (100 * x[0] / 17.3 - x[1]) / lag]

    course = make_course(knots=(0.0,))
    out = solve_ivp(slope, (0, 2000), [9.5, 50.0], t_eval=course.time_s, max_step=2.0, rtol=1e-8)
    told = replace(course, rh_pct=out.y[1])
    solution, layout = find_rates(told, saturated_above=99.0, outside=outside)
    found = layout.unpack(solution.x)
    assert found["n_h"] == pytest.approx(6.0, rel=0.01)
    assert found["mist_g_m3_h"] == pytest.approx(120.0, rel=0.01)
    assert found["lag_s"] == pytest.approx(45.0, rel=0.01)
    assert found["delay_s"] == pytest.approx(20.0, abs=0.5)
    assert found["first"] == pytest.approx(9.5, rel=0.01)
    assert found["shown"] == pytest.approx(50.0, abs=0.3)
    assert float(np.squeeze(found["outside"])) == pytest.approx(8.0, rel=0.01)
    assert np.abs(solution.residual).max() < 0.05
    assert float(air.absolute_humidity_g_m3(20.0, 100.0)) == pytest.approx(17.29, abs=0.01)
