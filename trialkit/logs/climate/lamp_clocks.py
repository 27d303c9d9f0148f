"""Clocks judged against each other: a logger whose days shift by about an hour.

Lamps are the witness: in most rooms they come on at the same time every day. A logger that sees
them an hour earlier or later than it used to, while the others do not, has the wrong time.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.logs.climate.records import Records
from trialkit.logs.clock_findings import Shift
from trialkit.logs.reading import Reading
from trialkit.logs.text.days import local_days

_NS = 1_000_000_000
_DAY = 86400 * _NS
_LIGHT_LUX = 10.0
_NEAR_HOUR = (50.0, 70.0)
_FEWEST_DAYS = 2
_JUMP = 50 * 60 * _NS
_FEWEST_SERIES = 3


def find_shifts(
    reading: Reading, records: Records, kept: np.ndarray, series: np.ndarray
) -> list[Shift]:
    """Find loggers that see the lamps about an hour off on some days.

    Parameters
    ----------
    reading : Reading
    records : Records
    kept : ndarray of int
        Records in the table, by series and time.
    series : ndarray of int
        Series of each record.

    Returns
    -------
    list of Shift

    Notes
    -----
    The moment the lamps come on each day, minus the median of all loggers of that day, minus the
    logger's own usual difference; 50 to 70 minutes on two or more days in a row count. Fewer than
    three loggers cannot tell who is wrong.
    """
    lux = records.values.get("light_lux")
    if lux is None or not len(kept):
        return []
    dawn = _lamps_on(reading, records, lux, kept, series)
    if dawn["series"].nunique() < _FEWEST_SERIES:
        return []
    by_day = dawn.groupby("day")["minute"]
    dawn["off"] = dawn["minute"] - by_day.transform("median")
    dawn = dawn[by_day.transform("count") >= _FEWEST_SERIES]
    dawn["off"] -= dawn.groupby("series")["off"].transform("median")
    out: list[Shift] = []
    for _, part in dawn.groupby("series"):
        part = part.sort_values("day")
        mine = kept[series[kept] == int(part["series"].iloc[0])]
        out += _runs_off(reading, records, part, mine)
    return out


def _lamps_on(
    reading: Reading, records: Records, lux: np.ndarray, kept: np.ndarray, series: np.ndarray
) -> pd.DataFrame:
    """Give the first moment of light after dark of each series and local day."""
    known = kept[np.isfinite(lux[kept])]
    bright = lux[known] > _LIGHT_LUX
    edge = np.flatnonzero(bright[1:] & ~bright[:-1] & (np.diff(series[known]) == 0)) + 1
    at = known[edge]
    ns = records.time[at]
    day = local_days(ns, reading.zone)
    # minutes of the local day; a day of 23 or 25 hours is the same for all loggers
    minute = (_wall(reading, ns) - day * _DAY) / (60 * _NS)
    frame = pd.DataFrame({"series": series[at], "at": at, "day": day, "minute": minute})
    return frame.groupby(["series", "day"], as_index=False).first()


def _runs_off(
    reading: Reading, records: Records, part: pd.DataFrame, mine: np.ndarray
) -> list[Shift]:
    """Find stretches of days on which one series is about an hour off."""
    off = part["off"].to_numpy()
    wrong = (np.abs(off) >= _NEAR_HOUR[0]) & (np.abs(off) <= _NEAR_HOUR[1])
    days = part["day"].to_numpy()
    out = []
    for run in np.split(np.arange(len(off)), np.flatnonzero(np.diff(wrong)) + 1):
        if not len(run) or not wrong[run[0]] or len(run) < _FEWEST_DAYS:
            continue
        at = int(part["at"].iloc[run[0]])
        after = run[-1] + 1
        until = None
        if after < len(days):
            pair = part["at"].to_numpy()[[run[-1], after]]
            until = _set_right(reading, records.time[mine], *records.time[pair].tolist())
        out.append(
            Shift(
                file=records.parts[int(records.part[at])].account.file,
                sensor=records.sensors[int(records.sensor[at])],
                first=int(days[run[0]]),
                last=int(days[run[-1]]),
                until=until,
                minutes=float(np.median(off[run])),
            )
        )
    return out


def _wall(reading: Reading, ns: np.ndarray) -> np.ndarray:
    """Give moments as wall time of the log's zone [ns]."""
    stamps = pd.DatetimeIndex(ns.astype("datetime64[ns]")).tz_localize("UTC")
    local = stamps.tz_convert(reading.zone).tz_localize(None)
    return np.asarray(local.to_numpy().astype("datetime64[ns]").astype(np.int64))


def _set_right(reading: Reading, time: np.ndarray, wrong: int, right: int) -> int:
    """Find when a clock was set right between a wrong and a right morning.

    Setting a clock leaves a gap or a jump in the records; the widest one is taken.
    """
    between = time[(time >= wrong) & (time <= right)]
    steps = np.diff(between)
    if len(steps) and steps.max() >= _JUMP:
        return int(_wall(reading, between[[int(np.argmax(steps)) + 1]])[0])
    return int(_wall(reading, np.array([right]))[0] // _DAY * _DAY)
