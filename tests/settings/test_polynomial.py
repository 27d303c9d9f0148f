"""Polynomials in coded settings, against numerical differentiation and quadrature."""

import numpy as np
import pytest

from trialkit.errors import DesignError
from trialkit.settings.polynomial import linear_and_bend, mean_products, powers, slopes, terms
from trialkit.settings.setting_range import SettingRange, coded_grid, coded_usual


@pytest.mark.parametrize("settings", [1, 2, 3])
def test_slopes_are_those_of_central_differences(settings):
    rng = np.random.default_rng(settings)
    at, step = rng.uniform(-1, 1, (5, settings)), 1e-6
    for i in range(settings):
        ahead, back = at.copy(), at.copy()
        ahead[:, i] += step
        back[:, i] -= step
        seen = (terms(ahead) - terms(back)) / (2 * step)
        assert slopes(at)[:, i] == pytest.approx(seen, abs=1e-8)


@pytest.mark.parametrize("settings", [1, 2, 3])
def test_mean_products_are_those_of_gauss_legendre_quadrature(settings):
    """Three nodes are exact to degree five; products of terms have at most four."""
    nodes, weights = np.polynomial.legendre.leggauss(3)
    grid = np.stack(np.meshgrid(*[nodes] * settings, indexing="ij"), -1).reshape(-1, settings)
    times = np.stack(np.meshgrid(*[weights / 2] * settings, indexing="ij"), -1)
    times = times.reshape(-1, settings).prod(axis=1)
    rows = terms(grid)
    assert mean_products(settings) == pytest.approx((rows * times[:, None]).T @ rows, abs=1e-12)


def test_linear_and_bend_give_the_polynomial_back():
    rng = np.random.default_rng(5)
    for settings in (1, 2, 3):
        b = rng.normal(size=len(powers(settings)))
        linear, bend = linear_and_bend(b)
        x = rng.uniform(-1, 1, settings)
        assert b[0] + linear @ x + x @ bend @ x == pytest.approx(float(terms(x[None])[0] @ b))


def test_a_setting_codes_its_range_and_keeps_todays_value_among_its_steps():
    duty = SettingRange("duty_pct", 2, 10, usual=8, steps=(2, 4, 6, 10))
    assert duty.steps == (2, 4, 6, 8, 10)
    assert duty.decode(duty.code([2, 3, 10])).tolist() == [2, 3, 10]
    light = SettingRange("lux", 0, 800, usual=300)
    assert 300 in light.values
    assert len(coded_grid([duty, light])) == 5 * len(light.values)
    assert coded_usual([duty, light]).tolist() == [0.5, -0.25]


@pytest.mark.parametrize(
    ("ends", "usual", "steps", "says"),
    [
        ((5, 5), 5, (), "from a smaller to a larger"),
        ((5, float("nan")), 5, (), "from a smaller to a larger"),
        ((2, 10), 12, (), "12 lies outside the range 2 to 10 %"),
        ((2, 10), 2, (2, 10), "at least three values"),
    ],
)
def test_a_range_that_cannot_be_is_refused(ends, usual, steps, says):
    with pytest.raises(DesignError, match=says):
        SettingRange("duty_pct", *ends, usual=usual, unit="%", steps=steps)


def test_three_settings_are_looked_at_on_a_grid_that_can_be_handled():
    """Forty values each would be 64 000 points; both ends and today's stay in."""
    three = [tuned(name) for name in "abc"]
    grid = coded_grid(three)
    assert 1000 < len(grid) <= 2500
    assert set(np.abs(grid[:, 0])) >= {1.0}
    assert (np.abs(grid - coded_usual(three)).sum(axis=1) < 1e-12).sum() == 1
    assert np.unique(grid, axis=0).shape == grid.shape


def tuned(name):
    return SettingRange(name, 0, 100, usual=37)
