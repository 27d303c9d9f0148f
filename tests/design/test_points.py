"""Plans of numeric settings: published optima, brute force, whole units."""

import itertools
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from trialkit.design.points.criteria import (
    average_variance,
    information,
    prediction_variance,
    unit_weights,
)
from trialkit.design.points.search import find_points
from trialkit.design.strata.surface_terms import surface_sentences
from trialkit.errors import DesignError
from trialkit.settings.polynomial import mean_products, terms
from trialkit.settings.setting_range import SettingRange

SQUARE = np.array(list(itertools.product((-1, 0, 1), repeat=2)), dtype=float)
ALIKE = [({"none": 0.0}, 1.0)]


def settings(*names, steps=(-1, 0, 1)):
    return [SettingRange(name, -1, 1, usual=0, steps=steps) for name in names]


def best_shares(points, criterion, *, rounds=20_000, close=1e-7):
    """Find what share of a very large plan each point should get, by multiplicative steps.

    By the equivalence theorem (Kiefer and Wolfowitz 1960, doi:10.4153/CJM-1960-030-4) no point's
    sensitivity is above 1 at the best plan; given too is how far the largest still is.
    """
    rows = terms(points)
    products = mean_products(np.atleast_2d(np.asarray(points)).shape[1])
    shares, excess = np.full(len(rows), 1 / len(rows)), np.inf
    power = 1.0 if criterion == "determinant" else 0.5
    for _ in range(rounds):
        inverse = np.linalg.inv(rows.T @ (shares[:, None] * rows))
        middle = inverse if criterion == "determinant" else inverse @ products @ inverse
        bound = rows.shape[1] if criterion == "determinant" else np.trace(inverse @ products)
        sensitivity = np.einsum("ij,jk,ik->i", rows, middle, rows) / bound
        excess = float(sensitivity.max() - 1)
        if excess < close:
            break
        shares = shares * sensitivity**power
        shares /= shares.sum()
    return shares, excess


def test_large_plans_of_one_setting_tend_to_the_known_shares():
    """1/3, 1/3, 1/3 by the determinant (Guest 1958) and 1/4, 1/2, 1/4 by average variance."""
    line = np.linspace(-1, 1, 21)[:, None]
    for criterion, shares in (
        ("determinant", [1 / 3] * 3),
        ("average variance", [0.25, 0.5, 0.25]),
    ):
        got, excess = best_shares(line, criterion)
        assert got[[0, 10, 20]] == pytest.approx(shares, abs=2e-3)
        assert excess < 1e-6  # the equivalence theorem: no point is above its bound


def test_large_plans_of_two_settings_have_the_published_weights():
    """Corners 0.1458, edges 0.0802, centre 0.0962 (Kiefer; from memory), by the theorem."""
    got, excess = best_shares(SQUARE, "determinant")
    size = np.abs(SQUARE).sum(axis=1)
    for kind, share in ((2, 0.1458), (1, 0.0802), (0, 0.0962)):
        assert got[size == kind] == pytest.approx([share] * int((size == kind).sum()), abs=5e-5)
    assert excess < 1e-6
    info = terms(SQUARE).T @ (got[:, None] * terms(SQUARE))
    fine = np.array(list(itertools.product(np.linspace(-1, 1, 41), repeat=2)))
    rows = terms(fine)
    variance = np.einsum("ij,ji->i", rows, np.linalg.solve(info, rows.T))
    assert variance.max() == pytest.approx(6, abs=1e-5)  # on the whole square, not only the grid


@pytest.mark.parametrize(
    ("units", "most"), [(7, 960), (8, 2304), (9, 5184), (10, 9360), (11, 16896), (12, 30320)]
)
def test_small_plans_reach_the_largest_determinant(units, most):
    """Largest determinants on the 3 x 3 grid, found by trying every plan."""
    found = find_points(
        settings("a", "b"), [range(units)] * 2, {"none": range(units)}, ALIKE,
        criterion="determinant", usual_units=0, starts=12, seed=1,
    )  # fmt: skip
    rows = terms(found.coded)
    assert np.linalg.det(rows.T @ rows) == pytest.approx(most, rel=1e-9)
    assert found.score == pytest.approx(most ** (-1 / 6), rel=1e-9)


def test_a_split_plan_is_the_best_of_all():
    """Four chambers of two shelves, mist by chamber, light by shelf: every plan is tried."""
    chamber = np.repeat(range(4), 2)
    weights = unit_weights({"chamber": chamber}, {"chamber": 2.0}, 1.0)
    whole = list(itertools.combinations_with_replacement((-1, 0, 1), 4))
    pairs = list(itertools.combinations_with_replacement((-1, 0, 1), 2))
    best = np.inf
    for mist in whole:
        light = np.array(list(itertools.product(pairs, repeat=4))).reshape(-1, 8)
        plans = np.stack([np.broadcast_to(np.repeat(mist, 2), light.shape), light], axis=-1)
        rows = terms(plans.reshape(-1, 2)).reshape(len(light), 8, -1)
        sign, size = np.linalg.slogdet(information(rows, weights))
        best = min(best, float(np.exp(-np.where(sign > 0, size, -np.inf) / 6).min()))
    found = find_points(
        settings("mist", "light"), [chamber, range(8)], {"chamber": chamber},
        [({"chamber": 2.0}, 1.0)], criterion="determinant", usual_units=0, starts=20,
    )  # fmt: skip
    assert found.score == pytest.approx(best, rel=1e-9)
    assert (found.coded[0::2, 0] == found.coded[1::2, 0]).all()  # chambers stay whole


