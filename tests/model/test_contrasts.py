"""Polynomial contrasts against printed tables and R."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.errors import ModelError
from trialkit.model.answers.contrasts import polynomial_contrasts

# Fisher and Yates (1963), Statistical Tables, table XXIII: coefficients for equal spacing.
PRINTED = {
    3: [[-1, 0, 1], [1, -2, 1]],
    4: [[-3, -1, 1, 3], [1, -1, -1, 1], [-1, 3, -3, 1]],
    5: [[-2, -1, 0, 1, 2], [2, -1, -2, -1, 2], [-1, 2, 0, -2, 1], [1, -4, 6, -4, 1]],
    6: [
        [-5, -3, -1, 1, 3, 5],
        [5, -1, -4, -4, -1, 5],
        [-5, 7, 4, -4, -7, 5],
        [1, -3, 2, 2, -3, 1],
        [-1, 5, -10, 10, -5, 1],
    ],
}


@pytest.mark.parametrize("size", list(PRINTED))
def test_equal_spacing_equals_the_printed_table(size):
    got = polynomial_contrasts(np.arange(size) * 7.5 + 3)
    assert np.array_equal(got.to_numpy(), np.array(PRINTED[size]))


def test_unequal_spacing():
    """Levels 0, 1, 2, 4: by hand from sums of powers, as in Robson (1959)."""
    got = polynomial_contrasts([0, 1, 2, 4], degree=2).to_numpy()
    assert np.array_equal(got, [[-7, -3, 1, 9], [7, -4, -8, 5]])


@given(st.lists(st.integers(-50, 50), min_size=2, max_size=7, unique=True))
@settings(max_examples=60, deadline=None)
def test_contrasts_are_orthogonal_and_of_their_degree(values):
    rows = polynomial_contrasts(values).to_numpy()
    rows = rows / np.linalg.norm(rows, axis=1, keepdims=True)
    assert np.allclose(rows @ rows.T, np.eye(len(rows)), atol=1e-8)
    x = np.array(values, dtype=float)
    x = (x - x.mean()) / np.abs(x - x.mean()).max()
    for power in range(1, len(rows) + 1):
        for lower in range(power):  # blind to every lower power
            assert rows[power - 1] @ x**lower == pytest.approx(0, abs=1e-7)
        assert rows[power - 1][int(np.argmax(values))] > 0


def test_bad_levels_are_refused():
    with pytest.raises(ModelError, match="own finite number"):
        polynomial_contrasts([1.0, 1.0, 2.0])
    with pytest.raises(ModelError, match="degree 1 to 2"):
        polynomial_contrasts([1.0, 2.0, 3.0], degree=3)
