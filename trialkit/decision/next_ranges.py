"""Ranges of a next trial: narrower where the best is not, further where it may lie beyond."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from trialkit.arrays import Floats
from trialkit.surface.best_region import BestRegion
from trialkit.surface.fit_surface import Surface
from trialkit.trial import Factor

#: Room left beside the settings that may be the best, as a share of their width.
_BESIDE = 0.25
#: The same as a share of the whole range, at least.
_LEAST = 1 / 8
#: How far a range may go beyond what was tried, as a share of its width.
_BEYOND = 1 / 4
#: Values looked at where the trial file names no steps.
_VALUES = 9
#: Lowest and highest that can be, of what is tuned.
_BOUNDS = {
    "duty_pct": (0.5, 95.0),
    "start_below_rh": (30.0, 99.0),
    "lux": (0.0, math.inf),
    "ppfd_umol_m2_s": (0.0, math.inf),
    "hours": (0.0, 24.0),
}


@dataclass(frozen=True)
class NextRange:
    """The range of one setting in the next trial. Made by `next_ranges`.

    Parameters
    ----------
    name : str
        Treatment.
    tuned : str
        What is tuned, such as ``"duty_pct"``.
    low, high : float
    old_low, old_high : float
        What was tried so far.
    values : tuple of float
        Settings to choose among.
    """

    name: str
    tuned: str
    low: float
    high: float
    old_low: float
    old_high: float
    values: tuple[float, ...]

    @property
    def change(self) -> str:
        """``"beyond"`` where it leaves what was tried, ``"narrower"`` or ``"kept"``."""
        slack = 1e-6 * (self.old_high - self.old_low)
        if self.low < self.old_low - slack or self.high > self.old_high + slack:
            return "beyond"
        width = (self.high - self.low) / (self.old_high - self.old_low)
        return "narrower" if width < 1 - _LEAST / 2 else "kept"


def next_ranges(
    surface: Surface, region: BestRegion, factors: tuple[Factor, ...]
) -> list[NextRange]:
    """Work out the ranges of the next trial.

    Parameters
    ----------
    surface : Surface
    region : BestRegion
        Settings that may be the best.
    factors : tuple of Factor
        Treatments of the last trial, in the order of the surface's settings.

    Returns
    -------
    list of NextRange

    Notes
    -----
    A range keeps all settings that may be the best, and a quarter of their width beside them. It
    goes beyond what was tried only where they reach one end of it and not the other, by no more
    than a quarter of its width: out there the surface is a guess.
    """
    out = []
    for i, (setting, factor) in enumerate(zip(surface.settings, factors, strict=True)):
        low, high = region.limits()[i] if region.seen else (setting.low, setting.high)
        assert factor.tuned is not None
        whole, tuned = setting.high - setting.low, factor.tuned.name
        room = max(_BESIDE * (high - low), _LEAST * whole)
        least, most = setting.low, setting.high
        if region.seen and region.open_low[i] and not region.open_high[i]:
            least = max(least - _BEYOND * whole, _bounds(factor)[0])
        if region.seen and region.open_high[i] and not region.open_low[i]:
            most = min(most + _BEYOND * whole, _bounds(factor)[1])
        ends = max(low - room, least), min(high + room, most)
        numbers = _numbers(factor)
        values = candidate_values(numbers, *ends, stepped=factor.stepped)
        out.append(
            NextRange(
                factor.name,
                tuned,
                min(values),
                max(values),
                setting.low,
                setting.high,
                tuple(values),
            )
        )
    return out


def _numbers(factor: Factor) -> list[float]:
    """List the values that can be set; today's only where it stands in line with the others."""
    others = sorted(factor.number(n) for n in factor.levels if n != factor.control)
    whole = sorted({*others, factor.number(factor.reference)})
    return whole if _even(whole) and not _even(others) else others


def _even(numbers: list[float]) -> bool:
    """Say whether values are steps of about the same size."""
    gaps = np.diff(numbers)
    return bool(gaps.max() <= 1.6 * np.median(gaps) and gaps.min() >= 0.6 * np.median(gaps))


def _bounds(factor: Factor) -> tuple[float, float]:
    """Give the lowest and the highest setting that can be."""
    assert factor.tuned is not None
    tuned, setting = factor.tuned, factor.levels[factor.reference]
    low, high = _BOUNDS.get(tuned.name, (0.0 if tuned.low >= 0 else -math.inf, math.inf))
    if setting.start_below_rh is not None and setting.stop_above_rh is not None:
        high = min(high, 99.0 - (setting.stop_above_rh - setting.start_below_rh))
    return low, max(high, tuned.high)


def candidate_values(
    numbers: list[float], low: float, high: float, *, stepped: bool
) -> list[float]:
    """List the values that can be set between two ends: at least three.

    Parameters
    ----------
    numbers : list of float
        Values that could be set so far.
    low, high : float
    stepped : bool
        Whether only steps like those of `numbers` can be set.

    Returns
    -------
    list of float

    Examples
    --------
    >>> candidate_values([2, 2.5, 2.99, 3.5, 4.02], 2.2, 3.8, stepped=True)
    [2.5, 3.0, 3.5]
    >>> candidate_values([50, 300, 1000], 200, 400, stepped=True)
    [50.0, 300.0, 1000.0]
    >>> candidate_values([2, 4, 6], 3, 5, stepped=False)[:3]
    [3.0, 3.25, 3.5]
    """
    if not stepped:
        return [_short(v, (high - low) / _VALUES) for v in np.linspace(low, high, _VALUES)]
    if _even(numbers):
        step = float(f"{np.median(np.diff(numbers)):.2g}")
        first, last = math.ceil(low / step - 1e-6), math.floor(high / step + 1e-6)
        if last - first < 2:  # too narrow for three: the nearest ones
            first = round((low + high) / 2 / step) - 1
            first = max(first, math.ceil(min(low, numbers[0]) / step - 1e-6))
            last = first + 2
        return [round(i * step, 9) for i in range(first, last + 1)]
    inside = [v for v in numbers if low - 1e-9 <= v <= high + 1e-9]
    apart = sorted(set(numbers) - set(inside), key=lambda v: max(low - v, v - high))
    return [float(v) for v in sorted([*inside, *apart[: max(0, 3 - len(inside))]])]


def _short(value: float, step: float) -> float:
    """Round to a hundredth of a step, to its leading digit."""
    places = 2 - math.floor(math.log10(step)) if step > 0 else 0
    return float(round(value, max(0, places)))


def candidates_of(ranges: list[NextRange]) -> Floats:
    """Give all combinations of the values of the ranges, shape (n, settings)."""
    return np.array(list(itertools.product(*(r.values for r in ranges))), dtype=float)


def chosen_values(
    ranges: list[NextRange], picked: Floats, usual: tuple[float, ...]
) -> list[tuple[float, ...]]:
    """List for each range the values that were picked: at least three, today's apart.

    Parameters
    ----------
    ranges : list of NextRange
    picked : ndarray, shape (n, settings)
    usual : tuple of float
        Today's value of each.

    Returns
    -------
    list of tuple of float
    """
    out = []
    for own, values, today in zip(ranges, picked.T, usual, strict=True):
        used = {float(v) for v in values if not math.isclose(v, today)}
        spare = [v for v in own.values if v not in used and not math.isclose(v, today)]
        while len(used) < 3 and spare:
            far = max(spare, key=lambda v: min((abs(v - u) for u in used), default=math.inf))
            used.add(far)
            spare.remove(far)
        out.append(tuple(sorted(used)))
    return out
