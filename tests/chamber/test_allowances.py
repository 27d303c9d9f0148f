"""What a fit takes for known: at its limits, and where columns nearly agree."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from trialkit import air
from trialkit.chamber.allowances import (
    Allowances,
    _lag,
    _most_pull_h,
    _rise,
    _spread,
    find_allowances,
    settle,
)
from trialkit.chamber.course import Course

VALUES = {"n_h": 4.0, "mist_g_m3_h": 150.0, "lag_s": 30.0, "outside": 8.6, "first": 9.0,
          "shown": 52.0, "delay_s": 0.0, "falls_h": math.inf}  # fmt: skip
NONE = Allowances(np.zeros((90, 0)), np.zeros(0))


def make_course() -> Course:
    times = np.arange(0.0, 3600.0, 20.0)
    full = 17.3 - 1.2 * np.exp(-(times % 1200.0) / 300.0)
    return Course(
        time_s=times, rh_pct=np.zeros(180), full_g_m3=full,
        switch_s=np.array([0.0, 600.0, 720.0]), on=np.array([0.0, 1.0, 0.0]),
        switch_full=np.full(3, 17.3), knots_s=np.zeros(1), node_s=times, node_full=full,
        temp_lag_s=0.0, start=pd.Timestamp("2031-03-01", tz="UTC"),
    )  # fmt: skip


def full_at(temp: float) -> np.ndarray:
    return np.array([float(air.absolute_humidity_g_m3(temp, 100.0))])


@pytest.mark.parametrize("temp", [-10.0, 5.0, 18.0, 33.0, 50.0])
def test_share_by_which_saturation_rises_with_a_degree(temp: float) -> None:
    """(cs(T + 0.01) − cs(T − 0.01))/0.02 over cs(T)."""
    slope = (full_at(temp + 0.01) - full_at(temp - 0.01)) / 0.02
    assert _rise(full_at(temp)) == pytest.approx(slope / full_at(temp), rel=5e-5)


@pytest.mark.parametrize("temp", [-10.0, 8.0, 30.0])
def test_pull_of_wet_crop_at_other_temperatures(temp: float) -> None:
    """Half a square metre at 10.8 m/h, slowed by its own cooling: 1 + L cs' g/9.3, g 0.003 m/s."""
    slope = float((full_at(temp + 0.01) - full_at(temp - 0.01))[0]) / 0.02
    slowed = 1 + float(air.latent_heat_kj_kg(temp)) * slope * 0.003 / 9.3
    assert _most_pull_h(full_at(temp)) == pytest.approx(5.4 / slowed, rel=1e-5)


def test_a_lag_from_rest_by_its_recursion() -> None:
    values, seen = [1.0, 2.0, -1.0, 0.0], 0.0
    for value, got in zip(values, _lag(np.array(values), 25.0, 10.0), strict=True):
        seen += (value - seen) * (1 - math.exp(-0.4))
        assert got == pytest.approx(seen)


@pytest.mark.parametrize(("n_h", "taken"), [(4.0, 0.0), (4.0, 0.2), (0.5, 0.0), (0.5, 0.3)])
def test_the_share_of_wet_crop_is_even_from_none_to_most(n_h: float, taken: float) -> None:
    """Most is the pull of wet crop over the whole, and never more than all: mean/2, √(1/12)."""
    course = make_course()
    found = find_allowances(course, VALUES | {"n_h": n_h}, empty=False, taken=taken)
    most = min(_most_pull_h(course.node_full) / n_h, 1.0)
    assert (most == 1.0) is (n_h == 0.5)
    assert found.wet_spread == pytest.approx(most / math.sqrt(12), rel=1e-3)
    assert found.middle == pytest.approx([(most / 2 - taken) / found.wet_spread], rel=1e-3)
    assert found.columns.shape == (180, 1)


def test_an_empty_chamber_has_no_wet_crop() -> None:
    found = find_allowances(make_course(), VALUES, empty=True)
    assert (found.columns.shape, found.wet_spread, found.middle.size) == ((180, 0), 0.0, 0)
    none = replace(make_course(), temp_apart_c=np.zeros((180, 0)))
    assert find_allowances(none, VALUES, empty=True).columns.shape == (180, 0)
    known = replace(make_course(), temp_apart_c=np.full((180, 2), 0.1))
    both = find_allowances(known, VALUES, empty=False)
    assert both.columns.shape == (180, 3)
    assert both.middle[:2].tolist() == [0.0, 0.0]


# ------------------------------------------------------------------ brought together


def by_hand(residual: np.ndarray, unknowns: int) -> tuple[float, float]:
    r = float(np.corrcoef(residual[:-1], residual[1:])[0, 1])
    inflate = (1 + max(r, 0.0)) / max(1 - max(r, 0.0), 1e-3)
    return residual @ residual / (residual.size - unknowns) * inflate, inflate


def swings(alike: float) -> np.ndarray:
    rng = np.random.default_rng(21)
    out = rng.normal(size=90)
    for k in range(1, 90):
        out[k] += alike * out[k - 1]
    return out


