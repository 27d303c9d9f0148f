"""Search for the points of a plan and their places, whole units kept whole.

References
----------
.. [1] Meyer RK, Nachtsheim CJ (1995). The coordinate-exchange algorithm for constructing exact
   optimal experimental designs. Technometrics 37:60-69. doi:10.1080/00401706.1995.10485889
.. [2] Jones B, Goos P (2007). A candidate-set-free algorithm for generating D-optimal split-plot
   designs. J R Stat Soc C 56:347-364. doi:10.1111/j.1467-9876.2007.00581.x
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trialkit.arrays import Floats
from trialkit.design.points.criteria import (
    Criterion,
    information,
    range_products,
    score,
    unit_weights,
)
from trialkit.errors import DesignError
from trialkit.settings.polynomial import powers, terms
from trialkit.settings.setting_range import SettingRange, coded_usual

#: Share of the score below which a change is no gain.
_GAIN = 1e-9


@dataclass(frozen=True)
class Points:
    """Settings of every smallest unit. Made by `find_points`.

    Parameters
    ----------
    coded : ndarray, shape (n, settings)
        Coded settings, -1 to 1.
    values : ndarray, shape (n, settings)
        The settings themselves.
    score : float
        The criterion over the planning range (geometric mean); the smaller, the better.
    starts : int
        Random starts that were searched.
    found_again : int
        Starts that came within a hundredth of a per cent of the best.
    """

    coded: Floats
    values: Floats
    score: float
    starts: int
    found_again: int


@dataclass(frozen=True)
class PointsTask:
    """What to search. See `find_points` for the meaning of each part."""

    settings: Sequence[SettingRange]
    given_to: Sequence[NDArray[np.intp]]
    weights: Sequence[Floats]
    products: Floats
    criterion: Criterion
    allowed: Callable[[Floats], NDArray[np.bool_]]
    usual_units: int

    def scores(self, coded: Floats) -> Floats:
        """Score plans of shape (…, n, settings): geometric mean over the planning range."""
        rows = terms_of_plans(coded)
        each = np.stack([information(rows, w) for w in self.weights])
        values = np.log(score(each, self.products, self.criterion))
        return np.asarray(np.exp(np.mean(values, axis=0)))


def terms_of_plans(coded: Floats) -> Floats:
    """Work out the terms of many plans at once, shape (…, n, terms)."""
    flat = coded.reshape(-1, coded.shape[-1])
    return terms(flat).reshape(*coded.shape[:-1], -1)


def find_points(
    settings: Sequence[SettingRange],
    given_to: Sequence[ArrayLike],
    units: Mapping[str, ArrayLike],
    planning: Sequence[tuple[Mapping[str, float], float]],
    *,
    criterion: Criterion = "average variance",
    allowed: Callable[[Floats], NDArray[np.bool_]] | None = None,
    over: ArrayLike | None = None,
    usual_units: int = 1,
    starts: int = 20,
    seed: int = 0,
    tick: Callable[[], None] | None = None,
) -> Points:
    """Find the settings of every unit that tell most about the whole range.

    Parameters
    ----------
    settings : sequence of SettingRange
        One to three.
    given_to : sequence of array, one per setting, each of shape (n,)
        Which unit each smallest unit gets this setting from: the same number, the same unit.
    units : mapping
        Random part → label of every smallest unit.
    planning : sequence of (mapping, float)
        Planning values: variance of each random part, and that of the smallest units. Several,
        for a plan that does well over all of them.
    criterion : {"average variance", "determinant"}
    allowed : callable, optional
        Told coded settings of shape (m, settings), says which the room can hold.
    over : array, shape (points, settings), optional
        Coded settings the average variance is taken over; the whole range by default.
    usual_units : int
        Units that are to have all of today's settings, at least.
    starts : int
        Random starts.
    seed : int
    tick : callable, optional
        Called after every start.

    Returns
    -------
    Points

    Raises
    ------
    DesignError
        There are fewer distinct units than terms of the surface, or no start gave a plan
        that can fit one.

    Notes
    -----
    One unit's setting at a time is moved to the value that scores best [1]_, whole units moving
    whole [2]_, until no move gains; then the places of unlike units are exchanged, until that
    gains nothing either. The best of all starts is kept.

    Examples
    --------
    Eight like chambers, one setting; the best plan has half its units in the middle:

    >>> duty = SettingRange("duty_pct", 2, 10, usual=10, steps=range(2, 11))
    >>> found = find_points([duty], [range(8)], {"none": range(8)}, [({"none": 0.0}, 1.0)])
    >>> sorted(found.values[:, 0].tolist())
    [2.0, 2.0, 6.0, 6.0, 6.0, 6.0, 10.0, 10.0]
    """
    groups = [np.unique(np.asarray(g), return_inverse=True)[1] for g in given_to]
    size, count = len(powers(len(settings))), len(groups[0])
    if count < size + 1:
        raise DesignError(
            f"a surface in {len(settings)} settings has {size} terms: {count} units are too few"
        )
    task = PointsTask(
        settings,
        groups,
        [unit_weights(units, variances, residual) for variances, residual in planning],
        range_products(size, len(settings), over),
        criterion,
        (lambda x: np.ones(len(x), dtype=bool)) if allowed is None else allowed,
        usual_units,
    )
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(starts):
        found.append(_search_once(task, rng))
        if tick is not None:
            tick()
    scores = np.array([value for _, value in found])
    best = int(scores.argmin())
    if not np.isfinite(scores[best]):
        raise DesignError(
            "no plan of these units can fit a surface: give the settings more values or units"
        )
    coded = found[best][0]
    values = np.column_stack([s.decode(coded[:, i]) for i, s in enumerate(settings)])
    again = int((scores <= scores[best] * (1 + 1e-4)).sum())
    return Points(coded, values, float(scores[best]), starts, again)


def _search_once(task: PointsTask, rng: np.random.Generator) -> tuple[Floats, float]:
    coded, pinned = _begin(task, rng)
    value = float(task.scores(coded))
    while True:
        before = value
        for i, group in enumerate(task.given_to):
            for unit in rng.permutation(int(group.max()) + 1):
                members = group == unit
                if not (pinned & members).any():
                    coded, value = _move(task, coded, value, i, members)
            coded, pinned, value = _exchange(task, coded, pinned, value, i)
        if not value < before * (1 - _GAIN):
            return coded, value


def _begin(task: PointsTask, rng: np.random.Generator) -> tuple[Floats, NDArray[np.bool_]]:
    """Draw a start in which some units have today's settings."""
    n = len(task.given_to[0])
    coded = np.empty((n, len(task.settings)))
    for i, (setting, group) in enumerate(zip(task.settings, task.given_to, strict=True)):
        each = rng.choice(_values(setting), int(group.max()) + 1)
        coded[:, i] = each[group]
    return coded, _pin(task, coded, rng)


