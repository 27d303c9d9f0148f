"""What a fit of a room says of itself, from made-up solutions that can be worked by hand."""

from __future__ import annotations

import math
import statistics
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import t as student

from trialkit.chamber.course import Course, predict_readings
from trialkit.chamber.rates import Layout, Solution
from trialkit.chamber.roomfit import (
    _judge,
    _moments_in_cycle,
    _order_rates,
    _pack,
    _settle,
    _why_not,
    fit_course,
)

X = np.array([math.log(4.0), math.log(150.0), math.log(30.0), 2.0, 9.0, 52.0, 8.6])
LAYOUT = Layout(knots=1, outside=None, fog=False)


def make_course(step: float = 10.0, count: int = 210, temp_lag: float = math.nan) -> Course:
    """Twenty steps a cycle, the first two with mist; 17.3 g/m³ at saturation."""
    times = np.arange(count) * step
    begin = np.arange(0.0, times[-1], 20 * step)
    switch = np.concatenate([[0.0], np.column_stack([begin, begin + 2 * step]).ravel()])
    full = np.full(count, 17.3)
    course = Course(
        time_s=times, rh_pct=np.zeros(count), full_g_m3=full, switch_s=switch,
        on=np.concatenate([[0.0], np.tile([1.0, 0.0], len(begin))]),
        switch_full=np.full(len(switch), 17.3), knots_s=np.zeros(1), node_s=times,
        node_full=full, temp_lag_s=temp_lag, start=pd.Timestamp("2031-03-01", tz="UTC"),
    )  # fmt: skip
    return replace(course, rh_pct=predict_readings(course, **LAYOUT.unpack(X)))


def pack(course: Course, residual: np.ndarray, *, layout=LAYOUT, level=0.95):
    """Thirty readings tell of each unknown, each by a slope of 2: variance s²/(30 · 4)."""
    jacobian = np.zeros((210, len(X)))
    for k in range(len(X)):
        jacobian[30 * k : 30 * (k + 1), k] = 2.0
    made = _settle(course, math.inf, Solution(X, residual, jacobian), layout, True, 0.0)
    return _pack(course, "", math.inf, made, layout, level, math.inf)


def codes(found) -> set[str]:
    return {finding.code for finding in found}


def test_errors_of_a_fit_worked_by_hand() -> None:
    """Residual variance over 203 degrees, widened for neighbours alike."""
    residual = 3.0 * np.tile([1.0, 1.0, 1.0, 1.0, -1.0, -1.0, -1.0], 30)
    fit = pack(make_course(), residual, level=0.9)
    r = statistics.correlation(residual[:-1].tolist(), residual[1:].tolist())
    assert r > 0.3
    assert fit.autocorrelation == pytest.approx(r)
    inflate = (1 + r) / (1 - r)
    own = 1.1 * math.sqrt(9.0 * 210 / 203 * inflate / 120)  # 1.1: the model is not quite the room
    width = student.ppf(0.95, 203 / inflate)
    error = own
    for name, value in (("air_changes_h", 4.0), ("mist_g_m3_h", 150.0), ("lag_s", 30.0)):
        row = fit.estimates.loc[name]
        assert fit.log_se[name] == pytest.approx(own, rel=1e-9)
        if name in fit.why_not:
            assert np.isnan(row["estimate"])
            continue
        assert row["estimate"] == pytest.approx(value)
        assert row["se"] == pytest.approx(value * error)
        assert row["low"] == pytest.approx(value * math.exp(-width * error))
        assert row["high"] == pytest.approx(value * math.exp(width * error))
    for name, value in (("delay_s", 2.0), ("outside_g_m3", 8.6)):
        row = fit.estimates.loc[name]
        assert row.tolist() == pytest.approx([value, own, value - width * own, value + width * own])


def test_intervals_of_a_close_fit_and_neighbours_unlike() -> None:
    """Neighbours that swing about are no reason to narrow an interval below the plain one."""
    residual = 0.1 * np.tile([1.0, -1.0], 105)
    fit = pack(make_course(), residual)
    assert fit.autocorrelation == pytest.approx(-1.0)
    own = 1.1 * math.sqrt(0.01 * 210 / 203 / 120)  # 1.1: the model is not quite the room
    row = fit.estimates.loc["delay_s"]
    assert row["se"] == pytest.approx(own)
    assert row["high"] - row["low"] == pytest.approx(2 * student.ppf(0.975, 203) * own)
    error = own
    mist = fit.estimates.loc["mist_g_m3_h"]
    assert mist["low"] == pytest.approx(150 * math.exp(-student.ppf(0.975, 203) * error))
    assert mist["high"] == pytest.approx(150 * math.exp(student.ppf(0.975, 203) * error))
    assert mist["se"] == pytest.approx(150 * error)
    assert fit.determined == {"air_changes_h", "mist_g_m3_h", "lag_s"}
    known = Layout(knots=1, outside=8.6, fog=False)
    row = pack(make_course(), residual, layout=known).estimates.loc["outside_g_m3"]
    assert row.tolist() == [8.6, 0.0, 8.6, 8.6]  # measured, not estimated


