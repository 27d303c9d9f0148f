"""Departures from a surface: brute-force conditioning, a cliff, and a true second-order hill."""

import itertools

import numpy as np
import pandas as pd
import pytest

from trialkit.settings.polynomial import terms
from trialkit.settings.setting_range import SettingRange
from trialkit.surface import departures
from trialkit.surface.choices import choose_settings
from trialkit.surface.departures import allow_departures
from trialkit.surface.fit_surface import fit_surface

LINE = np.linspace(-1, 1, 9)


def drawn(true, *, seed=1, noise=0.02, today=0.5):
    """Four batches of nine chambers, one at each of nine settings."""
    rng = np.random.default_rng(seed)
    table = pd.DataFrame(itertools.product("abcd", LINE), columns=["batch", "mist"])
    batch = dict(zip("abcd", rng.normal(0, 0.05, 4), strict=True))
    y = true(table["mist"]) + table["batch"].map(batch) + rng.normal(0, noise, len(table))
    mist = SettingRange("mist", -1, 1, today, steps=tuple(LINE))
    table["fresh_g"] = 500 * y
    return fit_surface(table, [mist], response="fresh_g", random=["batch"])


def hill(x):
    return 1 - 0.15 * (x - 0.25) ** 2


def cliff(x):
    return 1 - 0.02 * (0.5 - x).clip(lower=0) - 0.8 * (x - 0.5).clip(lower=0)


def matern(a, b, size, length):
    """Written out from Rasmussen and Williams (2006), eq. 4.17."""
    r = np.abs(a[:, None] - b[None, :])
    s = np.sqrt(5) * r / length
    return size**2 * (1 + s + 5 * r**2 / (3 * length**2)) * np.exp(-s)


def test_each_answer_is_that_of_plain_conditioning(monkeypatch):
    """Coefficients given a variance so wide that nothing is known of them; one normal law."""
    monkeypatch.setattr(departures, "SIZES", (0.1,))
    monkeypatch.setattr(departures, "LENGTHS", (0.4,))
    monkeypatch.setattr(departures, "SHARES", (1.0,))
    monkeypatch.setattr(departures, "_LITTLE", -1.0)
    surface = drawn(hill)
    at = np.array([[-1.0], [0.1], [0.9]])
    plain, smooth = allow_departures(surface, at, joint=True).answers
    table, variances = surface.fit.table, surface.fit.variances
    x, y = table["coded_mist"].to_numpy(), table["fresh_g"].to_numpy()
    codes = table["batch"].to_numpy()
    V = variances["residual"] * np.eye(len(x))
    V += variances["batch"] * (codes[:, None] == codes[None, :])
    everywhere = np.r_[at[:, 0], 0.5]
    for answer, size in ((plain, 0.0), (smooth, 0.1 * abs(surface.estimate[0]))):
        F, G = terms(x[:, None]), terms(everywhere[:, None])
        wide = 1e8
        own = wide * G @ G.T + matern(everywhere, everywhere, size, 0.4)
        across = wide * G @ F.T + matern(everywhere, x, size, 0.4)
        data = wide * F @ F.T + matern(x, x, size, 0.4) + V
        mean = across @ np.linalg.solve(data, y)
        cov = own - across @ np.linalg.solve(data, across.T)
        L = np.hstack([np.eye(3), -np.ones((3, 1))])
        assert answer.gains == pytest.approx(L @ mean, abs=0.02)
        assert answer.covariance == pytest.approx(L @ cov @ L.T, rel=0.01, abs=0.5)
        assert answer.variances == pytest.approx(np.diag(answer.covariance))


def test_a_cliff_is_told_from_a_hill():
    at = LINE[:, None]
    fell, rose = (allow_departures(drawn(true), at) for true in (cliff, hill))
    assert fell.weight > 0.95
    assert rose.weight < 0.6  # half is put there beforehand
    gains = 500 * (cliff(pd.Series(LINE)) - cliff(pd.Series([0.5])).iloc[0])
    assert np.abs(fell.gains - gains).max() < 4 * fell.errors.max()


def test_the_careful_choice_does_not_follow_a_surface_off_what_was_seen():
    """Best at 0.5, today, on the edge of a cliff: the surface alone sees a top near 0."""
    surface = drawn(cliff)
    picked = choose_settings(surface, margin_pct=10).table.set_index("choice")["mist"]
    assert picked["most yield"] < 0
    assert cliff(pd.Series([picked["careful"]]))[0] > 0.99
    on_hill = choose_settings(drawn(hill, today=-0.5), margin_pct=10).table.set_index("choice")
    assert on_hill["mist"]["careful"] == pytest.approx(0.25, abs=0.25)


def test_the_careful_choice_stays_where_nothing_is_gained():
    stays = [
        choose_settings(drawn(lambda x: 1 + 0 * x, seed=s), margin_pct=10).table.set_index(
            "choice"
        )["mist"]["careful"]
        for s in range(12)
    ]
    largest = [
        choose_settings(drawn(lambda x: 1 + 0 * x, seed=s), margin_pct=10).table.set_index(
            "choice"
        )["mist"]["most yield"]
        for s in range(12)
    ]
    assert sum(np.isclose(stays, 0.5)) > sum(np.isclose(largest, 0.5))


def test_large_trials_and_other_factors_have_no_departures(monkeypatch):
    monkeypatch.setattr(departures, "MOST_ROWS", 10)
    surface = drawn(hill)
    assert allow_departures(surface, LINE[:, None]) is None
    assert "careful" in set(choose_settings(surface, margin_pct=10).table["choice"])
