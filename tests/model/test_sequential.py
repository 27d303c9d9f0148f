"""Boundaries of several looks against published programs, closed forms and brute force."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import optimize, stats

from trialkit.errors import ModelError
from trialkit.model.sequential.boundaries import crossing_chances, spending_boundary
from trialkit.model.sequential.spending import error_spent
from trialkit.model.sequential.stage_levels import chances_by_look, stage_levels

REFERENCE = json.loads(Path(__file__).with_name("sequential_boundaries.json").read_text())
RULES = {"asOF": "late", "asP": "even"}


@pytest.mark.parametrize(
    "case", REFERENCE["boundaries"], ids=lambda c: f"{c['type']} {c['information']}"
)
def test_boundaries_are_those_of_another_program(case):
    """All twenty: equal parts and unequal ones; spending rules, and fixed shapes of boundary."""
    information = np.round(np.array(case["information"]) * 60, 6) / 60  # thirds were cut off
    if case["type"] in RULES:
        found = spending_boundary(0.025, information, RULES[case["type"]])
        spent = error_spent(0.025, information, RULES[case["type"]])
        assert spent == pytest.approx(case["alpha_spent"], abs=2e-8)
    else:
        shape = information ** (-0.5 if case["type"] == "OF" else 0.0)
        found = shape * optimize.brentq(
            lambda c: crossing_chances(information, c * shape).sum() - 0.025, 1.5, 4
        )
    assert found == pytest.approx(case["critical"], abs=1e-4)
    chances = crossing_chances(information, case["critical"])
    assert chances.cumsum() == pytest.approx(case["alpha_spent"], abs=2e-8)


def test_repeated_tests_at_five_per_cent():
    """Armitage, McPherson and Rowe (1969), table 2 (from memory): 2 to 5 looks, two-sided.

    Both sides are counted apart here, which counts a trial twice that crosses both: too seldom to
    be seen with these decimals.
    """
    for looks, error in ((2, 0.083), (3, 0.107), (4, 0.126), (5, 0.142)):
        one_side = crossing_chances(range(1, looks + 1), [stats.norm.isf(0.025)] * looks).sum()
        assert 2 * one_side == pytest.approx(error, abs=6e-4)


def test_two_looks_are_a_bivariate_normal():
    """Chances from the correlation √(I1/I2), with and without a drift."""
    for drift in (0.0, 1.3):
        information, critical = np.array([0.7, 2.0]), np.array([2.1, 1.8])
        mean = drift * np.sqrt(information)
        r = np.sqrt(0.35)
        both_below = stats.multivariate_normal(mean, [[1, r], [r, 1]]).cdf(critical)
        first = stats.norm.sf(critical[0] - mean[0])
        found = crossing_chances(information, critical, drift=drift)
        assert found == pytest.approx([first, 1 - both_below - first], abs=1e-5)


def test_spending_by_hand():
    assert error_spent(0.025, [0.5], "steady") == pytest.approx([0.0125])
    assert error_spent(0.025, [0.4, 1], "even")[0] == pytest.approx(0.0130784, abs=1e-7)
    late = 2 * stats.norm.sf(stats.norm.isf(0.0125) / np.sqrt(0.3))
    assert error_spent(0.025, [0.3], "late") == pytest.approx([late])


@pytest.mark.parametrize("shares", [[], [0.0, 1.0], [0.6, 0.5], [0.5, 1.2]])
def test_shares_that_are_none_are_refused(shares):
    with pytest.raises(ModelError, match="must rise"):
        error_spent(0.025, shares)


def test_levels_without_limit_of_df_are_those_of_the_boundary():
    """One comparison with its error known: drawn trials are not needed; nearly known: agree."""
    shares = [0.3, 0.6, 1.0]
    exact = stats.norm.sf(spending_boundary(0.025, shares))
    assert stage_levels(0.025, shares, [np.inf] * 3) == pytest.approx(exact, rel=1e-9)
    drawn = stage_levels(0.025, shares, [1900.0] * 3)
    assert drawn == pytest.approx(exact, rel=0.03)  # 600 000 draws of each direction


@pytest.mark.parametrize("rule", ["late", "even"])
@pytest.mark.parametrize("groups", [2, 3])
def test_levels_hold_over_all_looks_in_drawn_trials(rule, groups):
    """Blocks of one unit per group come in; at each look Dunnett's test of every group.

    Ordinary least squares by hand; joint critical values from `scipy.stats` draws of the same
    layout. 120 000 trials: standard error of 2.5 % is 0.045 points.
    """
    rng, trials, blocks = np.random.default_rng(4), 120_000, (3, 5, 8)
    y = rng.standard_normal((trials, 8, groups))
    df = [(groups - 1) * (n - 1) for n in blocks]
    levels = stage_levels(0.025, [n / 8 for n in blocks], df, spending=rule, comparisons=groups - 1)
    crossed = np.zeros(trials, dtype=bool)
    by_rule, plain = [], []
    for n, nu, level in zip(blocks, df, levels, strict=True):
        part = y[:, :n]
        means = part.mean(axis=1)
        rest = part - means[:, None] - part.mean(axis=2, keepdims=True)
        rest += part.mean(axis=(1, 2))[:, None, None]
        error = (rest**2).sum(axis=(1, 2)) / nu
        t = ((means[:, 1:] - means[:, :1]) / np.sqrt(2 * error / n)[:, None]).max(axis=1)
        own = rng.standard_normal((1_000_000, groups))  # the law of the largest t, drawn apart
        largest = (own[:, 1:] - own[:, :1]).max(axis=1) / np.sqrt(2)
        largest /= np.sqrt(rng.chisquare(nu, len(own)) / nu)
        crossed |= t > np.quantile(largest, 1 - level)
        by_rule.append(crossed.mean())
        plain.append(t > np.quantile(largest, 0.975))
    assert by_rule[-1] == pytest.approx(0.025, abs=0.0022)
    assert by_rule[0] == pytest.approx(error_spent(0.025, [3 / 8], rule)[0], abs=0.0015)
    assert np.any(plain, axis=0).mean() > 0.04  # what the levels are there for


def test_chances_by_look_are_those_of_the_recursion():
    """Known error: each look alone has a normal chance, together the recursion's."""
    shares, critical, drift = [0.4, 0.7, 1.0], np.array([2.9, 2.4, 2.0]), 2.6
    alone = stats.norm.sf(critical - drift * np.sqrt(shares))
    found = chances_by_look(shares, [np.inf] * 3, stats.norm.sf(critical), alone)
    expected = crossing_chances(shares, critical, drift=drift)
    assert found == pytest.approx(expected, abs=0.006)  # 100 000 draws


def test_a_look_that_cannot_answer_answers_nothing():
    assert chances_by_look([0.5, 1.0], [2, 6], [0.001, 0.024], [0.0, 0.5])[0] == 0.0


def test_levels_need_df_for_every_look():
    with pytest.raises(ModelError, match="1 degrees of freedom are given for 2 looks"):
        stage_levels(0.025, [0.5, 1.0], [3.0])
