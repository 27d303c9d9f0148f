"""Readings of two chambers that are one log: a file copied, or a column named twice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np
import pandas as pd

from trialkit.columns import VALUE_COLUMNS
from trialkit.errors import Finding
from trialkit.logs.climate.records import Records
from trialkit.wording import finding, message

#: Logs are compared at the first record of each slot of this length [ns], which is the same record
#: in a log and in its copy, so that a log of years takes little memory.
_SLOT = 600 * 1_000_000_000
#: Of two logs that are one, every change of the one is a change of the other to the same value.
#: Two sensors that round coarsely change at different moments, however like they are. Sensors of
#: one room that agree to a fiftieth of their step have long rows of changes alike by chance; they
#: also agree outside such a row, mostly, which a part that was copied does not.
FEWEST_CHANGES = 400
_SHARE, _SHARE_OF_ALL, _SHARE_OUTSIDE = 0.995, 0.993, 0.8
#: Lamps on one timer change together, but between few values.
_FEWEST_VALUES = 10


@dataclass(frozen=True)
class Track:
    """Readings of one sensor, the first of each slot of time.

    Parameters
    ----------
    chamber, sensor : str
    time : ndarray of int64
        Nanoseconds since 1970, UTC, rising.
    values : dict
        Column → values.
    file : ndarray of int
        Place of each reading's file among `files`.
    files : sequence of str
    """

    chamber: str
    sensor: str
    time: np.ndarray
    values: dict[str, np.ndarray]
    file: np.ndarray
    files: Sequence[str]

    def where(self, moment: int) -> str:
        """Name the file of the reading at a moment."""
        return self.files[int(self.file[np.searchsorted(self.time, moment)])]


def track_records(
    records: Records, kept: np.ndarray, series: np.ndarray, chambers: Sequence[str]
) -> list[Track]:
    """Give the tracks of the kept records, which stand in the order of series and time."""
    out = []
    files = [account.file for account in records.accounts]
    bounds = np.flatnonzero(np.diff(series[kept], prepend=-1, append=-1) != 0)
    for start, stop in pairwise(bounds.tolist()):
        own = kept[start:stop]
        slot = records.time[own] // _SLOT
        own = own[np.flatnonzero(np.diff(slot, prepend=slot[0] - 1) != 0)]
        sensor = int(records.sensor[own[0]])
        out.append(
            Track(
                chamber=str(chambers[int(records.chamber[own[0]])]),
                sensor=records.sensors[sensor] if sensor >= 0 else "",
                time=records.time[own],
                values={name: values[own] for name, values in records.values.items()},
                file=records.part[own],
                files=files,
            )
        )
    return out


@dataclass(frozen=True)
class Stretch:
    """Moments between which two tracks are one."""

    start: int
    stop: int
    readings: int


def tell_same_readings(tracks: Sequence[Track]) -> list[Finding]:
    """Tell pairs of chambers whose readings are the same over a long stretch.

    Parameters
    ----------
    tracks : sequence of Track

    Returns
    -------
    list of Finding
        One for each two files and chambers, with the longest stretch and what is the same in it.
    """
    ordered = sorted(tracks, key=lambda track: (track.chamber, track.sensor))
    out = []
    for one, two in combinations(ordered, 2):
        if one.chamber == two.chamber or not len(one.time) or not len(two.time):
            continue
        if one.time[0] > two.time[-1] or two.time[0] > one.time[-1]:
            continue
        _, in_one, in_two = np.intersect1d(
            one.time, two.time, assume_unique=True, return_indices=True
        )
        if len(in_one) <= FEWEST_CHANGES:
            continue
        found = {
            name: stretch
            for name in VALUE_COLUMNS["environment"]
            if name in one.values and name in two.values
            for stretch in [
                same_stretch(one.time[in_one], one.values[name][in_one], two.values[name][in_two])
            ]
            if stretch is not None
        }
        if found:
            out.append(_tell(one, two, found))
    return out


def same_stretch(time: np.ndarray, one: np.ndarray, two: np.ndarray) -> Stretch | None:
    """Find the longest stretch in which two courses are one beyond chance; None where none is.

    Only changes count: while both stand still, at 100 % or wherever, they say nothing.
    """
    both = np.flatnonzero(~np.isnan(one) & ~np.isnan(two))
    if len(both) <= FEWEST_CHANGES:
        return None
    a, b = one[both], two[both]
    changes = np.flatnonzero((np.diff(a) != 0) | (np.diff(b) != 0)) + 1
    if len(changes) < FEWEST_CHANGES:
        return None
    agree = a[changes] == b[changes]
    first, last = _longest(agree)
    inside = changes[first:last]
    outside = np.concatenate([agree[:first], agree[last:]])
    if agree.mean() < _SHARE_OF_ALL and len(outside) and outside.mean() > _SHARE_OUTSIDE:
        return None
    enough = len(inside) >= FEWEST_CHANGES and len(np.unique(a[inside])) >= _FEWEST_VALUES
    if not enough:
        return None
    low, high = int(inside[0]), int(inside[-1])
    moments = time[both]
    return Stretch(int(moments[low]), int(moments[high]), high - low + 1)


def _longest(agree: np.ndarray) -> tuple[int, int]:
    """Give the longest slice in which at least `_SHARE` agree: first, and one past the last."""
    gained = np.concatenate([[0.0], np.cumsum(agree - _SHARE)])
    best_after = np.maximum.accumulate(gained[::-1])[::-1]  # falls from left to right
    # the furthest end whose sum is not below that of the start (a little is rounding)
    ends = np.searchsorted(-best_after, -(gained - 1e-9), side="right") - 1
    start = int(np.argmax(ends - np.arange(len(ends))))
    return start, int(ends[start])


def _tell(one: Track, two: Track, found: dict[str, Stretch]) -> Finding:
    """Tell two logs that are one, with their files, and from when to when."""
    longest = max(found.values(), key=lambda stretch: stretch.readings)
    files = one.where(longest.start), two.where(longest.start)
    start, stop = (
        pd.Timestamp(moment, tz="UTC").to_pydatetime() for moment in (longest.start, longest.stop)
    )
    return finding(
        "same_readings",
        "caution",
        form="one_file" if files[0] == files[1] else "two_files",
        first=one.chamber,
        second=two.chamber,
        first_file=files[0],
        second_file=files[1],
        columns=[message(f"sensor_quantity.{name}") for name in found],
        start=start.date(),
        stop=stop.date(),
    )
