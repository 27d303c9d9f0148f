"""Sums over sorted records: the weights of stretches, and one measure in each cell.

Symbols: ``w`` seconds of the stretch from a record to the next (0 if it is not bridged),
``W`` the weight of a record (half of the stretches on both sides), ``v`` values of a channel,
``starts`` first record of each cell; cells are runs of records.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from trialkit.alignment.measures import Measure
from trialkit.arrays import Floats, Ints


@dataclass
class Stretches:
    """Sorted records of one or more series, cut into cells.

    Parameters
    ----------
    w : ndarray
        Seconds from each record to the next of its series, 0 where not bridged or cut.
    starts, cell, series : ndarray
        First record of each run of records in one cell; its cell number; its series.
    cuts : Cuts
        The stretches that a window limit cuts.
    """

    w: Floats
    starts: Ints
    cell: Ints
    series: Ints
    cuts: Cuts

    @cached_property
    def weights(self) -> Floats:
        """Weight of each record, see `record_weights` [s]."""
        return record_weights(self.w)

    @cached_property
    def covered(self) -> Floats:
        """Seconds covered in each run."""
        return _totals(self.w, None, self.starts)


@dataclass
class Cuts:
    """Parts of stretches that are cut by window limits.

    Parameters
    ----------
    left : ndarray
        Record before the limit.
    begin, end : ndarray
        Where the part begins and ends, as shares of its stretch.
    seconds : ndarray
        Length of the part.
    cell, series : ndarray
    """

    left: Ints
    begin: Floats
    end: Floats
    seconds: Floats
    cell: Ints
    series: Ints


def cut_into_cells(
    series: Ints, time: Ints, w: Floats, first: Ints, last: Ints, limits: Sequence[Ints]
) -> Stretches:
    """Cut sorted records at window limits.

    Parameters
    ----------
    series, time : ndarray
        Series number and moment [ns] of each record, sorted.
    w : ndarray
        Seconds to the next record; set to 0 here where a stretch is cut.
    first, last : ndarray
        First and last record of each series.
    limits : sequence of ndarray
        Sorted window limits of each series [ns].

    Returns
    -------
    Stretches
    """
    starts: list[int] = []
    cell: list[int] = []
    owner: list[int] = []
    parts: list[tuple[int, float, float, int, int]] = []
    for lo, hi, number in zip(first.tolist(), last.tolist(), series[first].tolist(), strict=True):
        marks = limits[number]
        begin, end = np.searchsorted(marks, (time[lo], time[hi]), side="right").tolist()
        starts.append(lo)
        cell.append(begin)
        owner.append(number)
        if begin == end:
            continue
        places = lo + np.searchsorted(time[lo : hi + 1], marks[begin:end], side="left")
        for k, at in zip(range(begin, end), places.tolist(), strict=True):
            before, after = int(time[at - 1]), int(time[at])
            share = (int(marks[k]) - before) / (after - before)
            if parts and parts[-1][0] == at - 1:
                left, since, _, c, s = parts[-1]
                parts[-1] = (left, since, share, c, s)
            else:
                parts.append((at - 1, 0.0, share, k, number))
            parts.append((at - 1, share, 1.0, k + 1, number))
            if starts[-1] == at:  # no record lies between this limit and the one before
                cell[-1] = k + 1
            else:
                starts.append(at)
                cell.append(k + 1)
                owner.append(number)
    cuts = _cuts(parts, w)
    return Stretches(w, _ints(starts), _ints(cell), _ints(owner), cuts)


def _ints(values: Sequence[int]) -> Ints:
    return np.array(values, dtype=np.int64)


def _cuts(parts: Sequence[tuple[int, float, float, int, int]], w: Floats) -> Cuts:
    """Take the cut stretches out of `w` and give their parts."""
    left = _ints([part[0] for part in parts])
    begin = np.array([part[1] for part in parts], dtype=float)
    end = np.array([part[2] for part in parts], dtype=float)
    seconds = w[left] * (end - begin)
    w[left] = 0.0
    cell, series = _ints([part[3] for part in parts]), _ints([part[4] for part in parts])
    return Cuts(left, begin, end, seconds, cell, series)


def record_weights(w: Floats) -> Floats:
    """Give each record half of the stretch before it and half of the one after.

    Examples
    --------
    >>> record_weights(np.array([10.0, 20.0, 0.0]))
    array([ 5., 15., 10.])
    """
    out = w * 0.5
    out[1:] += w[:-1] * 0.5
    return out


def sum_channel(
    v: Floats, measures: Sequence[Measure], at: Stretches, *, held: bool
) -> dict[str, tuple[Floats, Floats]]:
    """Sum every measure of one channel.

    Parameters
    ----------
    v : ndarray
        Values, no missing ones.
    measures : sequence of Measure
    at : Stretches
    held : bool
        True where a record holds until the next, False for a straight line between them.

    Returns
    -------
    dict
        Measure name → sums per run of `at`, sums per part of its cuts.
    """
    weight = at.w if held else at.weights
    cuts = at.cuts
    pair = np.repeat(v[cuts.left], 2)
    if cuts.left.size and not held:
        rise = v[cuts.left + 1] - v[cuts.left]
        pair[0::2] += rise * cuts.begin
        pair[1::2] += rise * cuts.end
    pair_w = np.zeros(pair.size)
    pair_w[0::2] = cuts.seconds
    pair_weight = pair_w if held else record_weights(pair_w)
    pair_starts = np.arange(0, pair.size, 2)
    signals = (
        _Signal(v, at.w, weight, at.starts, at.covered, held),
        _Signal(pair, pair_w, pair_weight, pair_starts, cuts.seconds, held),
    )
    return {m.name: (signals[0].sum(m), signals[1].sum(m)) for m in measures}


class _Signal:
    """One channel of sorted records; what several measures need is worked out once.

    Symbols as at the top of the module; `covered` are the seconds of each run.
    """

    def __init__(
        self, v: Floats, w: Floats, weight: Floats, starts: Ints, covered: Floats, held: bool
    ) -> None:
        self.v, self.w, self.weight, self.starts = v, w, weight, starts
        self.covered, self.held = covered, held
        self.low, self.high = (float(v.min()), float(v.max())) if v.size else (np.nan, np.nan)
        self.known: dict[tuple[float, bool], tuple[Floats, Floats]] = {}

    @cached_property
    def mean(self) -> Floats:
        """Integral in each run."""
        return _totals(self.weight, self.v, self.starts)

    def sum(self, measure: Measure) -> Floats:
        """Sum one measure in each run."""
        if measure.kind == "seconds" or not self.starts.size:
            return self.covered
        if measure.kind == "mean":
            return self.mean
        key = measure.limit, measure.kind in ("below", "deficit")
        if key not in self.known:
            self.known[key] = self._beyond(*key)
        return self.known[key][measure.kind in ("deficit", "excess")]

    def _beyond(self, limit: float, under: bool) -> tuple[Floats, Floats]:
        """Give the seconds beyond a limit and the integral of the distance to it."""
        sign = 1.0 if under else -1.0
        if (self.low >= limit) if under else (self.high <= limit):
            return np.zeros(len(self.starts)), np.zeros(len(self.starts))
        if (self.high < limit) if under else (self.low > limit):
            return self.covered, sign * (limit * self.covered - self.mean)
        inside = self.v < limit if under else self.v > limit
        weight = self.weight * inside
        seconds = _totals(weight, None, self.starts)
        distance = sign * (limit * seconds - _totals(weight, self.v, self.starts))
        if not self.held:
            more_seconds, more_distance = self._crossings(inside, limit)
            seconds, distance = seconds + more_seconds, distance + more_distance
        return seconds, distance

    def _crossings(self, inside: NDArray[np.bool_], limit: float) -> tuple[Floats, Floats]:
        """Mend the sums of stretches where the line crosses the limit, to be exact there."""
        cross = np.flatnonzero(inside[1:] != inside[:-1])
        w = self.w[cross]
        near, far = np.abs(self.v[cross] - limit), np.abs(self.v[cross + 1] - limit)
        within = np.where(inside[cross], near, far)
        part = within / (near + far)  # share of the stretch that is beyond the limit
        run = np.searchsorted(self.starts, cross, side="right") - 1
        n = len(self.starts)
        seconds = np.bincount(run, w * (part - 0.5), minlength=n)
        distance = np.bincount(run, 0.5 * w * within * (part - 1.0), minlength=n)
        return np.asarray(seconds, dtype=float), np.asarray(distance, dtype=float)


def _totals(weight: Floats, v: Floats | NDArray[np.bool_] | None, starts: Ints) -> Floats:
    """Sum weights, or weight × value, in each run of records."""
    if len(starts) > 64:
        return np.asarray(np.add.reduceat(weight if v is None else weight * v, starts))
    bounds = [*starts.tolist(), len(weight)]
    runs = pairwise(bounds)
    if v is None:
        return np.array([weight[a:b].sum() for a, b in runs])
    # not `@`: a BLAS library would start threads of its own for it, which wait in a busy loop
    return np.array([np.einsum("i,i", weight[a:b], v[a:b]) for a, b in runs])
