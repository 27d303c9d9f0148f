"""One setting as a number: its range, the steps that can be set, and today's value."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from trialkit.arrays import Floats
from trialkit.errors import DesignError

#: Steps that are looked at where a setting has none of its own.
FINE = 41
#: Most combinations of settings that are looked at.
MOST = 2500


@dataclass(frozen=True)
class SettingRange:
    """A setting that is tuned as a number.

    Parameters
    ----------
    name : str
        Such as ``"duty_pct"`` or ``"lux"``.
    low, high : float
        Ends of the range that is tried.
    usual : float
        Today's value, the control; within the range.
    unit : str
        Unit of the values, such as ``"%"``.
    steps : sequence of float
        Values that the timer, sensor or lamp can be set to; any value where empty.

    Raises
    ------
    DesignError
        The range is empty, or a value lies outside it.

    Examples
    --------
    >>> duty = SettingRange("duty_pct", 2, 10, usual=8, unit="%")
    >>> duty.code([2, 6, 10]).tolist(), duty.decode([0.5]).tolist()
    ([-1.0, 0.0, 1.0], [8.0])
    """

    name: str
    low: float
    high: float
    usual: float
    unit: str = ""
    steps: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        ends = (self.low, self.high, self.usual, *self.steps)
        if not all(map(math.isfinite, ends)) or not self.low < self.high:
            raise DesignError(f"{self.name}: give a range from a smaller to a larger number")
        outside = [v for v in (self.usual, *self.steps) if not self.low <= v <= self.high]
        if outside:
            raise DesignError(
                f"{self.name}: {', '.join(f'{v:g}' for v in outside)} lies outside the range "
                f"{self.low:g} to {self.high:g} {self.unit}".rstrip()
            )
        steps = tuple(sorted({float(v) for v in self.steps}))
        if steps:
            if len(steps) < 3:
                raise DesignError(f"{self.name}: at least three values are needed to see a curve")
            steps = tuple(sorted({*steps, float(self.usual)}))
        object.__setattr__(self, "steps", steps)

    def code(self, values: ArrayLike) -> Floats:
        """Turn values into coded ones: -1 at the lower and 1 at the upper end."""
        x = np.asarray(values, dtype=float)
        return (2 * x - self.low - self.high) / (self.high - self.low)

    def decode(self, coded: ArrayLike) -> Floats:
        """Turn coded values back into those of the setting."""
        x = np.asarray(coded, dtype=float)
        return (self.low + self.high) / 2 + x * (self.high - self.low) / 2

    @property
    def values(self) -> Floats:
        """Give the values looked at: the steps, or `FINE` even ones and today's."""
        if self.steps:
            return np.array(self.steps)
        return np.unique(np.append(np.linspace(self.low, self.high, FINE), self.usual))

    def decimals(self, value: float) -> int:
        """Give the decimals in which a value is told: three digits at most.

        One that can be set needs no more than tell it from the others; a timer's whole seconds
        make 5.4945 % of what was asked for, and is called, 5.5 %.

        Examples
        --------
        >>> duty = SettingRange("duty_pct", 5, 6, usual=6, unit="%", steps=(5, 5.4945, 6))
        >>> duty.decimals(5.4945), duty.decimals(6), duty.decimals(5.25)
        (1, 0, 2)
        """
        told = max(0, 2 - math.floor(math.log10(abs(value)))) if value else 0
        if not self.steps:  # measured: its last digit is worth knowing
            return told
        if np.isclose(self.steps, value, rtol=1e-9).any():
            steps = len(self.steps)
            apart = (d for d in range(told) if len(np.unique(np.round(self.steps, d))) == steps)
            told = next(apart, told)
        while told and round(value, told) == round(value, told - 1):
            told -= 1
        return told


def coded_grid(settings: Sequence[SettingRange], values: Sequence[Floats] | None = None) -> Floats:
    """Give combinations of the settings' values, coded: all of them, or evenly thinned ones.

    Parameters
    ----------
    settings : sequence of SettingRange
    values : sequence of ndarray, optional
        Values of each setting; those of `SettingRange.values` by default.

    Returns
    -------
    ndarray, shape (points, settings)
        At most `MOST` points where no values are given: of longer lists both ends, today's value
        and evenly spaced ones in between are taken.

    Examples
    --------
    >>> two = [SettingRange("duty_pct", 2, 10, 8), SettingRange("lux", 0, 800, 400)]
    >>> coded_grid(two, [np.array([2.0, 10]), np.array([0.0, 400])]).tolist()
    [[-1.0, -1.0], [-1.0, 0.0], [1.0, -1.0], [1.0, 0.0]]
    """
    chosen = values
    if chosen is None:
        each = int(MOST ** (1 / len(settings)))
        chosen = [_thinned(s, each) for s in settings]
    coded = [s.code(v) for s, v in zip(settings, chosen, strict=True)]
    return np.array(list(itertools.product(*coded)), dtype=float)


def _thinned(setting: SettingRange, most: int) -> Floats:
    """Take at most so many values of a setting, both ends and today's among them."""
    values = setting.values
    if len(values) <= most:
        return values
    evenly = values[np.linspace(0, len(values) - 1, most - 1).round().astype(int)]
    return np.unique(np.append(evenly, setting.usual))


def coded_usual(settings: Sequence[SettingRange]) -> Floats:
    """Give today's settings, coded, shape (settings,)."""
    return np.array([float(s.code(s.usual)) for s in settings])