@pytest.mark.parametrize("alike", [-0.8, 0.0, 0.8])
def test_spread_and_freedom_of_neighbours_unlike_and_alike(alike: float) -> None:
    """Neighbours that swing about widen nothing; those that agree count (1 − ρ)/(1 + ρ) each."""
    residual = swings(alike)
    spread, inflate = by_hand(residual, 2)
    assert _spread(residual, 2)[0] == pytest.approx(spread)
    assert _spread(residual * 0.01, 2)[0] == pytest.approx(spread * 1e-4)
    jacobian = np.random.default_rng(22).normal(size=(90, 2))
    found = settle(np.zeros(2), residual, jacobian, NONE)
    assert found.cov == pytest.approx(np.linalg.inv(jacobian.T @ jacobian) * spread, rel=1e-8)
    assert found.freedom == pytest.approx(88 / inflate)
    assert found.alike == pytest.approx(np.corrcoef(residual[:-1], residual[1:])[0, 1])


def test_residuals_that_drift_leave_one_degree_of_freedom() -> None:
    """Neighbours agree to a thousandth: (1 + ρ) over a thousandth, and never below one."""
    drifts = np.linspace(-1, 1, 90)
    spread, inflate = by_hand(drifts, 2)
    assert inflate == pytest.approx(2000)
    found = settle(np.zeros(2), drifts, np.random.default_rng(23).normal(size=(90, 2)), NONE)
    assert found.freedom == 1.0
    assert _spread(drifts, 2)[0] == pytest.approx(spread)
    still, alike = _spread(np.zeros(90), 2)
    assert (still, alike) == (0.0, 0.0)


def test_unknowns_that_nearly_agree() -> None:
    """Correlated by 0.9999: (J'J)⁻¹ s² all the same, and what a column does to each by lstsq."""
    rng = np.random.default_rng(24)
    jacobian = rng.normal(size=(90, 2))
    jacobian[:, 1] = jacobian[:, 0] + 0.014 * jacobian[:, 1]
    residual, columns = swings(0.0), rng.normal(size=(90, 1))
    spread, _ = by_hand(residual, 2)
    own = np.linalg.inv(jacobian.T @ jacobian) * spread
    assert settle(np.zeros(2), residual, jacobian, NONE).cov == pytest.approx(own, rel=1e-6)
    effect = np.linalg.lstsq(jacobian, columns, rcond=None)[0]
    found = settle(np.zeros(2), residual, jacobian, Allowances(columns, np.zeros(1)))
    assert found.cov == pytest.approx(own + effect @ effect.T, rel=1e-6)
    assert found.found.tolist() == [0.0]
    assert found.x.tolist() == [0.0, 0.0]


@pytest.mark.parametrize("alike", [-0.7, 0.7])
def test_an_allowance_off_its_middle_by_one_equation_more(alike: float) -> None:
    """[J G; 0 1] (d, u) = (−r, m), the readings weighted by 1/s, s of what is left each time."""
    rng = np.random.default_rng(25)
    jacobian, column = rng.normal(size=(90, 2)), rng.normal(size=(90, 1))
    residual = swings(alike) - 2 * column[:, 0]
    found = settle(np.ones(2), residual, jacobian, Allowances(column, np.array([0.8])))
    whole, left = np.column_stack([jacobian, column]), residual
    for _ in range(2):
        s = math.sqrt(by_hand(left, 2)[0])
        rows = np.vstack([whole / s, [0.0, 0.0, 1.0]])
        both = np.linalg.lstsq(rows, np.append(-residual / s, 0.8), rcond=None)[0]
        inflate = by_hand(left, 2)[1]
        left = residual + whole @ both
    assert found.x == pytest.approx(1 + both[:2], rel=1e-8)
    assert found.found == pytest.approx(both[2:], rel=1e-8)
    assert found.cov == pytest.approx(np.linalg.inv(rows.T @ rows)[:2, :2], rel=1e-7)
    assert found.freedom == pytest.approx(88 / inflate)


def test_wet_crop_by_two_recursions() -> None:
    """Its pull over a grid of 2 s, followed by the air's n and by the sensor, read each 20 s."""
    course = make_course()
    found = find_allowances(course, VALUES, empty=False)
    grid = np.arange(0.0, 3581.0, 2.0)
    full = np.interp(grid, course.node_s, course.node_full)
    air_keeps, sensor_keeps = math.exp(-2 / 900), math.exp(-2 / 30)
    pulled = shown = 0.0
    column = []
    for now, away in zip(full, full - full.mean(), strict=True):
        pulled += (away - pulled) * (1 - air_keeps)
        shown += (100 * found.wet_spread * pulled / now - shown) * (1 - sensor_keeps)
        column.append(shown)
    want = np.interp(course.time_s, grid, column)
    assert found.columns[:, 0] == pytest.approx(want, rel=1e-9, abs=1e-12)
    assert Allowances(found.columns, found.middle).wet_spread == 0.0
