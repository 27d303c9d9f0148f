"""What a further trial is worth: closed forms, integrals and brute force."""

import math

import numpy as np
import pytest
from scipy import integrate, stats

from trialkit.settings.polynomial import terms
from trialkit.surface.expected_gain import (
    Belief,
    believed_share,
    chance_of_more,
    expected_improvement,
    gain_of_trial,
    information_of,
)
from trialkit.surface.pick_settings import pick_settings


@pytest.mark.parametrize("mean", [-1.3, 0.0, 0.7])
@pytest.mark.parametrize("df", [3.0, 9.0, math.inf])
def test_expected_improvement_is_its_integral(mean, df):
    """Numerical integral of x f(x) over gains, by scipy."""
    law = stats.norm(mean, 0.8) if math.isinf(df) else stats.t(df, mean, 0.8)
    whole = integrate.quad(lambda x: x * law.pdf(x), 0, np.inf)[0]
    assert expected_improvement(mean, 0.8, df) == pytest.approx(whole, rel=1e-6)


def test_expected_improvement_of_a_normal_by_hand():
    """Mean 1, sd 2: z = 0.5, Φ = 0.691462, φ = 0.352065: 0.691462 + 2 x 0.352065 = 1.395593."""
    assert expected_improvement(1.0, 2.0) == pytest.approx(1.395593, abs=1e-6)
    assert expected_improvement([2.0, -2.0], 0.0).tolist() == [2.0, 0.0]


@pytest.mark.parametrize(
    ("squares", "count", "df"), [(0.0, 2, 9.0), (8.0, 2, 9.0), (40.0, 5, 15.0)]
)
def test_the_share_believed_is_the_mean_of_its_law(squares, count, df):
    """The hyper-g law of the share with a = 3, written out here and integrated by scipy."""

    def law(s):
        left = 1 - s
        return left ** (count / 2 - 0.5) * (1 + left * squares / df) ** (-(df + count) / 2)

    mean = integrate.quad(lambda s: s * law(s), 0, 1)[0] / integrate.quad(law, 0, 1)[0]
    assert believed_share(squares, count, df) == pytest.approx(mean, abs=1e-5)


def test_what_a_plan_teaches_is_what_is_left_of_the_constant():
    """The covariance of all coefficients but the constant, from the inverse of the whole."""
    rng = np.random.default_rng(3)
    coded, half = rng.uniform(-1, 1, (12, 2)), rng.normal(size=(12, 12))
    weights = half @ half.T
    rows = terms(coded)
    whole = np.linalg.inv(rows.T @ weights @ rows)[1:, 1:]
    assert information_of(coded, weights) == pytest.approx(np.linalg.inv(whole), rel=1e-6)


@pytest.mark.parametrize("mean", [-0.5, 0.2, 1.5])
def test_the_worth_of_a_trial_of_two_settings_is_the_closed_form(mean):
    """One coefficient, today's setting and another: E max(0, m + s Z) - max(0, m).

    s² is the prior variance less what a trial of information 3 leaves: 1 - 1 / (1 + 3).
    """
    belief = Belief(np.array([mean]), np.eye(1), math.inf)
    got = gain_of_trial(belief, np.array([[3.0]]), np.array([[0.0], [1.0]]))
    s = math.sqrt(0.75)
    closed = mean * stats.norm.cdf(mean / s) + s * stats.norm.pdf(mean / s) - max(0, mean)
    assert got.expected == pytest.approx(closed, abs=0.03)
    assert got.known == max(0, mean)
    priced = gain_of_trial(
        belief, np.array([[3.0]]), np.array([[0.0], [1.0]]), price=2.0, dearer=[0.0, 2 * mean]
    )  # at no gain left on average: 2 s / sqrt(2 pi)
    assert priced.expected == pytest.approx(2 * s / math.sqrt(2 * math.pi), abs=0.05)