def test_a_split_plan_keeps_out_of_what_the_room_cannot_hold():
    """Much mist with much light is ruled out; every plan of four chambers is tried beside it."""
    chamber = np.repeat(range(4), 2)
    weights = unit_weights({"chamber": chamber}, {"chamber": 2.0}, 1.0)
    pairs = list(itertools.combinations_with_replacement((-1, 0, 1), 2))
    may = [(mist, pair) for mist in (-1, 0, 1) for pair in pairs if not (mist == 1 and 1 in pair)]
    plans = np.array(
        [
            [(mist, light) for mist, pair in four for light in pair]
            for four in itertools.combinations_with_replacement(may, 4)
        ],
        dtype=float,
    )
    rows = terms(plans.reshape(-1, 2)).reshape(len(plans), 8, -1)
    sign, size = np.linalg.slogdet(information(rows, weights))
    best = float(np.exp(-np.where(sign > 0, size, -np.inf) / 6).min())
    found = find_points(
        settings("mist", "light"), [chamber, range(8)], {"chamber": chamber},
        [({"chamber": 2.0}, 1.0)], criterion="determinant", usual_units=0, starts=20,
        allowed=lambda x: ~((x[..., 0] > 0.5) & (x[..., 1] > 0.5)),
    )  # fmt: skip
    assert not (found.coded == 1).all(axis=1).any()
    assert found.score == pytest.approx(best, rel=1e-9)


def test_average_variance_is_the_mean_of_the_prediction_variance():
    """By Gauss-Legendre quadrature over the square."""
    rng = np.random.default_rng(3)
    coded = rng.uniform(-1, 1, (12, 2))
    weights = unit_weights({"batch": np.repeat(range(3), 4)}, {"batch": 0.7}, 1.3)
    nodes, each = np.polynomial.legendre.leggauss(4)
    grid = np.array(list(itertools.product(nodes, repeat=2)))
    times = np.prod(list(itertools.product(each / 2, repeat=2)), axis=1)
    mean = times @ prediction_variance(coded, weights, grid)
    assert average_variance(coded, weights) == pytest.approx(float(mean), rel=1e-10)


def test_todays_setting_is_in_and_what_the_room_cannot_hold_is_out():
    duty = SettingRange("duty_pct", 2, 10, usual=8, steps=range(2, 11))
    light = SettingRange("lux", 0, 800, usual=200, steps=range(0, 801, 100))
    found = find_points(
        [duty, light], [range(14)] * 2, {"none": range(14)}, ALIKE,
        allowed=lambda x: x.sum(axis=1) <= 0.8, usual_units=2, starts=6,
    )  # fmt: skip
    assert (found.values == [8, 200]).all(axis=1).sum() >= 2
    assert (found.coded.sum(axis=1) <= 0.8 + 1e-9).all()
    assert (found.coded.sum(axis=1) > 0.5).any()  # but the edge of what can be held is used


def test_units_that_are_too_few_are_refused():
    with pytest.raises(DesignError, match="6 terms: 6 units are too few"):
        find_points(settings("a", "b"), [range(6)] * 2, {"none": range(6)}, ALIKE)


def test_a_plan_over_a_range_of_variances_is_near_the_best_of_each():
    """Within 5 % of the plan made for each end of the range alone."""
    batch, chamber = np.repeat(range(2), 6), np.tile(range(6), 2)
    parts = {"batch": batch, "chamber": chamber}
    ends = [({"batch": 1.0, "chamber": v}, 1.0) for v in (0.01, 4.0)]
    duty = [SettingRange("duty_pct", 2, 10, usual=6, steps=range(2, 11))]
    both = find_points(duty, [range(12)], parts, ends, starts=15)
    for variances, rest in ends:
        alone = find_points(duty, [range(12)], parts, [(variances, rest)], starts=15)
        weights = unit_weights(parts, variances, rest)
        assert average_variance(both.coded, weights) < 1.05 * alone.score


def test_what_a_plan_repeats_and_how_often_it_stands_at_today_is_counted(make_trial):
    """12 runs by hand: 3 at today's 20 s of 240 s, 4 at 2 %, 4 at 10 % and 1 at 5 %."""
    trial = make_trial(
        "structure = '(batch * chamber) / block'\nbatch = 3\nchamber = 4\nblock = 2\nflushes = 1",
        {"mist": ("batch:chamber", [], "control = 'usual'\n"
                  "range = { duty_pct = [2, 10], on_s = 20, step = 0.5 }\n"
                  "levels.usual = { on_s = 20, off_s = 220 }")},
    )  # fmt: skip
    runs = ["usual"] * 3 + ["2 %"] * 4 + ["10 %"] * 4 + ["5 %"]
    units = list(itertools.product(("B1", "B2", "B3"), ("C1", "C2", "C3", "C4"), (1, 2)))
    table = pd.DataFrame(units, columns=["batch", "chamber", "block"])
    table["mist"] = np.repeat(runs, 2)
    said = [str(sentence) for sentence in surface_sentences(trial, SimpleNamespace(table=table))]
    assert (
        "4 different settings are tried, 8 of the places repeat one of them; "
        "units with today's settings: 3."
    ) in said
