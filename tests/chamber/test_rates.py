"""The search for a room's rates at its limits, and where the air fills."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from trialkit.chamber import rates
from trialkit.chamber.course import Course, fills_air, predict_readings
from trialkit.chamber.rates import (
    FALLS_TRIED,
    Layout,
    Slopes,
    _search,
    _solve_linear,
    find_rates,
)


def make_course(full: float = 17.3, mist: float = 40.0) -> Course:
    """Read each 20 s: n = 3/h, incoming 8 g/m³, a lag of 30 s; mist from 1000 to 2000 s."""
    times = np.arange(0.0, 4001.0, 20.0)
    flat = np.full(times.size, full)
    course = Course(
        time_s=times, rh_pct=np.zeros(times.size), full_g_m3=flat,
        switch_s=np.array([0.0, 1000.0, 2000.0]), on=np.array([0.0, 1.0, 0.0]),
        switch_full=np.full(3, full), knots_s=np.zeros(1), node_s=times, node_full=flat,
        temp_lag_s=0.0, start=pd.Timestamp("2031-03-01", tz="UTC"),
    )  # fmt: skip
    read = predict_readings(course, n_h=3.0, mist_g_m3_h=mist, lag_s=30.0, outside=8.0, first=8.0)
    return replace(course, rh_pct=read)


def test_a_fall_of_fog_without_end_is_a_number() -> None:
    layout = Layout(knots=1, outside=8.0, fog=True)
    x = np.array([1.0, 4.0, 3.0, 0.0, 9.0, 52.0, 800.0])
    assert layout.unpack(x)["falls_h"] == pytest.approx(math.exp(700))
    assert layout.unpack(np.append(x[:6], 2.0))["falls_h"] == pytest.approx(math.exp(2))
    low, high = layout.bounds(1e9)
    assert math.exp(high[1]) == pytest.approx(5000)
    assert (low[3], high[3]) == (-120.0, 120.0)
    assert len(low) == 7
    many = Layout(knots=3, outside=None, fog=False)
    assert many.incoming == slice(6, 9)
    assert Layout(knots=3, outside=8.0, fog=False).incoming == slice(6, 6)


@pytest.mark.parametrize("full", [12.0, 17.3])
@pytest.mark.parametrize("fog", [True, False])
@pytest.mark.parametrize("outside", [None, 8.0])
def test_derivatives_where_the_air_fills_are_differences_too(
    full: float, fog: bool, outside: float | None
) -> None:
    """Central differences of 1e-5; at 12 g/m³ the air is full from some moment on."""
    course = make_course(full)
    layout = Layout(knots=1, outside=outside, fog=fog)
    x = [math.log(3.1), math.log(38.0), math.log(33.0), 3.0, 8.3, 48.0]
    x = np.array(x + ([8.0] if outside is None else []) + ([math.log(4.0)] if fog else []))
    assert fills_air(course, **layout.unpack(x)) is (full == 12.0)
    used = course.time_s > 50
    slopes = Slopes(course, layout, used)
    got = slopes.jacobian(x)
    assert got.shape == (int(used.sum()), x.size)
    for k in range(x.size):
        ends = []
        for d in (1e-5, -1e-5):
            moved = x.copy()
            moved[k] += d
            ends.append(predict_readings(course, **layout.unpack(moved))[used])
        want = (ends[0] - ends[1]) / 2e-5
        close = np.abs(got[:, k] - want) < 2e-3 * max(1.0, np.abs(want).max())
        assert close.mean() > 0.98, k  # but where the moment of full air passes a reading


def test_residuals_are_worked_out_anew_for_other_numbers() -> None:
    course, layout = make_course(), Layout(knots=1, outside=8.0, fog=False)
    slopes = Slopes(course, layout, np.ones(course.time_s.size, dtype=bool))
    truth = np.array([math.log(3.0), math.log(40.0), math.log(30.0), 0.0, 8.0, 800 / 17.3])
    assert np.abs(slopes.residual(truth)).max() < 1e-9
    off = truth + np.array([0.1, 0, 0, 0, 0, 0])
    assert np.abs(slopes.residual(off)).max() > 0.1
    assert np.abs(slopes.residual(truth)).max() < 1e-9


def test_columns_that_nearly_agree() -> None:
    """Correlated by 0.9999, of sizes a million apart: numpy's own least squares."""
    rng = np.random.default_rng(31)
    columns = rng.normal(size=(60, 2))
    columns[:, 1] = (columns[:, 0] + 0.014 * columns[:, 1]) * 1e6
    target = rng.normal(size=60)
    want = np.linalg.lstsq(columns, target, rcond=None)[0]
    assert _solve_linear(columns, target) == pytest.approx(want, rel=1e-6)


