"""Sums of exponentials: the pieces the closed solution is made of.

φ(λ, t) = (e^{λt} − 1)/λ is the answer of a first-order system to a constant push; it is t
where λ is zero.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable

import numpy as np

from trialkit.arrays import Floats


def phi_of(rate: float, t: float) -> float:
    """Give φ at one moment."""
    return math.expm1(rate * t) / rate if abs(rate * t) > 1e-10 else t


def phi_integral(rate: float, t: float) -> float:
    """Give the integral of φ from 0 to t."""
    x = rate * t
    if abs(x) > 1e-3:
        return (phi_of(rate, t) - t) / rate
    return t * t * (0.5 + x * (1 / 6 + x * (1 / 24 + x / 120)))


def phi_array(rate: float, t: Floats) -> Floats:
    """Give φ at many moments."""
    return np.asarray(np.expm1(rate * t) / rate) if rate else t


def phi_integral_array(rate: float, t: Floats) -> Floats:
    """Give the integral of φ up to many moments."""
    x = rate * t
    series = t * t * (0.5 + x * (1 / 6 + x * (1 / 24 + x / 120)))
    if not rate:
        return np.asarray(series)
    return np.where(np.abs(x) > 1e-3, (phi_array(rate, t) - t) / rate, series)


def split_modes(
    a: float, b: float, e: float, f: float, slopes: tuple[float, float]
) -> tuple[tuple[float, float], tuple[float, float], tuple[float, float]]:
    """Split the slopes of c and T over the two rates of [[a, b], [e, f]], b e ≥ 0."""
    c0, t0 = slopes
    if b * e == 0:
        return (a, f), (c0, 0.0), (0.0, t0)
    middle, gap = (a + f) / 2, math.hypot((a - f) / 2, math.sqrt(b * e))
    l1, l2 = middle + gap, middle - gap
    # projector on the first rate: (M − l2) / (l1 − l2)
    c1 = ((a - l2) * c0 + b * t0) / (l1 - l2)
    t1 = (e * c0 + (f - l2) * t0) / (l1 - l2)
    return (l1, l2), (c1, c0 - c1), (t1, t0 - t1)


def lagged(rate: float, lag: float, t: float) -> float:
    """Give φ(rate, ·) after a first-order lag, at one moment."""
    away = -math.expm1(-t / lag)
    if abs(rate) * lag < 1e-12:
        return t - lag * away
    factor, rate = _apart(rate, lag)
    return (math.expm1(rate * t) + away - away * factor) / (rate * factor)


def lagged_array(rate: float, lag: float, t: Floats) -> Floats:
    """Give φ(rate, ·) after a first-order lag, at many moments."""
    away = -np.expm1(-t / lag)
    if abs(rate) * lag < 1e-12:
        return np.asarray(t - lag * away)
    factor, rate = _apart(rate, lag)
    return np.asarray((np.expm1(rate * t) + away - away * factor) / (rate * factor))


def keep_apart(rate: float, other: float) -> float:
    """Keep two rates a millionth apart where they coincide; give the first."""
    if abs(rate - other) >= 1e-6 * abs(other):
        return rate
    return other * (1 - 1e-6)


def _apart(rate: float, lag: float) -> tuple[float, float]:
    """Keep the two rates a millionth apart where they coincide; give 1 + rate × lag, rate."""
    factor = 1 + rate * lag
    if abs(factor) >= 1e-6:
        return factor, rate
    return 1e-6, (1e-6 - 1) / lag


def first_rise(function: Callable[[float], float], end: float) -> float | None:
    """Give the first moment in (0, end] at which a function rises through zero.

    A function that starts at or above zero must first fall below it. Looked for on a grid of
    eight points, then narrowed to rounding (pieces are short against the rates).
    """
    before_t, before = 0.0, function(0.0)
    for k in range(1, 9):
        t = end * k / 8
        value = function(t)
        if before < 0 <= value:
            return _risen(function, before_t, t)
        before_t, before = t, value
    return None


def _risen(function: Callable[[float], float], low: float, high: float) -> float:
    """Find the moment of a rise to rounding, and none before it: there it has happened."""
    from scipy.optimize import brentq

    root = float(brentq(function, low, high, xtol=sys.float_info.min, rtol=4 * np.finfo(float).eps))
    step = math.ulp(root)
    while root < high and function(root) < 0:
        root, step = min(root + step, high), 2 * step
    return root