def test_explained_share_and_spread_of_the_readings() -> None:
    """1 − Σ(miss²)/Σ(about the mean)², and √(Σ miss²/(n − p)), by the standard library."""
    course = make_course()
    away = np.tile([1.5, -1.5, 0.5], 70)
    off = replace(course, rh_pct=course.rh_pct + away)
    fit = pack(off, away)
    squares = 70 * (2.25 + 2.25 + 0.25)
    assert fit.residual_sd_pct == pytest.approx(math.sqrt(squares / 203))
    spread = 210 * statistics.pvariance(off.rh_pct.tolist())
    assert fit.r2 == pytest.approx(1 - squares / spread)
    assert 0.5 < fit.r2 < 1


def test_errors_are_larger_where_the_air_fills_with_fog() -> None:
    """1.6 times: what `benchmarks/identify_cases.py` found them too small by."""
    residual = 0.1 * np.tile([1.0, -1.0], 105)
    fog = Layout(knots=1, outside=8.6, fog=True)
    own = math.sqrt(0.01 * 210 / 203 / 120)
    assert pack(make_course(), residual, layout=fog).estimates.loc["delay_s", "se"] == (
        pytest.approx(1.6 * own)
    )


def test_a_perfect_fit_has_no_correlation_of_residuals() -> None:
    fit = pack(make_course(), np.zeros(210))
    assert fit.autocorrelation == 0.0
    assert fit.r2 == 1.0
    assert fit.estimates.loc["delay_s", "se"] == 0.0


def test_two_rates_are_called_by_their_order() -> None:
    """An hour over 4 per hour is 900 s: a sensor of 901 s would be the slower, one of 899 s not."""
    for lag, swaps in ((899.0, False), (901.0, True)):
        rows = {name: {"estimate": value, "se": 0.1 * value, "low": value / 2, "high": value * 3}
                for name, value in (("air_changes_h", 4.0), ("lag_s", lag),
                                    ("mist_g_m3_h", 100.0))}  # fmt: skip
        log_se = {"air_changes_h": 0.2, "lag_s": 0.1, "mist_g_m3_h": 0.1}
        _order_rates(rows, log_se)
        if not swaps:
            assert rows["lag_s"]["estimate"] == lag
            continue
        assert rows["air_changes_h"] == pytest.approx(
            {"estimate": 3600 / 901, "se": 360 / 901, "low": 1200 / 901, "high": 7200 / 901}
        )
        assert rows["lag_s"] == pytest.approx(
            {"estimate": 900.0, "se": 180.0, "low": 300.0, "high": 1800.0}
        )
        assert rows["mist_g_m3_h"]["high"] == pytest.approx(300 * 900 / 901)
        assert rows["mist_g_m3_h"]["se"] == pytest.approx(10 * 900 / 901)