def test_starts_are_few_and_differ_in_their_air_changes() -> None:
    layout = Layout(knots=1, outside=None, fog=False)
    starts = _search(make_course(), 99.0, layout)
    assert len(starts) == 3
    logs = [start[0] for start in starts]
    gaps = [abs(a - b) for k, a in enumerate(logs) for b in logs[:k]]
    assert min(gaps) > 0.5
    assert all(start.size == 7 for start in starts)
    best = starts[0]
    assert np.exp(best[:3]) == pytest.approx([3.0, 40.0, 30.0], rel=0.02)
    assert best[3] == pytest.approx(0.0, abs=1.0)
    assert best[4] == pytest.approx(8.0, rel=0.01)
    assert best[5] == pytest.approx(800 / 17.3, rel=0.01)
    assert best[6] == pytest.approx(8.0, rel=0.01)
    known = _search(make_course(), 99.0, Layout(knots=1, outside=8.0, fog=False))
    assert all(start.size == 6 for start in known)
    # each is the best for its rates: least squares of what is linear in them
    course = make_course()
    for start in starts[1:]:
        given = {"n_h": math.exp(start[0]), "lag_s": math.exp(start[2]), "delay_s": start[3],
                 "shown": 0.0}  # fmt: skip
        columns = [
            predict_readings(course, **given, mist_g_m3_h=1.0, first=0.0, outside=0.0),
            predict_readings(course, **given, mist_g_m3_h=0.0, first=1.0, outside=0.0),
            np.exp(-course.time_s / given["lag_s"]),
            predict_readings(course, **given, mist_g_m3_h=0.0, first=0.0, outside=1.0),
        ]
        want = np.linalg.lstsq(np.column_stack(columns), course.rh_pct, rcond=None)[0]
        if want[0] > 0.05:
            assert [math.exp(start[1]), *start[4:]] == pytest.approx(want.tolist(), rel=1e-3)


@pytest.mark.parametrize("outside", [None, 8.0])
def test_mist_never_takes_vapour_away(outside: float | None) -> None:
    """Air that dries while it is on: the least mist there is, the rest as without any."""
    course = make_course(mist=-20.0)
    layout = Layout(knots=1, outside=outside, fog=False)
    start = _search(course, 99.0, layout)[0]
    assert math.exp(start[1]) == pytest.approx(0.05)
    given = {"n_h": math.exp(start[0]), "lag_s": math.exp(start[2]), "delay_s": start[3],
             "mist_g_m3_h": 0.0, "shown": 0.0}  # fmt: skip
    columns = [predict_readings(course, **given, first=1.0, outside=0.0),
               np.exp(-course.time_s / given["lag_s"])]  # fmt: skip
    incoming = predict_readings(course, **given, first=0.0, outside=1.0)
    target = course.rh_pct
    if outside is None:
        columns.append(incoming)
    else:
        target = target - outside * incoming
    want = np.linalg.lstsq(np.column_stack(columns), target, rcond=None)[0]
    assert start[4:].tolist() == pytest.approx(want.tolist(), rel=1e-3)


def test_a_label_bounds_the_mist() -> None:
    """Truth 40 g/m³ an hour; a label that allows 30 or less than there can be holds it there."""
    course = make_course()
    for most, want in ((30.0, 30.0), (math.inf, 40.0), (1e-9, 0.1)):
        solution, layout = find_rates(course, saturated_above=99.0, outside=8.0, most_mist=most)
        assert not layout.fog
        found = layout.unpack(solution.x)["mist_g_m3_h"]
        assert found == pytest.approx(want, rel=0.01)


def test_readings_at_the_limit_take_no_part() -> None:
    course = make_course()
    limit = float(course.rh_pct.max())
    solution, _ = find_rates(course, saturated_above=limit, outside=None)
    assert solution.residual.size == int((course.rh_pct < limit).sum()) < course.rh_pct.size
    assert solution.jacobian.shape == (solution.residual.size, 7)


def test_a_close_fit_is_not_sought_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """From readings of the model itself the first start fits: one adjustment, on all readings."""
    sizes: list[int] = []
    adjust = rates._adjust

    def count(course: Course, *given: object) -> object:
        sizes.append(course.time_s.size)
        return adjust(course, *given)

    monkeypatch.setattr(rates, "_adjust", count)
    course = make_course()
    find_rates(course, saturated_above=99.0, outside=8.0)
    assert sizes == [201]
    # of noise that no start explains all three are followed, and the best once more
    noise = np.random.default_rng(32).normal(0, 1, 201)
    noise /= np.sqrt(np.mean(noise**2))
    for spread, adjusted in ((0.46, 1), (0.55, 1 + 3 + 1)):
        sizes.clear()
        noisy = replace(course, rh_pct=course.rh_pct + spread * noise)
        find_rates(noisy, saturated_above=99.0, outside=8.0)
        assert sizes == [201] * adjusted
    # air that may be full: each start by a slow and a quick fall of fog
    sizes.clear()
    full = make_course(full=12.0)
    _, layout = find_rates(full, saturated_above=99.0, outside=8.0)
    assert layout.fog
    assert sizes == [201] * (3 * len(FALLS_TRIED) + 1)


def test_full_air_is_told_above_97_in_a_hundred() -> None:
    """One reading of 97.1 % and the air may have been full; one of 97 % says nothing of it."""
    for rh, fog in ((97.0, False), (97.1, True)):
        course = make_course()
        course.rh_pct[100] = rh
        _, layout = find_rates(course, saturated_above=96.0, outside=8.0)
        assert layout.fog is fog
