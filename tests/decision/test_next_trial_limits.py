"""Limits for the next trial: the law they are made of, drawn by brute force, and what they hold."""

import math

import numpy as np
import pytest
from scipy import stats

from trialkit.decision.next_trial_limits import next_trial_limits


def drawn(y, v, shares, draws=20_000, seed=1):
    """Draw chi-squared values, solve each for the variance between trials, draw the next trial."""
    rng = np.random.default_rng(seed)

    def squares(tau2):
        w = 1 / (v + tau2[:, None])
        mean = (w * y).sum(axis=1) / w.sum(axis=1)
        return (w * (y - mean[:, None]) ** 2).sum(axis=1), mean, w.sum(axis=1)

    u = rng.chisquare(len(y) - 1, draws)
    low, high = np.zeros(draws), np.full(draws, 1e8)
    for _ in range(90):  # halved from 1e8 to below 1e-18
        middle = (low + high) / 2
        more = squares(middle)[0] > u
        low, high = np.where(more, middle, low), np.where(more, high, middle)
    tau2 = np.where(squares(np.zeros(draws))[0] > u, high, 0.0)
    _, mean, weight = squares(tau2)
    ahead = rng.normal(rng.normal(mean, 1 / np.sqrt(weight)), np.sqrt(tau2))
    return np.quantile(ahead, shares)


@pytest.mark.parametrize("seed", range(3))
def test_limits_are_quantiles_of_the_law_drawn_by_brute_force(seed):
    rng = np.random.default_rng(seed)
    v = rng.uniform(0.001, 0.004, 6)
    y = rng.normal(0, np.sqrt(v + 0.002 * seed))
    low, high = next_trial_limits(y, v, level=0.9)
    width = high - low
    assert [low, high] == pytest.approx(drawn(y, v, [0.05, 0.95]), abs=0.03 * width)


def test_two_equal_errors_by_hand():
    """Variance between is max(0, d² / 2u - v), so the middle of a mixture over u of 1 df.

    d = 0.4, v = 0.01: at each u the next trial is normal about 0 with variance
    (v + tau²) / 2 + tau², whose distribution function is averaged by numerical integration.
    """
    high = next_trial_limits([0.2, -0.2], [0.01, 0.01])[1]

    def share(x):
        def one(q):
            u = stats.chi2.ppf(q, 1)
            tau2 = max(0.0, 0.16 / (2 * u) - 0.01)
            return stats.norm.cdf(x, scale=math.sqrt((0.01 + tau2) / 2 + tau2))

        return np.mean([one((i + 0.5) / 4000) for i in range(4000)])

    assert share(high) == pytest.approx(0.975, abs=0.0005)


def test_limits_are_as_wide_as_errors_alone_where_trials_agree_and_hold_where_they_differ():
    """300 pools of eight trials, SD between them one and a half standard errors: 95 % ± 3.5 SE."""
    agree = next_trial_limits([0.0, 1e-4, -1e-4, 0.0] * 10, [0.01] * 40)
    assert agree[1] == pytest.approx(1.96 * 0.1 / math.sqrt(40), rel=1e-3)
    rng, held = np.random.default_rng(5), 0
    for _ in range(300):
        truth = rng.normal(0, 0.06, 9)
        low, high = next_trial_limits(truth[:8] + rng.normal(0, 0.04, 8), np.full(8, 0.0016))
        held += low <= truth[8] <= high
    assert held / 300 > 0.95 - 3.5 * math.sqrt(0.95 * 0.05 / 300)
