"""Sums of exponentials between and at the borders of their formulas."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

from trialkit.chamber.exponentials import (
    first_rise,
    keep_apart,
    lagged,
    lagged_array,
    phi_array,
    phi_integral,
    phi_integral_array,
)


@pytest.mark.parametrize("rate", [5e-4, -5e-4, 9e-4])
def test_a_slow_push_after_a_lag_is_not_taken_for_a_steady_one(rate: float) -> None:
    """∫ φ(u) e^(−(t−u)/10)/10 du by quadrature; a steady push is a thousandth and more off."""
    for t in (8.0, 40.0):
        want = quad(
            lambda u: math.expm1(rate * u) / rate * math.exp(-(t - u) / 10) / 10,  # noqa: B023
            0, t, epsabs=1e-13,
        )[0]  # fmt: skip
        assert lagged(rate, 10.0, t) == pytest.approx(want, rel=1e-7)
        assert lagged_array(rate, 10.0, np.array([t]))[0] == pytest.approx(want, rel=1e-7)


def test_no_rate_is_a_straight_line() -> None:
    """φ(0, t) = t, ∫φ = t²/2."""
    t = np.array([0.0, 0.5, 40.0])
    assert phi_array(0.0, t).tolist() == t.tolist()
    assert phi_integral_array(0.0, t).tolist() == pytest.approx((t * t / 2).tolist())
    assert phi_integral(0.0, 40.0) == 800.0


@pytest.mark.parametrize("x", [-0.0009, 0.0009])
def test_the_series_to_fifteen_digits(x: float) -> None:
    """Σ x^k/(k+2)!, at an end of where it is used."""
    want = math.fsum(x**k / math.factorial(k + 2) for k in range(12))
    assert phi_integral(x, 1.0) == pytest.approx(want, rel=2e-15)
    assert phi_integral_array(x, np.array([1.0]))[0] == pytest.approx(want, rel=2e-15)


def test_rises_are_looked_for_up_to_the_end_and_no_further() -> None:
    """A cosine rises at 4.71; a parabola that rises and falls within the first eighth."""
    assert first_rise(math.cos, 4.4) is None
    assert first_rise(math.cos, 4.72) == pytest.approx(1.5 * math.pi, abs=1e-12)
    early = first_rise(lambda t: -(t - 0.05) * (t - 0.2), 1.0)
    assert early == pytest.approx(0.05, abs=1e-12)
    late = first_rise(lambda t: t - 0.97, 1.0)
    assert late == pytest.approx(0.97, abs=1e-12)


def test_what_has_risen_is_not_below_nought() -> None:
    """At the moment given it has happened, and a hundred-millionth before it has not."""
    for want in (0.123456789, 3.3, 77.7):

        def rises(t: float) -> float:
            return math.expm1(t - want)  # noqa: B023

        found = first_rise(rises, 100.0)
        assert found is not None
        assert rises(found) >= 0 > rises(found * (1 - 1e-8))


def test_slower_and_faster_rates_are_kept_apart_by_sign() -> None:
    assert keep_apart(-1.0, -1.0 - 0.9e-6) == pytest.approx(-1.0 + 0.1e-6, abs=1e-9)
    assert keep_apart(-1.0, -1.0 - 1.1e-6) == -1.0
