"""How exact a plan of numeric settings will be over the range, beside three equal levels of each.

References
----------
.. [1] Box GEP, Draper NR (1959). A basis for the selection of a response surface design.
   J Am Stat Assoc 54:622-654. doi:10.1080/01621459.1959.10501525
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.arrays import Floats
from trialkit.design.points.criteria import average_variance, range_products, unit_weights
from trialkit.design.points.draw import (
    finest_site,
    prediction_error,
    random_parts,
    settings_of_units,
    usual_units,
)
from trialkit.design.points.search import PointsTask, place_points
from trialkit.design.variation import Variation
from trialkit.settings.polynomial import powers
from trialkit.settings.setting_range import FINE, SettingRange, coded_grid
from trialkit.structure import Term
from trialkit.trial import Trial
from trialkit.wording import Message, Units, message

#: Random starts of the plan of three levels: its points are given, only their places are searched.
_STARTS = 2
#: Difference of the two variances below which the plans are called alike.
_ALIKE = 0.02


@dataclass(frozen=True, eq=False)
class RangeError:
    """How exact the surface of a plan will be. Made by `error_over_range`.

    Parameters
    ----------
    table : DataFrame
        A grid of the first two settings, by their treatments' names, and `error_pct`: the
        standard error of the predicted mean, in % of the mean yield, at usual variation.
    tried : DataFrame
        The same settings and `n`: units that have them.
    held : dict
        A third setting → its middle, at which the grid lies.
    term : tuple of str
        Kind of unit that `n` counts.
    units : int
        Units of the plan.
    against_three : float
        Average variance over the range of three equal levels of each setting on as many units,
        over that of the plan; infinite where three levels could not show the surface.
    """

    table: pd.DataFrame
    tried: pd.DataFrame
    held: dict[str, float]
    term: Term
    units: int
    against_three: float

    @property
    def said(self) -> Message:
        """Say how the plan compares with three equal levels."""
        same = {"number": self.units, "units": Units(self.term, self.units)}
        if not np.isfinite(self.against_three):
            return message("strata.surface.three.none", **same)
        as_many = round(self.units * self.against_three)
        if abs(self.against_three - 1) < _ALIKE or as_many == self.units:
            return message("strata.surface.three.alike", **same)
        way = "more" if self.against_three > 1 else "fewer"
        return message(
            f"strata.surface.three.{way}",
            **same,
            as_many=as_many,
            change=100 * abs(self.against_three - 1),
        )


def error_over_range(
    trial: Trial, table: pd.DataFrame, *, variation: Variation | None = None
) -> RangeError:
    """Work out how exact a plan will be over its range, and beside three equal levels.

    Parameters
    ----------
    trial : Trial
        Whose treatments have ranges.
    table : DataFrame
        A plan's: unit factors and the level of each treatment.
    variation : Variation, optional
        How much units vary; planning ranges by default.

    Returns
    -------
    RangeError

    Notes
    -----
    Both plans are judged by the average variance of the predicted mean over the range [1]_, at
    usual variation. Where the room cannot hold the ends of a range, it is the range the plan
    tries. Three equal levels are both ends and the middle of each setting, crossed as far as the
    units reach; whole units stay whole, as many units have today's settings as in a searched
    plan, and places are exchanged by the search of the plan itself.

    Examples
    --------
    >>> import trialkit as tk
    >>> trial = tk.read_trial(tk.demo_folder(tuned=True))
    >>> plan = tk.assign(trial)
    >>> found = error_over_range(plan.trial, plan.table)
    >>> found.units, int(found.tried["n"].sum())
    (48, 48)
    """
    factors = trial.tuned
    ranges = [f.tuned for f in factors if f.tuned is not None]
    values = settings_of_units(trial, table)
    ends = [(float(v.min()), float(v.max())) for v in values.T]
    names = [f.name for f in factors]
    held = {n: (low + high) / 2 for n, (low, high) in zip(names[2:], ends[2:], strict=True)}
    kept = [np.linspace(low, high, FINE) for low, high in ends[:2]]
    at, error = prediction_error(
        trial,
        values,
        points=coded_grid(ranges, [*kept, *(np.array([v]) for v in held.values())]),
        against_usual=False,
        variation=variation,
    )
    shown = names[:2]
    grid = pd.DataFrame(at[:, : len(shown)], columns=shown).assign(error_pct=error)
    tried = pd.DataFrame(values[:, : len(shown)], columns=shown).value_counts(sort=False)
    return RangeError(
        grid,
        tried.rename("n").reset_index(),
        held,
        finest_site(trial).term,
        len(values),
        _against_three(trial, ranges, values, ends, variation),
    )


def _against_three(
    trial: Trial,
    ranges: Sequence[SettingRange],
    values: Floats,
    ends: Sequence[tuple[float, float]],
    variation: Variation | None,
) -> float:
    """Give the average variance of three equal levels, over that of the plan."""
    site = finest_site(trial)
    units, planning = random_parts(trial, site, variation)
    coded = [r.code(e) for r, e in zip(ranges, ends, strict=True)]
    over = None  # the whole range, exactly
    if not np.allclose(coded, [-1, 1]):
        over = np.array(list(itertools.product(*(np.linspace(c[0], c[1], 11) for c in coded))))
    task = PointsTask(
        ranges,
        [np.unique(site.holder(f.applied_to), return_inverse=True)[1] for f in trial.tuned],
        [unit_weights(units, *each) for each in planning],
        range_products(len(powers(len(ranges))), len(ranges), over),
        "average variance",
        lambda x: np.ones(len(x), dtype=bool),
        usual_units(site),
    )
    own = np.column_stack([r.code(v) for r, v in zip(ranges, values.T, strict=True)])
    three = three_equal_levels(task, ends)
    middle = task.weights[1]
    return average_variance(three, middle, over) / average_variance(own, middle, over)


def three_equal_levels(task: PointsTask, ends: Sequence[tuple[float, float]]) -> Floats:
    """Put three equal levels of each setting, crossed, on the units of a plan.

    Parameters
    ----------
    task : PointsTask
    ends : sequence of (float, float)
        Lowest and highest value of each setting, in its own unit.

    Returns
    -------
    ndarray, shape (n, settings)
        Coded settings.
    """
    rng = np.random.default_rng(0)
    levels = [_three(s, *e) for s, e in zip(task.settings, ends, strict=True)]
    found = [place_points(task, _cross(task, levels, rng), rng) for _ in range(_STARTS)]
    return min(found, key=lambda each: each[1])[0]


def _three(setting: SettingRange, low: float, high: float) -> Floats:
    """Give both ends and the middle, coded; of steps, the one next to it."""
    middle = (low + high) / 2
    if setting.steps:
        middle = min(setting.steps, key=lambda v: abs(v - middle))
    return setting.code([low, middle, high])


def _cross(task: PointsTask, levels: Sequence[Floats], rng: np.random.Generator) -> Floats:
    """Deal out all combinations in equal numbers, the larger units first."""
    coded = np.empty((len(task.given_to[0]), len(levels)))
    so_far = np.zeros(len(coded), dtype=int)
    for group in sorted(_distinct(task.given_to), key=max):
        own = [i for i, other in enumerate(task.given_to) if np.array_equal(group, other)]
        together = np.array(list(itertools.product(*(levels[i] for i in own))))
        first = np.unique(group, return_index=True)[1]
        order = np.lexsort((rng.random(len(first)), so_far[first]))
        dealt = np.empty(len(first), dtype=int)
        dealt[order] = np.resize(rng.permutation(len(together)), len(first))
        coded[:, own] = together[dealt[group]]
        so_far = so_far * len(together) + dealt[group]
    return coded


def _distinct(groups: Sequence[NDArray[np.intp]]) -> list[NDArray[np.intp]]:
    """Take each way of sharing units once."""
    return list({group.tobytes(): group for group in groups}.values())
