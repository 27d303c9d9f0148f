"""What a fit of a room does not know for sure: brute force and a general solver beside it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import solve_ivp

from trialkit.chamber.airtemp import _directions
from trialkit.chamber.allowances import Allowances, _most_pull_h, find_allowances, settle
from trialkit.chamber.course import Course, predict_readings

VALUES = {"n_h": 4.0, "mist_g_m3_h": 150.0, "lag_s": 30.0, "outside": 8.6, "first": 9.0,
          "shown": 52.0, "delay_s": 0.0, "falls_h": math.inf}  # fmt: skip


def make_course(swing: float = 0.0) -> Course:
    """Make readings each 10 s for two hours, mist for 2 min in 20; saturation swings [g/m³]."""
    times = np.arange(0.0, 7200.0, 10.0)
    begin = np.arange(0.0, 7200.0, 1200.0)
    switch = np.concatenate([[0.0], np.column_stack([begin, begin + 120.0]).ravel()])
    full = 17.3 - swing * np.exp(-(times % 1200.0) / 300.0)
    return Course(
        time_s=times, rh_pct=np.zeros(720), full_g_m3=full, switch_s=switch,
        on=np.concatenate([[0.0], np.tile([1.0, 0.0], 6)]), switch_full=np.full(13, 17.3),
        knots_s=np.zeros(1), node_s=times, node_full=full, temp_lag_s=0.0,
        start=pd.Timestamp("2031-03-01", tz="UTC"),
    )  # fmt: skip


def test_nothing_unknown_leaves_least_squares_alone() -> None:
    """(J'J)⁻¹ s² (1 + ρ)/(1 − ρ); a direction without information gets a huge variance."""
    rng = np.random.default_rng(3)
    jacobian, residual = rng.normal(size=(80, 3)), rng.normal(size=80)
    jacobian[:, 1] = 0.0
    none = Allowances(np.zeros((80, 0)), np.zeros(0))
    found = settle(np.arange(3.0), residual, jacobian, none)
    r = max(float(np.corrcoef(residual[:-1], residual[1:])[0, 1]), 0.0)
    part = jacobian[:, [0, 2]]
    want = np.linalg.inv(part.T @ part) * (residual @ residual) / 77 * (1 + r) / (1 - r)
    assert found.cov[np.ix_([0, 2], [0, 2])] == pytest.approx(want, rel=1e-8)
    assert found.cov[1, 1] > 1e12
    assert found.x.tolist() == [0.0, 1.0, 2.0]
    assert found.freedom == pytest.approx(77 * (1 - r) / (1 + r))
    big = settle(np.arange(3.0), residual, jacobian * [1e6, 1.0, 1e-6], none)
    scale = np.array([1e6, 1e-6])
    assert big.cov[np.ix_([0, 2], [0, 2])] * np.outer(scale, scale) == pytest.approx(want, rel=1e-6)


def test_readings_and_what_is_known_beforehand_by_least_squares_with_further_rows() -> None:
    """A row u = m, weighted 1, for each allowance beside the readings weighted 1/s."""
    rng = np.random.default_rng(5)
    jacobian, columns = rng.normal(size=(400, 2)), rng.normal(size=(400, 2))
    truth = np.array([0.3, -0.2, 0.5, 1.5])
    residual = -np.column_stack([jacobian, columns]) @ truth + rng.normal(0, 3.0, 400)
    middle = np.array([0.0, 1.7])
    found = settle(np.zeros(2), residual, jacobian, Allowances(columns, middle))

    def spread_of(left: np.ndarray) -> float:
        r = max(float(np.corrcoef(left[:-1], left[1:])[0, 1]), 0.0)
        return float(left @ left) / 398 * (1 + r) / (1 - r)

    whole, left = np.column_stack([jacobian, columns]), residual
    for _ in range(2):
        s = math.sqrt(spread_of(left))
        rows = np.vstack([whole / s, np.eye(4)[2:]])
        both, *_ = np.linalg.lstsq(rows, np.append(-residual / s, middle), rcond=None)
        left = residual + whole @ both
    assert found.x == pytest.approx(both[:2], rel=1e-8)
    assert found.cov == pytest.approx(np.linalg.inv(rows.T @ rows)[:2, :2], rel=1e-8)
    assert np.all(np.abs(found.x - truth[:2]) < 4 * np.sqrt(np.diag(found.cov)))


def test_what_may_as_well_be_more_as_less_widens_and_does_not_move() -> None:
    """Each column refitted by least squares: its effect squared adds to the covariance."""
    rng = np.random.default_rng(6)
    jacobian, columns = rng.normal(size=(300, 2)), rng.normal(size=(300, 2))
    residual = rng.normal(0, 1.0, 300)
    none = Allowances(np.zeros((300, 0)), np.zeros(0))
    alone = settle(np.ones(2), residual, jacobian, none)
    found = settle(np.ones(2), residual, jacobian, Allowances(columns, np.zeros(2)))
    assert found.x.tolist() == [1.0, 1.0]
    added = np.zeros((2, 2))
    for column in columns.T:
        effect, *_ = np.linalg.lstsq(jacobian, column, rcond=None)
        added += np.outer(effect, effect)
    assert found.cov == pytest.approx(alone.cov + added, rel=1e-8)


def test_wet_crop_by_a_general_solver() -> None:
    """By the balance c' = n (c_in (1 − w) + w cs(T) − c): the share w of the pull."""
    course = make_course(swing=1.2)
    found = find_allowances(course, VALUES, empty=False)
    assert found.middle == pytest.approx([math.sqrt(3)])  # from 0 to most: most/2 over most/√12
    n, share = 4 / 3600, 0.25
    full = course.full_g_m3

    def slope(t: float, x: np.ndarray) -> list[float]:
        at = np.interp(t, course.time_s, full)
        return [n * (share * (at - full.mean()) - x[0]), (100 * x[0] / at - x[1]) / 30.0]

    moments = course.time_s
    made = solve_ivp(slope, (0, moments[-1]), [0, 0], t_eval=moments, rtol=1e-8, max_step=10)
    most = _most_pull_h(full) / 4
    column = found.columns[:, 0] / (most / math.sqrt(12)) * share
    assert column == pytest.approx(made.y[1], abs=0.02 * np.abs(made.y[1]).max())


def test_pull_of_wet_crop_by_hand() -> None:
    """10.8 m/h × 0.5 m² per m³, slowed by 1 + L g cs'/h: 2453 × 0.003 × 1.01/9.3 at 20 °C."""
    slowed = 1 + 2453.5 * 0.003 * (18.338 - 16.311) / 2 / 9.3  # cs at 21 and 19 °C, g/m³
    assert _most_pull_h(np.array([17.29])) == pytest.approx(5.4 / slowed, rel=0.005)


def test_errors_of_the_temperature_move_the_readings_as_the_model_does() -> None:
    """A degree's tenth, warmer by the clock: the column against the readings of that air."""
    course = make_course(swing=1.2)
    tenth = 0.1 * np.sin(course.time_s / 500.0)
    known = replace(course, temp_apart_c=tenth[:, None])
    column = find_allowances(known, VALUES, empty=True).columns[:, 0]
    temps = np.linspace(10, 30, 2001)
    kpa = 0.61078 * np.exp(17.27 * temps / (temps + 237.3))  # Tetens, an independent formula
    density = kpa / (temps + 273.15) * 2166.8
    temp = np.interp(course.node_full, density, temps)
    warmer = replace(course, node_full=np.interp(temp + tenth, temps, density))
    moved = predict_readings(warmer, **VALUES) - predict_readings(course, **VALUES)
    assert column[60:] == pytest.approx(moved[60:], abs=0.03 * np.abs(moved).max())
    none = find_allowances(course, VALUES, empty=True)
    assert none.columns.shape == (720, 0)
    assert none.middle.size == 0


def test_directions_carry_the_whole_covariance() -> None:
    """Their outer product is D (X'X)⁻¹ D' s² (1 + ρ)/(1 − ρ)."""
    rng = np.random.default_rng(8)
    seen, air, residual = rng.normal(size=(90, 3)), rng.normal(size=(20, 3)), rng.normal(size=90)
    apart = _directions(seen, air, residual)
    r = max(float(np.corrcoef(residual[:-1], residual[1:])[0, 1]), 0.0)
    spread = (residual @ residual) / 87 * (1 + r) / (1 - r)
    want = air @ np.linalg.inv(seen.T @ seen) @ air.T * spread
    assert apart @ apart.T == pytest.approx(want, rel=1e-8)