def _pin(task: PointsTask, coded: Floats, rng: np.random.Generator) -> NDArray[np.bool_]:
    """Give today's settings to as many units as are to have them, in place; say which."""
    pinned, usual = np.zeros(len(coded), dtype=bool), coded_usual(task.settings)
    for row in rng.permutation(len(coded))[: task.usual_units]:
        for i, group in enumerate(task.given_to):
            coded[group == group[row], i] = usual[i]
        pinned[row] = True
    return pinned


def place_points(task: PointsTask, coded: Floats, rng: np.random.Generator) -> tuple[Floats, float]:
    """Let the units of a plan change places until no change gains; what is tried stays.

    Parameters
    ----------
    task : PointsTask
    coded : ndarray, shape (n, settings)
        Whole units whole. Some get today's settings, where too few have them.
    rng : Generator

    Returns
    -------
    coded : ndarray, shape (n, settings)
    value : float
        The criterion.
    """
    coded = coded.copy()
    today = np.flatnonzero(np.isclose(coded, coded_usual(task.settings)).all(axis=1))
    if len(today) < task.usual_units:
        pinned = _pin(task, coded, rng)
    else:
        pinned = np.isin(np.arange(len(coded)), today[: task.usual_units])
    value = float(task.scores(coded))
    together = all(np.array_equal(task.given_to[0], group) for group in task.given_to)
    kinds = 1 if together else len(task.settings)  # settings of the same units move as one
    while True:
        before = value
        for i in range(kinds):
            coded, pinned, value = _exchange(task, coded, pinned, value, i)
        if not value < before * (1 - _GAIN):
            return coded, value


def _values(setting: SettingRange) -> Floats:
    """Give the coded values that are searched: steps, or 21 even ones and today's."""
    if setting.steps:
        return setting.code(np.array(setting.steps))
    return np.unique(np.append(np.linspace(-1, 1, 21), setting.code(setting.usual)))


def _move(
    task: PointsTask, coded: Floats, value: float, i: int, members: NDArray[np.bool_]
) -> tuple[Floats, float]:
    """Give one unit the value of one setting that scores best."""
    values = _values(task.settings[i])
    tried = np.repeat(coded[None], len(values), axis=0)
    tried[:, members, i] = values[:, None]
    may = [bool(task.allowed(plan[members]).all()) for plan in tried]
    scores = np.where(may, task.scores(tried), np.inf)
    best = int(scores.argmin())
    held = bool(task.allowed(coded[members]).all())
    if scores[best] < (value * (1 - _GAIN) if held else np.inf):
        return tried[best], float(scores[best])
    return coded, value


def _exchange(
    task: PointsTask, coded: Floats, pinned: NDArray[np.bool_], value: float, i: int
) -> tuple[Floats, NDArray[np.bool_], float]:
    """Let units of one setting change places where that gains."""
    group = task.given_to[i]
    whole = all(_finer(group, other) for other in task.given_to)
    members = [np.flatnonzero(group == a) for a in range(int(group.max()) + 1)]
    for a, first in enumerate(members):
        alike = [b for b in members[a + 1 :] if len(b) == len(first)]
        plans, pins = [], []
        for second in alike:
            both, swapped = np.r_[first, second], np.r_[second, first]
            plan, pin = coded.copy(), pinned.copy()
            if whole:  # all that lies within goes along
                plan[both], pin[both] = coded[swapped], pinned[swapped]
            elif (pinned[first] | pinned[second]).any():
                continue
            else:
                plan[both, i] = coded[swapped, i]
                if not task.allowed(plan[both]).all():
                    continue
            if np.array_equal(plan, coded):
                continue  # units alike change nothing
            plans.append(plan)
            pins.append(pin)
        if not plans:
            continue
        scores = task.scores(np.array(plans))
        best = int(scores.argmin())
        if scores[best] < value * (1 - _GAIN):
            coded, pinned, value = plans[best], pins[best], float(scores[best])
    return coded, pinned, value


def _finer(group: NDArray[np.intp], other: NDArray[np.intp]) -> bool:
    """Say whether every unit of another setting lies within one unit of this."""
    return len(np.unique(other)) == len(np.unique(np.stack([group, other]), axis=1).T)
