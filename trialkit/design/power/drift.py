"""How far yields may drift over the starts of a trial, and how much of it a layout leaves.

What a grower plans with: from nothing to 30 % between the first and the last start, most of it
along a straight line and a third of it as a bend on the way (common practice, no source).

Examples
--------
A straight line alone is taken out whole by a trend:

>>> round(float(drift_left("trend", straight(8, 30.0), 2)), 9)
0.0
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from trialkit.arrays import Floats
from trialkit.design.power.variation import BATCH_RANGE, Variation, planning_ranges
from trialkit.trial import Trial
from trialkit.trial.over_time import (
    BATCH,
    IN_BLOCKS,
    START,
    TIME_BLOCK,
    combinations_over_starts,
    laid_out,
    one_box,
)
from trialkit.trial.sections import OverTime
from trialkit.wording import message

#: Drift of the yield from first to last start [% of the mean]: little, middle, much.
DRIFT_RANGE = (0.0, 15.0, 30.0)
BEND = 1 / 3  #: height of the bend on the way, as a share of the drift
#: Share of the variance between starts that comes with a delivery of blocks; no source.
OF_DELIVERY = 0.5


def straight(starts: int, drift: float) -> Floats:
    """Give a drift along a straight line over the starts [%]."""
    return np.asarray(np.linspace(0.0, drift, starts), dtype=float)


def planned_drift(starts: int, drift: float) -> Floats:
    """Give the drift that is planned with: a line and a bend [%]."""
    bend = BEND * drift * np.sin(np.pi * np.linspace(0.0, 1.0, starts))
    return np.asarray(straight(starts, drift) + bend, dtype=float)


def drift_left(way: OverTime, course: Floats, size: int) -> float:
    """Give what a drift adds to the error variance between starts.

    Parameters
    ----------
    way : str
        Layout over time.
    course : array, shape (starts,)
        Yield at each start [%], but for chance.
    size : int
        Starts in a time block.

    Returns
    -------
    float
        Expected mean square [squared %] that is left, over all orders that may be drawn.
    """
    n = len(course)
    if way in IN_BLOCKS:
        blocks = course.reshape(-1, size)
        left, df = blocks - blocks.mean(axis=1, keepdims=True), n - len(blocks)
    else:
        base = [np.ones(n)] + ([np.arange(n, dtype=float)] if way == "trend" else [])
        columns = np.column_stack(base)
        left = course - columns @ np.linalg.lstsq(columns, course, rcond=None)[0]
        df = n - len(base)
    return float((left**2).sum() / df)


def planning_variation(
    trial: Trial, *, drifts: tuple[float, float, float] = DRIFT_RANGE
) -> Variation:
    """Give planning ranges; where schedules follow one another in one box, with the drift left.

    Parameters
    ----------
    trial : Trial
    drifts : tuple of float
        Drift from first to last start at little, middle and much variation [%].
    """
    trial_laid = laid_out(trial)
    ranges = planning_ranges(trial_laid.structure)
    if not one_box(trial):
        return ranges
    starts, size = trial.counts[BATCH], combinations_over_starts(trial)
    way, squares, source = trial.over_time, dict(ranges.squares), dict(ranges.source)
    home = BATCH if way not in IN_BLOCKS else f"{TIME_BLOCK}:{START}"
    share = OF_DELIVERY if way == "split deliveries" else 0.0
    own, whole = [], []
    for sd, drift in zip(BATCH_RANGE, drifts, strict=True):
        course = planned_drift(starts, drift)
        own.append((1 - share) * sd**2 + drift_left(way, course, size))
        means = course.reshape(-1, size).mean(axis=1) if way in IN_BLOCKS else course
        whole.append(share * sd**2 + float(means.var(ddof=1)))
    squares[home] = (own[0], own[1], own[2])
    source[home] = message("variation.drift", most=drifts[-1])
    if way in IN_BLOCKS:
        squares[TIME_BLOCK] = (whole[0], whole[1], whole[2])
        source[TIME_BLOCK] = source[home]
    return replace(ranges, squares=squares, source=source)


def variation_for(variation: Variation, trial: Trial) -> Variation | None:
    """Give a variation for a trial with other units or another order of its starts.

    Planning ranges are taken anew, since a drift spreads over the starts there are. None where a
    pilot or the user says nothing of its kinds of unit.
    """
    if variation.kind == "planning range":
        return planning_variation(trial)
    named = {":".join(term) for term in laid_out(trial).structure.terms}
    return variation if named <= set(variation.squares) else None
