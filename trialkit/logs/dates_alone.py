"""Dates without a time of day in a log of moments: midnight where midnight belongs, else nothing.

Some programs leave the time of day out at midnight alone; a damaged cell may have lost its time at
any hour. Which of the two a cell is shows by the moments before and after it.
"""

from __future__ import annotations

import numpy as np

from trialkit.errors import Finding
from trialkit.logs.text.times import Moments
from trialkit.wording import finding

#: So many of the log's usual steps from the moment before or after, midnight is near enough.
_STEPS = 2


def out_of_place(moments: Moments, groups: np.ndarray | None = None) -> np.ndarray:
    """Find dates without a time of day that stand where midnight does not belong.

    Parameters
    ----------
    moments : Moments
        Of all rows of a file, in their order.
    groups : ndarray of int, optional
        Series that each row belongs to.

    Returns
    -------
    ndarray of int
        Positions; none where no other row has a time of day, as in a log of one record a day.

    Examples
    --------
    >>> import pyarrow as pa
    >>> from trialkit.logs.text.times import read_moments
    >>> night = ["2031-01-14 23:50", "2031-01-15", "2031-01-15 00:10"]
    >>> out_of_place(read_moments(pa.array(night))).tolist()
    []
    >>> late = ["2031-01-15 10:00", "2031-01-15", "2031-01-15 10:10"]
    >>> out_of_place(read_moments(pa.array(late))).tolist()
    [1]
    """
    alone = np.flatnonzero(moments.ok & moments.date_only)
    timed = np.flatnonzero(moments.ok & ~moments.date_only)
    if not len(alone) or not len(timed):
        return np.zeros(0, np.int64)
    group = np.zeros(len(moments.ok), np.int64) if groups is None else groups
    out = []
    for one in np.unique(group[alone]):
        mine, beside = alone[group[alone] == one], timed[group[timed] == one]
        out.append(mine[~_fit(moments.wall, mine, beside)])
    return np.sort(np.concatenate(out))


def _fit(wall: np.ndarray, alone: np.ndarray, timed: np.ndarray) -> np.ndarray:
    """Whether each lies between the moments beside it, or near one of them."""
    if not len(timed):
        return np.zeros(len(alone), bool)
    steps = np.abs(np.diff(wall[timed]))
    near = _STEPS * int(np.median(steps[steps > 0])) if (steps > 0).any() else 0
    after = np.searchsorted(timed, alone)
    first, last = after == 0, after == len(timed)
    before = wall[timed[np.maximum(after - 1, 0)]]
    behind = wall[timed[np.minimum(after, len(timed) - 1)]]
    here = wall[alone]
    between = (np.minimum(before, behind) <= here) & (here <= np.maximum(before, behind))
    close = (~first & (np.abs(here - before) <= near)) | (~last & (np.abs(behind - here) <= near))
    return np.asarray((between & ~first & ~last) | close)


def tell_dates_alone(file: str, moments: Moments, left: np.ndarray) -> Finding | None:
    """Tell how many dates without a time of day are read as midnight; None where none is."""
    count = int((moments.ok & moments.date_only).sum()) - len(left)
    if not count:
        return None
    if moments.date_only[moments.ok].all():
        return finding("days_alone", "caution", file=file, count=count)
    return finding("midnight_alone", "note", file=file, count=count)