def test_a_trial_that_teaches_nothing_brings_nothing():
    belief = Belief(np.array([0.3, -0.2]), np.eye(2), 9.0)
    gains = np.array([[0.0, 0.0], [1.0, 0.5], [-1.0, 1.0]])
    got = gain_of_trial(belief, np.zeros((2, 2)), gains)
    assert got.expected == pytest.approx(0, abs=1e-12)
    assert (got.low, got.high, got.chance) == (0, 0, 0)


def test_the_expected_gain_is_that_of_choices_drawn_by_brute_force():
    """Draw a truth, a harvest of it and the choice after it by least squares and the prior.

    Nine units of known variance; the posterior mean worked out from the rows themselves.
    """
    belief = Belief(np.array([0.2, -0.4]), np.array([[0.5, 0.1], [0.1, 0.3]]), math.inf)
    coded = np.repeat([[-1.0], [0.0], [1.0]], 3, axis=0)
    grid = np.linspace(-1, 1, 9)[:, None]
    gains = (terms(grid) - terms([[0.5]]))[:, 1:]
    got = gain_of_trial(belief, information_of(coded, np.eye(9) / 0.4), gains, seed=2)
    rng, rows, more = np.random.default_rng(7), terms(coded)[:, 1:], []
    centred = rows - rows.mean(axis=0)
    prior = np.linalg.inv(belief.covariance)
    now = int((gains @ belief.mean).argmax())
    for _ in range(4000):
        truth = rng.multivariate_normal(belief.mean, belief.covariance)
        y = rows @ truth + rng.normal(0, math.sqrt(0.4), 9)
        told = prior @ belief.mean + centred.T @ (y - y.mean()) / 0.4
        mean = np.linalg.solve(prior + centred.T @ centred / 0.4, told)
        more.append(gains[int((gains @ mean).argmax())] @ truth - gains[now] @ truth)
    assert got.expected == pytest.approx(np.mean(more), abs=4 * np.std(more) / math.sqrt(4000))
    assert got.chance == pytest.approx(np.mean(np.array(more) > 0), abs=0.04)


def test_the_chance_that_more_is_to_be_had_is_the_normal_tail():
    """Today's is the best known (mean -0.5): more than 0.4 is P(-0.5 + Z > 0.4) = 1 - Φ(0.9)."""
    belief = Belief(np.array([-0.5]), np.eye(1), math.inf)
    got = chance_of_more(belief, np.array([[0.0], [1.0]]), 0.4)
    assert got == pytest.approx(stats.norm.sf(0.9), abs=0.02)


def test_each_setting_is_picked_for_gain_and_teaching_as_by_full_inversion():
    """The same rule with the whole covariance inverted anew at every step."""
    belief = Belief(np.array([0.3, -0.5]), np.array([[0.4, 0.1], [0.1, 0.6]]), 12.0)
    grid, usual, variance = np.linspace(-1, 1, 9)[:, None], np.array([0.5]), 0.3
    picked = pick_settings(belief, grid, usual, 8, variance=variance, over=grid, usual_units=2)
    prior = np.zeros((3, 3))
    prior[0, 0], prior[1:, 1:] = 1 / (1e4 * variance), np.linalg.inv(belief.covariance)
    used, home, rows = [terms([usual])[0]] * 2, terms([usual])[0], terms(grid)
    wanted = []
    for _ in range(6):

        def left(more=()):
            X = np.array([*used, *more])
            return np.linalg.inv(prior + X.T @ X / variance)

        gains = rows - home
        sd = np.sqrt(np.diag(gains @ left() @ gains.T))
        ei = expected_improvement(gains[:, 1:] @ belief.mean, sd, 12.0)
        mean_of = [np.mean(np.diag(gains @ left([r]) @ gains.T)) for r in rows]
        falls = np.mean(np.diag(gains @ left() @ gains.T)) - np.array(mean_of)
        wanted.append(int((ei / ei.max() + falls / falls.max()).argmax()))
        used.append(rows[wanted[-1]])
    assert picked.tolist() == wanted
