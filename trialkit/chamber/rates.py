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
from numpy.typing import NDArray

from trialkit.arrays import Floats
from trialkit.chamber.course import (
    FULL_ABOVE,
    MOST_DELAY_S,
    Course,
    fills_air,
    knot_weights,
    predict_readings,
)

#: Smallest and largest values tried: air changes [1/h], mist [g/m³ per h], lag [s], delay [s].
BOUNDS = {
    "air_changes_h": (0.02, 200.0),
    "mist_g_m3_h": (0.05, 5000.0),
    "lag_s": (0.5, 1200.0),
    "delay_s": (-MOST_DELAY_S, MOST_DELAY_S),
    "falls_h": (0.2, 200.0),
}
#: Falls of fog tried [1/h]: about 0.1 and 3 mm/s over a metre. Starts followed.
FALLS_TRIED, STARTS = (0.6, 10.0), 3
#: Residuals of this size leave nothing for another start to explain [% RH].
CLOSE_PCT = 0.5
_OPEN = 1e9  # a saturation that is never reached [g/m³]
#: Readings used for the search, and to follow several starts.
_MANY, _FEW = 1200, 500
#: Most readings of the last fit; of more, neighbours are averaged.
MOST_READINGS = 20_000


@dataclass(frozen=True)
class Solution:
    """The least-squares solution.

    Parameters
    ----------
    x : array, shape (p,)
        The unknowns, as `Layout` has them.
    residual : array, shape (n,)
        Readings expected minus readings, of the readings used [% RH].
    jacobian : array, shape (n, p)
        Their derivatives.
    """

    x: Floats
    residual: Floats
    jacobian: Floats


@dataclass(frozen=True)
class Layout:
    """Where each unknown stands in a parameter vector.

    Logarithms of air changes, mist and lag; delay; vapour as the log begins; what the sensor
    shows then; incoming air at each knot (unless known); logarithm of the fall of fog (if the
    air fills up).
    """

    knots: int
    outside: float | None
    fog: bool

    @property
    def incoming(self) -> slice:
        """Places of the incoming air."""
        return slice(6, 6 + (self.knots if self.outside is None else 0))

    def unpack(self, x: Floats) -> dict[str, Any]:
        """Give the arguments of `predict_readings` from a parameter vector."""
        n, a, lag = np.exp(x[:3])
        return {
            "n_h": float(n),
            "mist_g_m3_h": float(a),
            "lag_s": float(lag),
            "delay_s": float(x[3]),
            "first": float(x[4]),
            "shown": float(x[5]),
            "outside": x[self.incoming] if self.outside is None else self.outside,
            "falls_h": math.exp(min(float(x[-1]), 700.0)) if self.fog else math.inf,
        }

    def bounds(self, most_mist: float) -> tuple[Floats, Floats]:
        """Give least and most of every unknown."""
        names = ("air_changes_h", "mist_g_m3_h", "lag_s")
        low = [math.log(BOUNDS[name][0]) for name in names]
        high = [math.log(BOUNDS[name][1]) for name in names]
        high[1] = min(high[1], math.log(most_mist))
        low += [BOUNDS["delay_s"][0], 0.0, 0.0]
        high += [BOUNDS["delay_s"][1], 200.0, 120.0]
        count = self.incoming.stop - self.incoming.start
        low, high = low + [0.0] * count, high + [200.0] * count
        if self.fog:
            low.append(math.log(BOUNDS["falls_h"][0]))
            high.append(math.log(BOUNDS["falls_h"][1]))
        return np.array(low), np.array(high)