def test_moments_in_a_cycle_are_counted() -> None:
    """Readings each 10 s, mist each 200 s: the same 20 moments, whatever the log's length."""
    course = make_course()
    assert _moments_in_cycle(course, 10.0) == 20
    # readings each 30 s against 200 s: three cycles pass until the moments repeat, 10 s apart
    thirds = replace(course, time_s=np.arange(0.0, 2000.0, 30.0))
    assert _moments_in_cycle(thirds, 30.0) == 20
    # a long break counts up to one cycle's length, the end of it too
    switch = np.array([0.0, 0.0, 20.0, 100.0, 120.0, 200.0, 220.0])
    on = np.array([0.0, 1.0, 0.0, 1.0, 0.0, 1.0, 0.0])
    gap = replace(course, switch_s=switch, on=on, time_s=np.arange(0.0, 500.0, 10.0))
    assert _moments_in_cycle(gap, 10.0) == 11
    # one mist: every moment after it; what was read before it does not count
    one = replace(course, switch_s=np.array([0.0, 100.0, 120.0]), on=np.array([0.0, 1.0, 0.0]),
                  time_s=np.arange(0.0, 300.0, 10.0))  # fmt: skip
    assert _moments_in_cycle(one, 10.0) == 20
    # clocks of loggers tremble: what lies within a twentieth of a step is one moment
    tremble = replace(course, time_s=course.time_s + 0.4 * np.sin(np.arange(210.0) ** 2) + 1.0)
    assert _moments_in_cycle(tremble, 10.0) == 20
    apart = replace(course, time_s=np.concatenate([course.time_s, course.time_s + 1.0]))
    assert _moments_in_cycle(apart, 10.0) == 40
    # a mist cut into stretches is one mist
    cut = replace(gap, switch_s=np.array([0.0, 0.0, 10.0, 20.0, 100.0, 110.0]),
                  on=np.array([0.0, 1.0, 1.0, 0.0, 1.0, 0.0]),
                  time_s=np.arange(0.0, 200.0, 10.0))  # fmt: skip
    assert _moments_in_cycle(cut, 10.0) == 10


def sound() -> dict[str, dict[str, float]]:
    return {
        "lag_s": {"estimate": 30.0, "low": 25.0, "high": 35.0},
        "delay_s": {"estimate": 2.0, "low": -1.0, "high": 5.0},
        "outside_g_m3": {"estimate": 8.6, "low": 8.0, "high": 9.2},
    }


@pytest.mark.parametrize(
    ("name", "rows", "others", "said"),
    [
        ("", {}, {}, set()),
        ("", {}, {"r2": 0.8, "r": 0.5}, set()),
        ("", {}, {"r2": 0.79}, {"poor_fit"}),
        ("", {}, {"r": 0.51}, {"correlated_residuals"}),
        ("lag_s", {"estimate": 13.0}, {}, set()),  # with a delay of 2 s: one and a half steps
        ("lag_s", {"estimate": 12.9}, {}, {"lag_rough"}),
        ("outside_g_m3", {"estimate": 0.11}, {}, set()),
        ("outside_g_m3", {"estimate": 0.1}, {}, {"outside_implausible"}),
        ("outside_g_m3", {"estimate": 17.2}, {}, set()),
        ("outside_g_m3", {"estimate": 17.3}, {}, {"outside_implausible"}),
        ("delay_s", {"estimate": 70.0, "low": 60.0, "high": 80.0}, {}, set()),
        ("delay_s", {"estimate": 70.0, "low": 60.5, "high": 80.0}, {}, {"clocks_disagree"}),
        ("delay_s", {"estimate": -20.0, "low": -30.0, "high": -10.0}, {}, set()),
        ("delay_s", {"estimate": -20.0, "low": -30.0, "high": -10.5}, {}, {"clocks_disagree"}),
    ],
)
def test_where_doubt_begins(name: str, rows: dict, others: dict, said: set[str]) -> None:
    made, values = sound(), {"r2": 0.99, "r": 0.1} | others
    if name:
        made[name] |= rows
    used = np.ones(210, dtype=bool)
    assert codes(_judge(make_course(), made, used, values["r2"], values["r"])) == said


def test_doubt_about_the_log_itself() -> None:
    course, used = make_course(), np.ones(210, dtype=bool)
    used[:42] = False  # a fifth
    assert codes(_judge(course, sound(), used, 0.99, 0.1)) == set()
    used[42] = False
    [told] = _judge(course, sound(), used, 0.99, 0.1)
    assert told.code == "log_saturated"
    assert told.values["share"] == pytest.approx(100 * 43 / 210)
    used[:] = True
    counted = replace(course, left_out=3, averaged=4)
    told = {f.code: f.values["rows"] for f in _judge(counted, sound(), used, 0.99, 0.1)}
    assert told == {"rows_left_out": 3, "rows_averaged": 4}
    slow = replace(course, temp_lag_s=60.0)
    assert codes(_judge(slow, sound(), used, 0.99, 0.1)) == set()
    slow = replace(course, temp_lag_s=60.5)
    assert codes(_judge(slow, sound(), used, 0.99, 0.1)) == {"slow_thermometer"}
    [poor] = _judge(course, sound(), used, 0.31, 0.1)
    assert poor.values["explained"] == pytest.approx(31.0)
    [poor] = _judge(course, sound(), used, -0.4, 0.1)
    assert poor.values["explained"] == 0.0
    for cycle, few in ((80.0, False), (70.0, True)):  # eight readings a cycle, and seven
        begin = np.arange(0.0, 2090.0, cycle)
        switch = np.concatenate([[0.0], np.column_stack([begin, begin + 20.0]).ravel()])
        on = np.concatenate([[0.0], np.tile([1.0, 0.0], len(begin))])
        short = replace(course, switch_s=switch, on=on)
        assert codes(_judge(short, sound(), used, 0.99, 0.1)) == ({"few_moments"} if few else set())


