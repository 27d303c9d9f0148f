"""The air's own temperature from a log whose thermometer is slow.

Mist cools the air within seconds; a thermometer in a housing follows minutes later, and humidity
worked out with its reading is off. So the reading is fitted as what the mist does to the air,
seen through a lag:

    T = base + b q,   q' = on − q / w,   reading' = (T − reading) / lag

with w the time in which walls and fresh air warm the air again, the base in straight lines.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from trialkit.arrays import Floats

#: Least effect of the mist on the reading that can be told [°C], and share explained [–].
LEAST_EFFECT_C, LEAST_R2 = 0.15, 0.9
#: Lags tried [s] and times of warming tried [s].
LAGS_S = (0.0, 10.0, 20.0, 40.0, 70.0, 110.0, 160.0, 230.0)
WARMINGS_S = tuple(float(w) for w in np.geomspace(90.0, 4000.0, 10))
#: Steps of the mist's course at most, and readings by which its constants are searched.
_MOST_STEPS, _FEW = 6000, 1000


@dataclass(frozen=True)
class AirTemp:
    """The air's temperature at nodes.

    Parameters
    ----------
    node_s, temp_c : array, shape (k,)
        Moments and temperature of the air.
    lag_s : float
        Lag of the thermometer [s]; NaN where the log does not tell it, and then the temperature
        is that of the readings.
    apart_c : array, shape (k, q)
        What the readings leave open: changes of the temperature at the nodes [°C], independent
        of each other, each by its standard error.
    """

    node_s: Floats
    temp_c: Floats
    lag_s: float
    apart_c: Floats


def estimate_air_temp(
    time_s: Floats, temp_c: Floats, begin_s: Floats, end_s: Floats, *, drift_h: float = 2.0
) -> AirTemp:
    """Estimate the air's temperature from readings and the times of the mist.

    Parameters
    ----------
    time_s, temp_c : array, shape (n,)
        Readings [s, °C], the first at 0.
    begin_s, end_s : array, shape (m,)
        Mist intervals [s].
    drift_h : float
        Hours between the knots of the slow base.
    """
    from scipy.optimize import minimize

    plain = AirTemp(time_s, temp_c, float("nan"), np.zeros((len(time_s), 0)))
    last = float(time_s[-1])
    step = max(2.0, last / _MOST_STEPS)
    if len(time_s) < 30 or np.ptp(temp_c) < LEAST_EFFECT_C or last < 1800 or last > 48 * 3600:
        return plain
    grid = np.arange(0.0, last + step, step)
    on = _share_on(grid, step, begin_s, end_s)
    knots = np.linspace(0.0, last, max(2, round(last / 3600 / drift_h) + 1))
    base = np.column_stack([np.interp(time_s, knots, row) for row in np.eye(len(knots))])
    few = slice(None, None, max(1, len(time_s) // _FEW))  # enough to search by
    few_base, few_temp = base[few], temp_c[few]
    ridge = 1e-9 * len(few_temp) * np.eye(len(knots) + 2)

    @lru_cache(maxsize=16)
    def unlagged(warming: float) -> tuple[Floats, Floats]:
        # what the mist does, and the log not at rest as it begins
        return _decay(on, warming, step), np.exp(-grid / warming)

    def columns(warming: float, lag: float, at: Floats, slow: Floats) -> tuple[Floats, Floats]:
        cooled, begin = unlagged(warming)
        seen = [np.interp(at, grid, _lag(part, lag, step)) for part in (cooled, begin)]
        return np.column_stack([slow, *seen]), np.column_stack([cooled, begin])

    def miss(theta: Floats) -> float:
        if not (60 < theta[0] < 7200 and 0 <= theta[1] < 400):
            return float("inf")
        x, _ = columns(float(theta[0]), float(theta[1]), time_s[few], few_base)
        try:  # by the small cross-products: quicker, and close enough to search by
            beta = np.linalg.solve(x.T @ x + ridge, x.T @ few_temp)
        except np.linalg.LinAlgError:
            return float("inf")
        return float(np.sum((few_temp - x @ beta) ** 2))

    # a lag longer than the warming is the same course with the two changed about
    pairs = [(w, lag) for w in WARMINGS_S for lag in LAGS_S if lag < w]
    start = min(pairs, key=lambda pair: miss(np.array(pair)))
    found = minimize(
        miss,
        np.array(start),
        method="Nelder-Mead",
        options={"maxfev": 80, "xatol": 1.0, "fatol": 1e-6},
    )
    warming, lag = (float(v) for v in found.x)
    x, parts = columns(warming, lag, time_s, base)
    beta = np.linalg.lstsq(x, temp_c, rcond=None)[0]
    effect = float(np.ptp(parts[:, 0]) * abs(beta[-2]))
    slow = base @ np.linalg.lstsq(base, temp_c, rcond=None)[0]
    left = float(np.sum((temp_c - x @ beta) ** 2))
    r2 = 1 - left / max(float(np.sum((temp_c - slow) ** 2)), 1e-12)
    noise = float(np.sqrt(left / len(time_s)))
    if effect < LEAST_EFFECT_C or (r2 < LEAST_R2 and noise > 0.1):
        return plain
    nodes = time_s if np.median(np.diff(time_s)) <= 5 else grid[grid <= last]
    slow_at = np.column_stack([np.interp(nodes, knots, row) for row in np.eye(len(knots))])

    def at_nodes(warming: float) -> Floats:
        _, alone = columns(warming, 0.0, time_s[:1], base[:1])
        return np.column_stack([slow_at, *(np.interp(nodes, grid, part) for part in alone.T)])

    air = at_nodes(warming) @ beta
    away = np.abs(air - np.interp(nodes, time_s, temp_c))
    if not away.max() < 3 * np.ptp(temp_c) + 0.5:  # no air does that: the course is not mist's
        return plain
    further, slower = warming * 1.01, lag + max(3.0, step)
    turned = (columns(further, lag, time_s, base)[0] - x) @ beta / (further - warming)
    lagged = (columns(warming, slower, time_s, base)[0] - x) @ beta / (slower - lag)
    moved = (at_nodes(further) - at_nodes(warming)) @ beta / (further - warming)
    apart = _directions(
        np.column_stack([x, turned, lagged]),
        np.column_stack([at_nodes(warming), moved, np.zeros(len(nodes))]),
        temp_c - x @ beta,
    )
    return AirTemp(np.asarray(nodes), np.asarray(air), lag, apart)


def _directions(seen: Floats, air: Floats, residual: Floats) -> Floats:
    """Carry the errors of a fit over to the air, as independent changes by a standard error.

    The constants' covariance is s² (X'X)⁻¹, X their effect on the readings, s² that of the
    residuals, greater where neighbours agree (as in `trialkit.chamber.roomfit`).
    """
    size = np.sqrt(np.einsum("ij,ij->j", seen, seen))
    size[size == 0] = 1.0
    values, vectors = np.linalg.eigh((seen / size).T @ (seen / size))
    values = np.maximum(values, 1e-10 * values.max())
    r = float(np.corrcoef(residual[:-1], residual[1:])[0, 1]) if np.ptp(residual) > 0 else 0.0
    alike = (1 + max(r, 0.0)) / max(1 - max(r, 0.0), 1e-3)
    spread = float(residual @ residual) / max(len(residual) - seen.shape[1], 1)
    return np.asarray((air / size) @ (vectors / np.sqrt(values)) * np.sqrt(spread * alike))


def _share_on(grid: Floats, step: float, begin_s: Floats, end_s: Floats) -> Floats:
    """Give the share of each step with mist on."""
    edges = np.append(grid, grid[-1] + step)
    moments = np.concatenate([begin_s, end_s])
    order = np.argsort(moments, kind="stable")
    slope = np.concatenate([np.ones(len(begin_s)), -np.ones(len(end_s))])[order]
    at = moments[order]
    so_far = np.concatenate([[0.0], np.cumsum(np.cumsum(slope)[:-1] * np.diff(at))])
    total = np.interp(edges, at, so_far, left=0.0, right=so_far[-1])
    return np.asarray(np.diff(total) / step)


def _decay(on: Floats, warming: float, step: float) -> Floats:
    """Solve q' = on − q / w over steps, from rest."""
    from scipy.signal import lfilter

    keeps = float(np.exp(-step / warming))
    q = lfilter([warming * (1 - keeps)], [1.0, -keeps], on)
    return np.concatenate([[0.0], q[:-1]])


def _lag(values: Floats, lag: float, step: float) -> Floats:
    """Follow values with a first-order lag, the sensor at rest as they begin."""
    from scipy.signal import lfilter

    if lag < step / 4:
        return values
    keeps = float(np.exp(-step / lag))
    middle = np.concatenate([[values[0]], (values[1:] + values[:-1]) / 2])
    start = [values[0] * keeps]
    return np.asarray(lfilter([1 - keeps], [1.0, -keeps], middle, zi=start)[0])