def find_rates(
    course: Course,
    *,
    saturated_above: float,
    outside: float | None,
    most_mist: float = math.inf,
) -> tuple[Solution, Layout]:
    """Find the constants that bring the model closest to the readings.

    The coarse search gives several starts; each is followed on a thinned log, unless the first
    fits as closely as a sensor can, and the best of them on all readings.

    Parameters
    ----------
    course : Course
    saturated_above : float
        Readings above this take no part [% RH].
    outside : float or None
        Vapour of the incoming air [g/m³] if known.
    most_mist : float
        Most that the fogger can give by its rating [g/m³ per h].
    """
    layout = Layout(len(course.knots_s), outside, bool((course.rh_pct > FULL_ABOVE).any()))
    course = course.as_read() if layout.fog else course
    bounds = layout.bounds(max(most_mist, 2 * BOUNDS["mist_g_m3_h"][0]))
    whole = course.average(MOST_READINGS)
    starts = _search(course.thin(_MANY), saturated_above, layout)
    if not layout.fog:
        result = _adjust(whole, starts[0], layout, saturated_above, bounds, 40)
        if fills_air(whole, **layout.unpack(result.x)):  # a slow sensor does not show it
            layout, course = replace(layout, fog=True), course.as_read()
            whole = course.average(MOST_READINGS)
            bounds = layout.bounds(max(most_mist, 2 * BOUNDS["mist_g_m3_h"][0]))
        elif 2 * result.cost <= CLOSE_PCT**2 * result.fun.size:
            # as close as a good sensor's noise: no other start does better
            return Solution(result.x, result.fun, result.jac), layout
    small = course.thin(_FEW)
    tried = [
        _adjust(
            small,
            start if falls is None else np.append(start, math.log(falls)),
            layout,
            saturated_above,
            bounds,
            15,
        )
        for start in starts
        for falls in (FALLS_TRIED if layout.fog else (None,))
    ]
    best = min(tried, key=lambda result: result.cost)
    result = _adjust(whole, best.x, layout, saturated_above, bounds, 40)
    return Solution(result.x, result.fun, result.jac), layout


def _adjust(
    course: Course,
    begin: Floats,
    layout: Layout,
    above: float,
    bounds: tuple[Floats, Floats],
    most: int,
) -> Any:
    """Adjust all unknowns together on the full model."""
    from scipy.optimize import least_squares

    slopes = Slopes(course, layout, course.rh_pct < above)
    begin = np.clip(begin, bounds[0] + 1e-6, bounds[1] - 1e-6)
    return least_squares(
        slopes.residual,
        begin,
        jac=slopes.jacobian,
        bounds=bounds,
        x_scale="jac",
        xtol=1e-6,
        ftol=1e-7,
        max_nfev=most,
    )


class Slopes:
    """Residuals of a log and their derivatives.

    Short of saturation the readings are linear in mist, incoming air and the two starts, whose
    derivatives are then known; the others are differences.

    Parameters
    ----------
    course : Course
    layout : Layout
    used : array of bool
        Readings that take part.
    """

    def __init__(self, course: Course, layout: Layout, used: NDArray[np.bool_]) -> None:
        self.course, self.layout, self.used = course, layout, used
        self.open = replace(course, switch_full=np.full_like(course.switch_full, _OPEN))
        self.drift = knot_weights(course.time_s, course.knots_s)[used]
        self.seen: tuple[bytes, Floats] | None = None

    def residual(self, x: Floats) -> Floats:
        """Give readings expected minus readings."""
        if self.seen is None or self.seen[0] != x.tobytes():
            expected = predict_readings(self.course, **self.layout.unpack(x))
            self.seen = x.tobytes(), (expected - self.course.rh_pct)[self.used]
        return self.seen[1]

    def jacobian(self, x: Floats) -> Floats:
        """Give the derivatives of the residuals, one column per unknown."""
        base = self.residual(x).copy()
        values = self.layout.unpack(x)
        out = np.empty((len(base), len(x)))
        linear = not self.layout.fog and not fills_air(self.course, **values)
        known = {1, 4, 5, *range(*self.layout.incoming.indices(len(x)))} if linear else set()
        if linear:
            self._fill_linear(out, values)
        for k in range(len(x)):
            if k in known:
                continue
            step = 1.5e-8 * max(1.0, abs(x[k]))
            moved = x.copy()
            moved[k] += step
            expected = predict_readings(self.course, **self.layout.unpack(moved))
            out[:, k] = ((expected - self.course.rh_pct)[self.used] - base) / (moved[k] - x[k])
        return out

    def _fill_linear(self, out: Floats, values: dict[str, Any]) -> None:
        """Fill the columns of mist, incoming air and the two starts."""
        rates = {name: values[name] for name in ("n_h", "lag_s", "delay_s")}

        def alone(mist: float, first: float, outside: float) -> Floats:
            made = predict_readings(
                self.open, **rates, mist_g_m3_h=mist, first=first, outside=outside, shown=0.0
            )
            return made[self.used]

        out[:, 1] = alone(values["mist_g_m3_h"], 0.0, 0.0)
        out[:, 4] = alone(0.0, 1.0, 0.0)
        out[:, 5] = np.exp(-self.course.time_s[self.used] / values["lag_s"])
        if self.layout.outside is None:  # drift is slow against the air
            out[:, self.layout.incoming] = self.drift * alone(0.0, 0.0, 1.0)[:, None]


