"""States of the mist → intervals with mist on, one chamber at a time."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

import numpy as np

from trialkit.logs.mist.switches import Switches
from trialkit.logs.opening import Reading
from trialkit.wording import finding, message, place

if TYPE_CHECKING:
    import pandas as pd

NS = 1_000_000_000
_FEWEST_SAMPLES = 10


def close_pulses(reading: Reading, found: list[Switches]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Turn states and intervals of all files into intervals that do not overlap.

    Returns
    -------
    (DataFrame, DataFrame)
        Intervals ``chamber, start, stop, on_s, file``, and what each file covers
        (``file, chamber, sensor, first, last, records``).
    """
    chambers = reading.trial.levels["chamber"]
    rows: list[tuple[int, np.ndarray, np.ndarray, np.ndarray]] = []
    for code in range(len(chambers)):
        pieces = [(k, np.flatnonzero(s.chamber == code)) for k, s in enumerate(found)]
        pieces = [(k, i) for k, i in pieces if len(i)]
        if not pieces:
            continue
        states = [(k, i) for k, i in pieces if found[k].stop is None]
        whole = [(k, i) for k, i in pieces if found[k].stop is not None]
        parts = []
        if states:
            parts.append(_from_states(reading, found, states, chambers[code]))
        for k, i in whole:
            stop = found[k].stop
            assert stop is not None
            _copies(found, [(k, i)], stop)
            alive = found[k].account.alive[found[k].index[i]]
            parts.append((found[k].time[i][alive], stop[i][alive], np.full(int(alive.sum()), k)))
        start, stop, origin = (np.concatenate([p[j] for p in parts]) for j in range(3))
        rows.append((code, *_merge(reading, chambers[code], start, stop, origin)))
    return _tables(reading, found, rows, chambers)


