"""One climate log under two chambers' names, with the clock of the copy moved."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np
import pandas as pd

from trialkit.errors import Finding
from trialkit.logs.climate.same_readings import (
    FEWEST_CHANGES,
    Stretch,
    Track,
    same_stretch,
    tell_same_readings,
)
from trialkit.wording import finding, message

#: Courses that are measured. Light may be a timer's and the same in every chamber, hours apart.
_COLUMNS = ("temp_c", "rh_pct", "co2_ppm")
#: Readings in a row that are looked for in other logs, and how many of them must be changes.
_RUN, _FEWEST_IN_RUN = 24, 12
#: Runs of one log that are looked for, spread over it; as many of them must lie equally far off.
_MOST_RUNS, _FEWEST_ALIKE = 200, 3
_BASE = 1_000_003


def tell_one_log_twice(tracks: Sequence[Track]) -> list[Finding]:
    """Tell pairs of chambers whose readings are one log, at the same times or some time apart.

    Parameters
    ----------
    tracks : sequence of Track

    Returns
    -------
    list of Finding
    """
    found = tell_same_readings(tracks)
    told = {frozenset((str(f.values["first"]), str(f.values["second"]))) for f in found}
    return [*found, *tell_shifted_copies(tracks, told)]


def tell_shifted_copies(
    tracks: Sequence[Track], told: Collection[frozenset[str]] = ()
) -> list[Finding]:
    """Tell pairs of chambers whose readings are the same some time apart.

    Only whole multiples of ten minutes are found, since tracks hold one reading in ten minutes;
    a clock that was set wrong is mostly hours off.

    Parameters
    ----------
    tracks : sequence of Track
    told : collection of frozenset of str
        Pairs of chambers that are told already.

    Returns
    -------
    list of Finding
    """
    ordered = sorted(tracks, key=lambda track: (track.chamber, track.sensor))
    lags = _lags(ordered)
    out = []
    for (i, j), lag in sorted(lags.items()):
        one, two = ordered[i], ordered[j]
        if frozenset((one.chamber, two.chamber)) in told:
            continue
        early, late, gap = (one, two, lag) if lag > 0 else (two, one, -lag)
        found = _compare(early, late, gap)
        if found:
            out.append(_tell(early, late, gap, found))
    return out


def _lags(tracks: Sequence[Track]) -> dict[tuple[int, int], int]:
    """Find how far apart [ns] pairs of tracks have runs of readings in common."""
    votes: dict[tuple[int, int], list[int]] = {}
    for name in _COLUMNS:
        runs = [_runs(track.values[name]) if name in track.values else None for track in tracks]
        wanted, owners, places = _chosen(runs)
        if not len(wanted):
            continue
        for j, run in enumerate(runs):
            if run is None:
                continue
            codes, at = run
            hit = np.searchsorted(wanted, codes)
            same = wanted[np.minimum(hit, len(wanted) - 1)] == codes
            for k, place in zip(hit[same].tolist(), at[same].tolist(), strict=True):
                i = int(owners[k])
                lag = int(tracks[j].time[place] - tracks[i].time[places[k]])
                if tracks[i].chamber == tracks[j].chamber or lag == 0:
                    continue
                pair, way = ((i, j), lag) if i < j else ((j, i), -lag)
                votes.setdefault(pair, []).append(way)
    out = {}
    for pair, ways in votes.items():
        values, counts = np.unique(ways, return_counts=True)
        if counts.max() >= _FEWEST_ALIKE:
            out[pair] = int(values[np.argmax(counts)])
    return out


def _runs(values: np.ndarray) -> tuple[np.ndarray, np.ndarray] | None:
    """Give a number for each run of readings with enough changes, and where it starts."""
    n = len(values) - _RUN + 1
    if n < 1:
        return None
    known = ~np.isnan(values)
    bounded = np.clip(np.where(known, values, 0.0), -1e12, 1e12)
    whole = np.round(bounded * 1000).astype(np.int64).astype(np.uint64)
    changes = np.concatenate([[0], np.cumsum(np.diff(whole) != 0)])
    gaps = np.concatenate([[0], np.cumsum(~known)])
    good = (changes[_RUN - 1 :] - changes[:n] >= _FEWEST_IN_RUN) & (gaps[_RUN:] == gaps[:n])
    codes = np.zeros(n, np.uint64)
    for k in range(_RUN):  # wraps round at 2 ** 64, which only mixes further
        codes = codes * np.uint64(_BASE) + whole[k : k + n]
    return codes[good], np.flatnonzero(good)


def _chosen(
    runs: Sequence[tuple[np.ndarray, np.ndarray] | None],
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Choose the runs to look for: their numbers, rising, whose they are, and where they start."""
    codes, owners, places = [], [], []
    for i, run in enumerate(runs):
        if run is None or not len(run[0]):
            continue
        take = np.unique(np.linspace(0, len(run[0]) - 1, _MOST_RUNS).astype(int))
        codes.append(run[0][take])
        places.append(run[1][take])
        owners.append(np.full(len(take), i))
    if not codes:
        return np.zeros(0, np.uint64), np.zeros(0, int), np.zeros(0, int)
    wanted, first = np.unique(np.concatenate(codes), return_index=True)
    return wanted, np.concatenate(owners)[first], np.concatenate(places)[first]


def _compare(early: Track, late: Track, gap: int) -> dict[str, Stretch]:
    """Find the columns that are the same when the later log is moved back."""
    _, in_early, in_late = np.intersect1d(
        early.time, late.time - gap, assume_unique=True, return_indices=True
    )
    if len(in_early) <= FEWEST_CHANGES:
        return {}
    found = {}
    for name in _COLUMNS:
        if name in early.values and name in late.values:
            stretch = same_stretch(
                early.time[in_early], early.values[name][in_early], late.values[name][in_late]
            )
            if stretch is not None:
                found[name] = stretch
    return found


def _tell(early: Track, late: Track, gap: int, found: dict[str, Stretch]) -> Finding:
    """Tell two logs that are one, with how far apart they are."""
    longest = max(found.values(), key=lambda stretch: stretch.readings)
    start, stop = (
        pd.Timestamp(moment, tz="UTC").to_pydatetime() for moment in (longest.start, longest.stop)
    )
    return finding(
        "same_readings",
        "caution",
        form="shifted",
        first=early.chamber,
        second=late.chamber,
        first_file=early.where(longest.start),
        second_file=late.where(longest.start + gap),
        columns=[message(f"sensor_quantity.{name}") for name in found],
        hours=gap / 3.6e12,
        start=start.date(),
        stop=stop.date(),
    )