def _search(course: Course, saturated_above: float, layout: Layout) -> list[Floats]:
    """Search air changes, lag and delay with the rest solved linearly, nothing saturating.

    Gives the best few starts that differ in their air changes.
    """
    from scipy.optimize import least_squares

    outside = layout.outside
    used = course.rh_pct < saturated_above
    course = replace(course, switch_full=np.full_like(course.switch_full, _OPEN))
    drift = knot_weights(course.time_s, course.knots_s)[used]

    def solve(theta: Floats) -> tuple[Floats, Floats]:
        rates: dict[str, Any] = {
            "n_h": math.exp(theta[0]),
            "lag_s": math.exp(theta[1]),
            "delay_s": theta[2],
        }

        def expect(mist: float, first: float, incoming: float) -> Floats:
            return predict_readings(
                course, **rates, mist_g_m3_h=mist, first=first, outside=incoming, shown=0.0
            )[used]

        by_mist, by_first = expect(1.0, 0.0, 0.0), expect(0.0, 1.0, 0.0)
        by_shown = np.exp(-course.time_s[used] / rates["lag_s"])
        by_incoming = drift * expect(0.0, 0.0, 1.0)[:, None]  # drift is slow against the air
        columns = np.column_stack([by_mist, by_first, by_shown, by_incoming])
        target = course.rh_pct[used]
        if outside is not None:
            columns, target = columns[:, :3], target - outside * by_incoming.sum(axis=1)
        beta = _solve_linear(columns, target)
        if beta[0] < 0:  # mist adds vapour or nothing
            beta = np.append(0.0, _solve_linear(columns[:, 1:], target))
        return beta, np.asarray(columns @ beta - target)

    def miss(theta: Floats) -> Floats:
        return solve(theta)[1]

    grid = [
        np.array([math.log(n_h), math.log(lag), delay])
        for n_h in np.geomspace(0.5, 25.0, 6)
        for lag in (8.0, 50.0)
        for delay in (0.0, 40.0)
    ]
    grid.sort(key=lambda theta: float(np.sum(miss(theta) ** 2)))
    edges = (BOUNDS["air_changes_h"], BOUNDS["lag_s"])
    low = np.array([*(math.log(edge[0]) for edge in edges), BOUNDS["delay_s"][0]])
    high = np.array([*(math.log(edge[1]) for edge in edges), BOUNDS["delay_s"][1]])
    found = least_squares(
        miss,
        grid[0],
        bounds=(low, high),
        x_scale=(1.0, 1.0, 30.0),
        diff_step=1e-4,
        xtol=1e-4,
        ftol=1e-4,
        max_nfev=25,
    )
    starts = [found.x]
    for theta in grid:
        if len(starts) < STARTS and all(abs(theta[0] - other[0]) > 0.5 for other in starts):
            starts.append(theta)
    out = []
    for theta in starts:
        beta, _ = solve(theta)
        mist = max(float(beta[0]), BOUNDS["mist_g_m3_h"][0])
        out.append(np.array([theta[0], math.log(mist), theta[1], theta[2], *beta[1:]]))
    return out


def _solve_linear(columns: Floats, target: Floats) -> Floats:
    """Solve least squares by the small cross-products, columns scaled to one length."""
    size = np.sqrt(np.einsum("ij,ij->j", columns, columns))
    size[size == 0] = 1.0
    scaled = columns / size
    beta, *_ = np.linalg.lstsq(scaled.T @ scaled, scaled.T @ target, rcond=1e-12)
    return np.asarray(beta / size)