def _from_states(
    reading: Reading, found: list[Switches], pieces: list[tuple[int, np.ndarray]], chamber: str
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Turn the states of one chamber, from all files, into intervals."""
    origin = np.concatenate([np.full(len(i), k) for k, i in pieces])
    within = np.concatenate([i for _, i in pieces])
    time = np.concatenate([found[k].time[i] for k, i in pieces])
    on = np.concatenate([found[k].on[i] for k, i in pieces])
    order = np.argsort(time, kind="stable")
    origin, within, time, on = origin[order], within[order], time[order], on[order]
    kept = _drop_copies(found, origin, within, time, on)
    origin, within, time, on = origin[kept], within[kept], time[kept], on[kept]
    if not len(time):
        return time, time, origin
    if found[int(origin[0])].sampled or _is_sampled(time, on):
        return _sampled(reading, time, on, origin)
    begins = np.flatnonzero(on & ~np.concatenate([[False], on[:-1]]))
    ends_after = np.flatnonzero(~on)
    nearest = np.searchsorted(ends_after, begins)
    closed = nearest < len(ends_after)
    stop = (
        np.where(closed, time[ends_after[np.minimum(nearest, len(ends_after) - 1)]], 0)
        if len(ends_after)
        else np.zeros(len(begins), np.int64)
    )
    if not closed.all():
        _never_off(reading, found, origin, within, int(begins[-1]), chamber, time)
    return time[begins[closed]], stop[closed], origin[begins[closed]]


def _is_sampled(time: np.ndarray, on: np.ndarray) -> bool:
    """Whether states were read at regular steps, rather than written down when they changed.

    A state read regularly says nothing about a gap in the readings; a change holds until the next.
    """
    if len(time) < _FEWEST_SAMPLES:
        return False
    step = np.diff(time)
    regular = np.abs(step - np.median(step)) <= 0.1 * np.median(step)
    return bool(np.mean(on[1:] == on[:-1]) > 0.5 and regular.mean() > 0.5)


def _never_off(
    reading: Reading,
    found: list[Switches],
    origin: np.ndarray,
    within: np.ndarray,
    first: int,
    chamber: str,
    time: np.ndarray,
) -> None:
    """Set aside the rows from the last switching on that no switching off follows."""
    when = dt.datetime.fromtimestamp(int(time[first]) / NS, tz=reading.trial.zone)
    here = place({"chamber": chamber})
    for k in np.unique(origin[first:]):
        rows = found[k].index[within[first:][origin[first:] == k]]
        found[k].account.set_aside(
            rows,
            rule="never switched off",
            keepable=False,
            reason=message("row_reason.never_switched_off", place=here, since=when),
            remedy=message("row_remedy.never_switched_off"),
        )
    reading.findings.append(finding("never_switched_off", "caution", place=here, since=when))


def _drop_copies(
    found: list[Switches], origin: np.ndarray, within: np.ndarray, time: np.ndarray, on: np.ndarray
) -> np.ndarray:
    """Set aside a state that stands twice at one moment; give which rows stay."""
    kept = np.ones(len(time), bool)
    if len(time) < 2:
        return kept
    start = np.concatenate([[True], np.diff(time) > 0])
    moment = np.cumsum(start)
    key = moment * 2 + on
    order = np.argsort(key, kind="stable")
    again = order[1:][np.diff(key[order]) == 0]
    # on, off, on at one second is a real flicker only if it alternates in one file
    kept[again] = False
    for k in np.unique(origin[again]):
        rows = found[k].index[within[again[origin[again] == k]]]
        found[k].account.set_aside(
            rows,
            rule="double export",
            keepable=False,
            reason=message("row_reason.same_state_again"),
        )
    return kept


def _copies(found: list[Switches], pieces: list[tuple[int, np.ndarray]], stop: np.ndarray) -> None:
    for k, i in pieces:
        pair = np.stack([found[k].time[i], stop[i]], axis=1)
        _, first = np.unique(pair, axis=0, return_index=True)
        again = np.setdiff1d(np.arange(len(i)), first)
        found[k].account.set_aside(
            found[k].index[i[again]],
            rule="double export",
            keepable=False,
            reason=message("row_reason.same_interval_again"),
        )


def _sampled(
    reading: Reading, time: np.ndarray, on: np.ndarray, origin: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Let each sample hold until the next; before a longer gap, for one usual step."""
    step = np.diff(time)
    usual = int(np.median(step)) if len(step) else 0
    limit = round(reading.spec.max_gap_min * 60 * NS) if reading.spec.max_gap_min else 3 * usual
    hold = np.append(np.where(step <= limit, step, usual), usual)
    mine = on & (hold > 0)
    return time[mine], time[mine] + hold[mine], origin[mine]


def _merge(
    reading: Reading, chamber: str, start: np.ndarray, stop: np.ndarray, origin: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Join intervals that touch or overlap."""
    longer = stop > start
    start, stop, origin = start[longer], stop[longer], origin[longer]
    order = np.lexsort((stop, start))
    start, stop, origin = start[order], stop[order], origin[order]
    if not len(start):
        return start, stop, origin
    reach = np.maximum.accumulate(stop)
    fresh = np.concatenate([[True], start[1:] > reach[:-1]])
    overlap = int((start[1:] < reach[:-1]).sum())
    if overlap:
        where = place({"chamber": chamber})
        reading.findings.append(finding("mist_overlap", "note", place=where, count=overlap))
    first = np.flatnonzero(fresh)
    return start[first], np.maximum.reduceat(stop, first), origin[first]


def _tables(
    reading: Reading,
    found: list[Switches],
    rows: list[tuple[int, np.ndarray, np.ndarray, np.ndarray]],
    chambers: tuple[str, ...],
) -> tuple[pd.DataFrame, pd.DataFrame]:
    import pandas as pd

    names = pd.Series([s.account.file for s in found] or [""]).array
    none = np.zeros(0, np.int64)
    start = np.concatenate([none, *[r[1] for r in rows]])
    stop = np.concatenate([none, *[r[2] for r in rows]])
    origin = np.concatenate([none, *[r[3] for r in rows]])
    code = np.concatenate([none, *[np.full(len(r[1]), r[0]) for r in rows]])
    table = pd.DataFrame(
        {
            "chamber": pd.Series(list(chambers)).array.take(code),
            "start": _utc(start),
            "stop": _utc(stop),
            "on_s": (stop - start) / NS,
            "file": names.take(origin),
        }
    )
    covers = []
    for s in found:
        for c in np.unique(s.chamber):
            mine = s.chamber == c
            last = s.time[mine] if s.stop is None else s.stop[mine]
            covers.append(
                (s.account.file, chambers[c], "", s.time[mine].min(), last.max(), int(mine.sum()))
            )
    spans = pd.DataFrame(covers, columns=["file", "chamber", "sensor", "first", "last", "records"])
    for name in ("first", "last"):
        spans[name] = _utc(spans[name].to_numpy(dtype=np.int64))
    return table, spans


def _utc(ns: np.ndarray) -> pd.DatetimeIndex:
    import pandas as pd

    return pd.DatetimeIndex(ns.astype("datetime64[ns]")).tz_localize("UTC")
