"""Finding a room's rates: least squares on humidity readings, in two steps.

Given air changes, sensor lag and delay, the readings are linear in the mist's rate, the vapour
at the start and that of the incoming air (short of saturation). So the search goes over three
numbers, the rest solved inside it (Golub & Pereyra 1973, SIAM J. Numer. Anal. 10:413-432);
then all are adjusted together on the full model.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from trialkit.chamber.course import MOST_DELAY_S, Course, knot_weights, predict_readings
from trialkit.chamber.exponentials import Array

#: Smallest and largest values tried: air changes [1/h], mist [g/m³ per h], lag [s], delay [s].
BOUNDS = {
    "air_changes_h": (0.02, 200.0),
    "mist_g_m3_h": (0.05, 5000.0),
    "lag_s": (0.5, 1200.0),
    "delay_s": (-MOST_DELAY_S, MOST_DELAY_S),
}
_OPEN = 1e9  # a saturation that is never reached [g/m³]
_MANY = 2000  # readings used for the search


@dataclass(frozen=True)
class Solution:
    """The least-squares solution.

    Parameters
    ----------
    x : array, shape (p,)
        Logarithms of air changes, mist and lag; delay; vapour at the start; incoming air at
        each knot (if it is not known).
    residual : array, shape (n,)
        Readings expected minus readings, of the readings used [% RH].
    jacobian : array, shape (n, p)
        Their derivatives.
    """

    x: Array
    residual: Array
    jacobian: Array


def unpack(x: Array, outside: float | None) -> dict[str, Any]:
    """Give the arguments of `predict_readings` from a parameter vector."""
    n, a, lag = np.exp(x[:3])
    return {
        "n_h": float(n),
        "mist_g_m3_h": float(a),
        "lag_s": float(lag),
        "delay_s": float(x[3]),
        "first": float(x[4]),
        "outside": x[5:] if outside is None else outside,
    }


def find_rates(course: Course, *, saturated_above: float, outside: float | None) -> Solution:
    """Find the constants that bring the model closest to the readings.

    Parameters
    ----------
    course : Course
    saturated_above : float
        Readings above this take no part [% RH].
    outside : float or None
        Vapour of the incoming air [g/m³] if known.
    """
    from scipy.optimize import least_squares

    begin = _search(course.thin(_MANY), saturated_above, outside)
    knots = len(course.knots_s) if outside is None else 0
    names = ("air_changes_h", "mist_g_m3_h", "lag_s")
    low = np.array([*(math.log(BOUNDS[name][0]) for name in names), BOUNDS["delay_s"][0]])
    high = np.array([*(math.log(BOUNDS[name][1]) for name in names), BOUNDS["delay_s"][1]])
    low = np.concatenate([low, np.zeros(1 + knots)])
    high = np.concatenate([high, np.full(1 + knots, 200.0)])
    used = course.rh_pct < saturated_above

    def residual(x: Array) -> Array:
        return (predict_readings(course, **unpack(x, outside)) - course.rh_pct)[used]

    result = least_squares(
        residual,
        np.clip(begin, low + 1e-6, high - 1e-6),
        bounds=(low, high),
        x_scale="jac",
        xtol=1e-8,
        ftol=1e-8,
        max_nfev=40,
    )
    return Solution(result.x, result.fun, result.jac)


def _search(course: Course, saturated_above: float, outside: float | None) -> Array:
    """Search air changes, lag and delay with the rest solved linearly, nothing saturating."""
    from scipy.optimize import least_squares

    used = course.rh_pct < saturated_above
    course = replace(course, switch_full=np.full_like(course.switch_full, _OPEN))
    drift = knot_weights(course.time_s, course.knots_s)[used]

    def solve(theta: Array) -> tuple[Array, Array]:
        rates: dict[str, Any] = {
            "n_h": math.exp(theta[0]),
            "lag_s": math.exp(theta[1]),
            "delay_s": theta[2],
        }

        def expect(mist: float, first: float, incoming: float) -> Array:
            return predict_readings(
                course, **rates, mist_g_m3_h=mist, first=first, outside=incoming
            )[used]

        by_mist, by_first = expect(1.0, 0.0, 0.0), expect(0.0, 1.0, 0.0)
        by_incoming = drift * expect(0.0, 0.0, 1.0)[:, None]  # drift is slow against the air
        columns, target = np.column_stack([by_mist, by_first, by_incoming]), course.rh_pct[used]
        if outside is not None:
            columns, target = columns[:, :2], target - outside * by_incoming.sum(axis=1)
        beta = _solve_linear(columns, target)
        if beta[0] < 0:  # mist adds vapour or nothing
            beta = np.append(0.0, _solve_linear(columns[:, 1:], target))
        return beta, np.asarray(columns @ beta - target)

    def miss(theta: Array) -> Array:
        return solve(theta)[1]

    grid = [
        np.array([math.log(n_h), math.log(lag), delay])
        for n_h in np.geomspace(0.5, 25.0, 6)
        for lag in (8.0, 50.0)
        for delay in (0.0, 40.0)
    ]
    start = min(grid, key=lambda theta: float(np.sum(miss(theta) ** 2)))
    edges = (BOUNDS["air_changes_h"], BOUNDS["lag_s"])
    low = np.array([*(math.log(edge[0]) for edge in edges), BOUNDS["delay_s"][0]])
    high = np.array([*(math.log(edge[1]) for edge in edges), BOUNDS["delay_s"][1]])
    found = least_squares(
        miss, start, bounds=(low, high), x_scale=(1.0, 1.0, 30.0), diff_step=1e-4, xtol=1e-7,
        ftol=1e-7, max_nfev=40,
    )  # fmt: skip
    beta, _ = solve(found.x)
    mist = max(float(beta[0]), BOUNDS["mist_g_m3_h"][0])
    return np.array([found.x[0], math.log(mist), found.x[1], found.x[2], *beta[1:]])


def _solve_linear(columns: Array, target: Array) -> Array:
    """Solve least squares by the small cross-products, columns scaled to one length."""
    size = np.sqrt(np.einsum("ij,ij->j", columns, columns))
    size[size == 0] = 1.0
    scaled = columns / size
    beta, *_ = np.linalg.lstsq(scaled.T @ scaled, scaled.T @ target, rcond=1e-12)
    return np.asarray(beta / size)
