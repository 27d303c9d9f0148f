"""The chance of the largest of several comparisons, against printed and computed tables."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from trialkit.model.inference.simultaneous import (
    _tail_by_points,
    _tail_by_product,
    largest_point,
    largest_tail,
    product_loadings,
    range_point,
    range_tail,
)


def equal_correlation(size: int, rho: float) -> np.ndarray:
    return np.full((size, size), rho) + (1 - rho) * np.eye(size)


# Dense quadrature (mpmath and numpy, agreeing to 1e-12) of Dunnett's integral at rho = 1/2,
# p = 1..6 treatments. Rounded to two decimals these are the entries of Dunnett (1955), J Am Stat
# Assoc 50:1096, tables 1a and 2a, and of Dunnett (1964), Biometrics 20:482.
DUNNETT = [
    ("two", 0.05, 5, [2.5705818356, 3.0302359466, 3.2931546508, 3.4758930163, 3.6151172309]),
    ("two", 0.05, 15, [2.1314495456, 2.4391901010, 2.6100320944, 2.7273124969, 2.8160983414]),
    ("two", 0.05, math.inf, [1.959963984, 2.212127747, 2.348970590, 2.441770773, 2.511463053]),
    ("two", 0.01, 10, [3.1692726726, 3.5313011969, 3.7386784419, 3.8834412725, 3.9942359076]),
    ("upper", 0.05, 10, [1.8124611228, 2.1506138268, 2.3375590695, 2.4655717824, 2.5623069447]),
    ("upper", 0.01, math.inf, [2.326347874, 2.557815944, 2.684853348, 2.771564621, 2.836975806]),
]


@pytest.mark.parametrize(("tails", "alpha", "df", "points"), DUNNETT)
def test_dunnett_points_equal_the_published_tables(tails, alpha, df, points):
    for size, expected in enumerate(points, 1):
        got = largest_point(1 - alpha, equal_correlation(size, 0.5), df, tails=tails)
        assert got == pytest.approx(expected, abs=1e-8)


def test_dunnett_1955_printed_one_sided_table():
    """Dunnett (1955), table 1a, one-sided 5 %: p = 2..6 treatments, printed to two decimals."""
    printed = {5: [2.44, 2.68, 2.85, 2.98, 3.08], 20: [2.03, 2.19, 2.30, 2.39, 2.46]}
    for df, row in printed.items():
        for size, expected in enumerate(row, 2):
            got = largest_point(0.95, equal_correlation(size, 0.5), df, tails="upper")
            assert round(got, 2) == expected


# Studentised range, dense quadrature; the same entries stand in Harter (1960), Ann Math Stat
# 31:1122, to the digits printed there. k = 2..7 means.
RANGE = [
    (0.05, 5.0, [3.635351695147, 4.601726054362, 5.218324875204, 5.673124435464, 6.032902708726]),
    (0.05, 10.0, [3.151064183329, 3.876776750013, 4.326582115731, 4.654292997854, 4.912015749343]),
    (0.01, 20.0, [4.023918007138, 4.639220082834, 5.018016131510, 5.293252519239, 5.509541656105]),
    (0.05, math.inf, [2.77180764870, 3.31449315540, 3.63315957490, 3.85765551038, 4.03009205318]),
]


@pytest.mark.parametrize(("alpha", "df", "points"), RANGE)
def test_range_points_equal_the_published_tables(alpha, df, points):
    for means, expected in enumerate(points, 2):
        assert range_point(1 - alpha, means, df) == pytest.approx(expected, abs=1e-8)


@pytest.mark.parametrize("df", [1.0, 2.6, 8.0, 43.2, 5000.0])
def test_range_tail_equals_scipy(df):
    """scipy.stats.studentized_range (1.17) is an independent quadrature, good to 1e-12."""
    for means in (2, 3, 7):
        for q in (0.2, 1.5, 4.0):
            expected = stats.studentized_range.sf(q, means, df)
            assert range_tail(q, means, df) == pytest.approx(expected, abs=1e-10)


@given(st.floats(0.0, 6.0), st.floats(0.5, 200.0))
@settings(max_examples=30, deadline=None)
def test_two_means_are_a_t_test(t, df):
    alone = 2 * stats.t.sf(t, df)
    assert range_tail(math.sqrt(2) * t, 2, df) == pytest.approx(alone, rel=1e-7, abs=1e-12)
    assert largest_tail(t, np.eye(1), df)[0] == pytest.approx(alone, rel=1e-12)


@pytest.mark.parametrize("df", [1e-6, 1e-3, 0.02])
def test_next_to_no_df_means_next_to_no_knowledge(df):
    """Such df come from a variance at its edge; the answer must stay a number."""
    alone = 2 * stats.t.sf(3.0, df)
    assert range_tail(math.sqrt(2) * 3.0, 2, df) == pytest.approx(alone, abs=1e-5)
    assert range_tail(5.0, 4, df) > 0.9
    assert range_point(0.95, 3, df) > 1e6
    assert largest_point(0.95, equal_correlation(3, 0.5), df) > 1e6


def test_tukey_is_the_largest_of_all_pairs():
    """Three pairs of three equal means have a range law and a (singular) t law: one chance."""
    pairs = np.array([[1.0, -1, 0], [1, 0, -1], [0, 1, -1]])
    correlation = pairs @ pairs.T / 2
    assert product_loadings(correlation) is None
    chance, error = largest_tail(2.4, correlation, 9.5)
    expected = range_tail(2.4 * math.sqrt(2), 3, 9.5)
    assert error < 1e-3
    assert chance == pytest.approx(expected, abs=error)


def test_points_and_product_form_agree():
    loadings = np.array([0.7, -0.2, 0.9, 0.45])
    correlation = np.outer(loadings, loadings)
    np.fill_diagonal(correlation, 1.0)
    assert np.allclose(np.abs(product_loadings(correlation)), np.abs(loadings))
    for tails in ("two", "upper"):
        exact = _tail_by_product(2.2, loadings, 7.7, tails)
        value, error = _tail_by_points(2.2, correlation, 7.7, tails)
        assert value == pytest.approx(exact, abs=max(2 * error, 1e-6))


def test_general_correlation_against_simulated_integration():
    """scipy.stats.multivariate_t, 4 million randomised lattice points: 0.1000906 ± 1e-6."""
    correlation = np.array([[1, 0.5, 0.1], [0.5, 1, -0.4], [0.1, -0.4, 1]])
    assert product_loadings(correlation) is None
    value, error = largest_tail(2.5, correlation, 7.0)
    assert value == pytest.approx(0.1000906, abs=2e-5)
    assert 0 < error < 5e-5
    point = largest_point(0.95, correlation, 7.0)
    assert largest_tail(point, correlation, 7.0)[0] == pytest.approx(0.05, abs=1e-8)


def test_the_same_question_gets_the_same_answer():
    correlation = np.array([[1, 0.5, 0.1], [0.5, 1, -0.4], [0.1, -0.4, 1]])
    assert largest_tail(2.1, correlation, 6.0) == largest_tail(2.1, correlation, 6.0)


@pytest.mark.parametrize("size", [2, 5])
def test_unrelated_and_identical_contrasts_bracket_the_truth(size):
    unrelated = largest_tail(2.0, np.eye(size), math.inf)[0]
    assert unrelated == pytest.approx(1 - (1 - 2 * stats.norm.sf(2.0)) ** size, rel=1e-9)
    same, _ = largest_tail(2.0, np.ones((size, size)), math.inf)
    assert same == pytest.approx(2 * stats.norm.sf(2.0), abs=1e-6)
