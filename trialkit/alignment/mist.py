"""Mist delivered in a window: seconds, litres, kilowatt-hours."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.alignment.cells import to_ns
from trialkit.arrays import Ints
from trialkit.columns.exposures import MIST
from trialkit.trial.rig_use import kilowatt_hours, litres
from trialkit.trial.sections import RigSection

#: Share of a window that the mist log spans.
COVERAGE = "mist_coverage_pct"
#: Columns of the mist delivered in a window, in order.
MIST_COLUMNS: tuple[str, ...] = (*(exposure.column for exposure in MIST), COVERAGE)


def merge_intervals(start: Ints, stop: Ints) -> tuple[Ints, Ints]:
    """Join intervals that overlap or touch, so that nothing is counted twice.

    Examples
    --------
    >>> merge_intervals(np.array([5, 0, 3]), np.array([9, 2, 6]))
    (array([0, 3]), array([2, 9]))
    """
    keep = stop > start
    order = np.argsort(start[keep], kind="stable")
    start, stop = start[keep][order], stop[keep][order]
    if not start.size:
        return start, stop
    reach = np.maximum.accumulate(stop)
    fresh = np.concatenate(([True], start[1:] > reach[:-1]))
    first = np.flatnonzero(fresh)
    return start[first], reach[np.concatenate((first[1:] - 1, [len(start) - 1]))]


def overlap_seconds(start: Ints, stop: Ints, low: Ints, high: Ints) -> NDArray[np.float64]:
    """Give how much of each window [low, high] disjoint sorted intervals fill, in seconds."""
    if not start.size:
        return np.zeros(len(low))
    before = np.concatenate(([0], np.cumsum(stop - start)))

    def filled(moment: Ints) -> Ints:
        k = np.searchsorted(start, moment, side="right")
        inside = np.clip(moment - start[k - 1], 0, stop[k - 1] - start[k - 1])
        done: Ints = np.where(k > 0, before[np.maximum(k - 1, 0)] + inside, 0)
        return done

    return np.asarray(np.maximum(filled(high) - filled(low), 0) / 1e9)


def mist_per_window(
    mist: pd.DataFrame | None,
    windows: pd.DataFrame,
    rig: RigSection,
    *,
    spans: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Sum the mist delivered in windows, and the water and energy it took.

    Parameters
    ----------
    mist : DataFrame or None
        `chamber, start, stop` (UTC): mist on. Overlapping intervals count once.
    windows : DataFrame
        `chamber, start, stop`.
    rig : RigSection
        `mist_l_h`, `fogger_w`, `fan_w` and `fan` ("with mist" or "always").
    spans : DataFrame, optional
        What the files cover: `chamber, first, last`; by default from the first to the last
        event of each chamber.

    Returns
    -------
    DataFrame
        Rows as `windows`: `mist_on_s, duty_pct, cycles, water_l, energy_kwh,
        mist_coverage_pct`; missing where the chamber has no mist log at all.

    Notes
    -----
    ``water = on-time × mist_l_h``, ``energy = on-time × (fogger_w + fan_w)``, or the fan for
    the whole window when it always runs. Coverage is the share of the window that the
    chamber's log spans: a log that ends early is seen there.
    """
    n = len(windows)
    low, high = to_ns(windows["start"]), to_ns(windows["stop"])
    known = (windows["start"].notna() & windows["stop"].notna()).to_numpy(bool) & (high > low)
    seconds, cycles, covered = (np.full(n, np.nan) for _ in range(3))
    place = windows["chamber"].astype(str).to_numpy()
    for name, on, log in _chambers(mist, spans):
        here = np.flatnonzero(known & (place == name))
        a, b = low[here], high[here]
        seconds[here] = overlap_seconds(*on, a, b)
        cycles[here] = np.searchsorted(on[0], b) - np.searchsorted(on[0], a)
        covered[here] = 100 * overlap_seconds(*log, a, b) / ((b - a) / 1e9)
    hours = np.where(known, (high - low) / 3.6e12, np.nan)
    kinds = {
        "on": seconds,
        "duty": 100 * seconds / (hours * 3600),
        "pulses": cycles,
        "water": litres(rig, seconds / 3600),
        "energy": kilowatt_hours(rig, seconds / 3600, hours),
    }
    counted = {exposure.column: kinds[exposure.kind] for exposure in MIST}
    return pd.DataFrame({**counted, COVERAGE: covered})


def _chambers(
    mist: pd.DataFrame | None, spans: pd.DataFrame | None
) -> Iterator[tuple[str, tuple[Ints, Ints], tuple[Ints, Ints]]]:
    """Give each chamber that has a log, with its mist and the time its log spans."""
    names: dict[str, int] = {}
    code = begin = end = np.empty(0, dtype=np.int64)
    if mist is not None and len(mist):
        sound = mist[mist["start"].notna() & mist["stop"].notna()]
        code, found = pd.factorize(sound["chamber"])
        begin, end = to_ns(sound["start"]), to_ns(sound["stop"])
        names = {str(name): i for i, name in enumerate(found)}
    logged = None if spans is None or not len(spans) else spans
    known = set(names) | (set() if logged is None else set(logged["chamber"].astype(str)))
    for name in sorted(known):
        mine = code == names.get(name, -1)
        on = merge_intervals(begin[mine], end[mine])
        covers = on[0][:1], on[1][-1:]
        if logged is not None:
            files = logged[logged["chamber"].astype(str) == name]
            covers = merge_intervals(to_ns(files["first"]), to_ns(files["last"]))
        yield name, on, covers
