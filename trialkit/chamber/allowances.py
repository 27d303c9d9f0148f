"""What a fit of a room takes for known and is not: columns by which it moves the readings.

The air's temperature is worked out from its own readings and has errors of its own; wet crop and
walls pull the air towards the fullness that goes with its temperature, not towards the incoming
air. Each is a number whose distribution is known beforehand and whose effect on the readings is
nearly linear, so that readings and distribution can settle it together.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from trialkit import air
from trialkit.arrays import Floats
from trialkit.chamber.constants import saturation_line
from trialkit.chamber.course import Course, predict_readings
from trialkit.chamber.room import SURFACE_HEAT_W_M2_K, TRANSFER_M_H

#: Most wet surface of crop and blocks that stands in a chamber [m² per m³]; judged.
MOST_CROP_PER_M = 0.5
#: Steps of the grid on which effects are followed, at most; finest step [s].
_MOST_STEPS, _FINEST_S = 6000, 2.0


@dataclass(frozen=True)
class Allowances:
    """Numbers that a fit does not know, in units of their own standard deviation.

    Parameters
    ----------
    columns : array, shape (n, q)
        Change of the readings by one standard deviation of each [% RH].
    middle : array, shape (q,)
        Where the middle of its distribution lies, in standard deviations from what the fit took.
    wet_spread : float
        Standard deviation of the share of the pull that is the wet surfaces'; theirs is the last
        column. 0 where nothing wet stands in the chamber.
    """

    columns: Floats
    middle: Floats
    wet_spread: float = 0.0


@dataclass(frozen=True)
class Settled:
    """A fit and its allowances brought together.

    Parameters
    ----------
    x : array, shape (p,)
        The unknowns.
    cov : array, shape (p, p)
        Their covariance.
    found : array, shape (q,)
        The allowances found, in their standard deviations.
    freedom : float
        Independent readings behind the spread of the residuals, less the unknowns.
    alike : float
        Correlation of neighbouring residuals.
    """

    x: Floats
    cov: Floats
    found: Floats
    freedom: float
    alike: float


def find_allowances(
    course: Course, values: dict[str, Any], *, empty: bool, taken: float = 0.0
) -> Allowances:
    """Give the columns of a course for the constants found.

    Parameters
    ----------
    course : Course
    values : dict
        Arguments of `predict_readings`.
    empty : bool
        Whether nothing wet stands in the chamber. If not, its pull is taken as equally likely
        anywhere from none to that of `MOST_CROP_PER_M` in still air.
    taken : float
        Share of the pull that was taken for theirs already.
    """
    last = float(course.time_s[-1])
    step = max(_FINEST_S, last / _MOST_STEPS)
    grid = np.arange(0.0, last + step, step)
    full = np.interp(grid, course.node_s, course.node_full)
    columns: list[Floats] = []
    middle: list[float] = []

    def read(change: Floats) -> None:
        """Follow a change of the humidity itself [% RH] through the sensor."""
        columns.append(np.interp(course.time_s, grid, _lag(change, values["lag_s"], step)))

    if course.temp_apart_c is not None and course.temp_apart_c.shape[1]:
        quick = {**values, "lag_s": 0.5, "shown": None}
        rh = np.interp(grid, course.time_s, predict_readings(course, **quick))
        for row in course.temp_apart_c.T:
            read(-rh * _rise(full) * np.interp(grid, course.node_s, row))
            middle.append(0.0)
    spread = 0.0
    if not empty:
        most = min(_most_pull_h(full) / values["n_h"], 1.0)  # share of the pull that is theirs
        spread = most / math.sqrt(12)
        read(100 * spread * _lag(full - full.mean(), 3600 / values["n_h"], step) / full)
        middle.append((most / 2 - taken) / spread)
    none = np.zeros((len(course.time_s), 0))
    return Allowances(
        np.column_stack(columns) if columns else none, np.array(middle, dtype=float), spread
    )


def settle(x: Floats, residual: Floats, jacobian: Floats, allowances: Allowances) -> Settled:
    """Bring a least-squares fit and its allowances together, by one linear step.

    Parameters
    ----------
    x : array, shape (p,)
        The solution of the readings alone.
    residual : array, shape (n,)
        Readings expected minus readings [% RH].
    jacobian : array, shape (n, p)
        Their derivatives.
    allowances : Allowances
        Columns of the same readings.

    Notes
    -----
    Least squares of ``(r + J d + G u)/s`` and ``u − m`` together: the mean and covariance of d
    where u is normal about m beforehand. The variance s² is that of the residuals times
    (1 + ρ)/(1 − ρ), ρ the correlation of neighbouring residuals if positive. Where all middles
    are 0 the solution stays, and what the allowances do to it is added to its covariance.
    """
    p, columns, middle = x.size, allowances.columns, allowances.middle
    if middle.size and not middle.any():
        return _carry(
            settle(x, residual, jacobian, _no_allowances(residual.size)), jacobian, columns
        )
    whole = np.column_stack([jacobian, columns])
    size = np.sqrt(np.einsum("ij,ij->j", whole, whole))
    size[size == 0] = 1e-8
    scaled = whole / size
    square, pull = scaled.T @ scaled, scaled.T @ residual
    known = np.append(np.zeros(p), 1 / size[p:] ** 2)
    left = residual
    for _ in range(1 + min(len(middle), 1)):  # what the allowances explain is no error
        spread, alike = _spread(left, p)
        information = square + spread * np.diag(known)
        values, vectors = np.linalg.eigh(information)
        inverse = (vectors / np.maximum(values, 1e-13 * values.max())) @ vectors.T
        aim = np.append(np.zeros(p), middle / size[p:])
        change = inverse @ (spread * aim - pull)
        left = residual + scaled @ change
    cov = spread * inverse / np.outer(size, size)
    inflate = (1 + max(alike, 0.0)) / max(1 - max(alike, 0.0), 1e-3)
    moved = change / size if len(middle) else np.zeros(p)
    freedom = max((residual.size - p) / inflate, 1.0)
    return Settled(x + moved[:p], np.asarray(cov[:p, :p]), moved[p:], freedom, alike)


def _no_allowances(count: int) -> Allowances:
    """Give allowances of nothing for so many readings."""
    return Allowances(np.zeros((count, 0)), np.zeros(0))


def _carry(alone: Settled, jacobian: Floats, columns: Floats) -> Settled:
    """Add to a solution's covariance B B', B = (J'J)⁻¹ J'G: what each column does to it."""
    size = np.sqrt(np.einsum("ij,ij->j", jacobian, jacobian))
    size[size == 0] = 1e-8
    scaled = jacobian / size
    moved, *_ = np.linalg.lstsq(scaled.T @ scaled, scaled.T @ columns, rcond=1e-12)
    moved = moved / size[:, None]
    found = np.zeros(columns.shape[1])
    return Settled(alone.x, alone.cov + moved @ moved.T, found, alone.freedom, alone.alike)


def _spread(residual: Floats, unknowns: int) -> tuple[float, float]:
    """Give the variance of residuals, neighbours that agree counted, and their correlation."""
    r = float(np.corrcoef(residual[:-1], residual[1:])[0, 1]) if np.ptp(residual) > 0 else 0.0
    inflate = (1 + max(r, 0.0)) / max(1 - max(r, 0.0), 1e-3)
    return float(residual @ residual) / (residual.size - unknowns) * inflate, r


def _rise(full: Floats) -> Floats:
    """Give by what share saturation rises with a degree, where it stands at `full` [g/m³]."""
    temps = np.linspace(-20.0, 60.0, 161)
    at = np.asarray(air.absolute_humidity_g_m3(temps, 100.0))
    return np.asarray(np.interp(full, at, np.gradient(np.log(at), temps)))


def _most_pull_h(full: Floats) -> float:
    """Give the most by which wet crop pulls, as air changes [1/h]."""
    temps = np.linspace(-20.0, 60.0, 161)
    at = np.asarray(air.absolute_humidity_g_m3(temps, 100.0))
    temp = float(np.interp(float(full.mean()), at, temps))
    slope = saturation_line(temp)[1]
    latent = float(air.latent_heat_kj_kg(temp))
    speed = TRANSFER_M_H / 3600
    return MOST_CROP_PER_M * TRANSFER_M_H / (1 + latent * slope * speed / SURFACE_HEAT_W_M2_K)


def _lag(values: Floats, lag: float, step: float) -> Floats:
    """Follow values with a first-order lag, from rest at 0."""
    from scipy.signal import lfilter

    keeps = math.exp(-step / lag)
    return np.asarray(lfilter([1 - keeps], [1.0, -keeps], values))