@pytest.mark.parametrize(
    ("at", "x", "most", "wrong"),
    [
        (0, math.log(200.0) - 0.021, math.inf, None),
        (0, math.log(200.0) - 0.019, math.inf, "at_bound"),
        (0, math.log(0.02) + 0.019, math.inf, "at_bound"),
        (1, math.log(200.0) - 0.019, math.inf, None),
        (1, math.log(200.0) - 0.019, 200.0, "at_bound"),  # the label gives no more
        (1, math.log(200.0) - 0.021, 200.0, None),
        (2, math.log(1200.0) - 0.019, math.inf, "at_bound"),
    ],
)
def test_a_rate_at_the_edge_of_what_was_tried_is_not_determined(
    at: int, x: float, most: float, wrong: str | None
) -> None:
    moved = X.copy()
    moved[at] = x
    name = ("air_changes_h", "mist_g_m3_h", "lag_s")[at]
    error = dict.fromkeys(("air_changes_h", "mist_g_m3_h", "lag_s"), 0.3)
    why = _why_not(
        make_course(), [], {"lag_s": {"estimate": 30.0}}, error, LAYOUT, moved, most, 10.0
    )
    want = {} if wrong is None else {name: f"chamber.because.{wrong}"}
    assert {key: said.key for key, said in why.items()} == want


def test_reasons_why_a_log_does_not_determine_a_constant() -> None:
    names = ("air_changes_h", "mist_g_m3_h", "lag_s")
    rows = {"lag_s": {"estimate": 30.0}}
    error = dict.fromkeys(names, 0.3) | {"mist_g_m3_h": 0.01}

    def why(found=(), layout=LAYOUT, step=30.0, course=None, **errors):
        course = course or make_course()
        made = _why_not(course, list(found), rows, error | errors, layout, X, math.inf, step)
        return {key: said.key.removeprefix("chamber.because.") for key, said in made.items()}

    assert why() == {}
    assert why(mist_g_m3_h=0.301) == {"mist_g_m3_h": "too_wide"}
    assert why(step=30.1) == {"lag_s": "slow_readings"}
    assert why(step=30.1, lag_s=0.4) == {"lag_s": "too_wide"}
    fog = Layout(knots=1, outside=None, fog=True)
    assert why(layout=fog) == {"lag_s": "full_air"}
    assert why(layout=fog, lag_s=0.4) == {"lag_s": "too_wide"}
    told = {"lag_s": "full_air", "mist_g_m3_h": "full_air_mist"}
    assert why(layout=fog, mist_g_m3_h=0.0101) == told
    assert why(course=make_course(temp_lag=60.5)) == {}
    assert why(layout=fog, course=make_course(temp_lag=60.0)) == {"lag_s": "full_air"}
    hidden = dict.fromkeys(names[:2], "slow_thermometer") | {"lag_s": "full_air"}
    assert why(layout=fog, course=make_course(temp_lag=60.5)) == hidden
    used = np.ones(210, dtype=bool)
    spoilt = _judge(make_course(), sound(), used, 0.5, 0.1)
    assert why(found=spoilt) == dict.fromkeys(names, "poor_fit")


def test_least_log_that_is_fitted() -> None:
    """Twenty readings short of saturation that span half a point; one less is refused."""
    course = make_course()
    flat = replace(course, rh_pct=70 + 0.49 * (np.arange(210) % 2))
    with pytest.raises(ValueError, match="210 readings below 99 % that span"):
        fit_course(flat)
    wet = replace(course, rh_pct=np.where(np.arange(210) < 19, course.rh_pct, 99.0))
    with pytest.raises(ValueError, match="chamber T1: 19 readings below 99"):
        fit_course(wet, chamber="T1")
    with pytest.raises(ValueError, match=r"^0 readings below 10 %"):
        fit_course(course, saturated_above=10.0)
    found = fit_course(replace(course, rh_pct=70 + (course.rh_pct - 70) * 0.5))
    assert found.used.all()
