"""Clocks judged against each other: a logger whose days shift by about an hour.

Lamps are the witness: in most rooms they come on at the same time every day. A logger that sees
them an hour earlier or later than it used to, while the others do not, has the wrong time.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.logs.clocks.zones import Change
from trialkit.logs.harvest.entries import local_days
from trialkit.logs.opening import Reading

if TYPE_CHECKING:
    from trialkit.logs.climate.series import Records

_NS = 1_000_000_000
_DAY = 86400 * _NS
_LIGHT_LUX = 10.0
_NEAR_HOUR = (50.0, 70.0)
_FEWEST_DAYS = 2
_JUMP = 50 * 60 * _NS
_FEWEST_SERIES = 3


@dataclass(frozen=True)
class Shift:
    """Days on which one logger sees the lamps about an hour off.

    Parameters
    ----------
    file : str
    sensor : str
    first, last : int
        First and last day off (days since 1970, local).
    until : int or None
        Wall time [ns] at which it is right again: the end of a gap, where there is one, else
        midnight before the first right day; None where no right day follows.
    minutes : float
        How much later than usual the lamps come on [min]; below 0 is earlier.
    """

    file: str
    sensor: str
    first: int
    last: int
    until: int | None
    minutes: float


def report_clocks(reading: Reading, shifts: list[Shift]) -> None:
    """Tell clocks that did not follow a change, and clocks that are an hour off, each once."""
    told: set[int] = set()
    for file, change, records in reading.stayed:
        day = int(change.low // _DAY)
        mine = [k for k, s in enumerate(shifts) if s.file == file and abs(s.first - day) <= 2]
        told.update(mine)
        _report_stayed(reading, file, change, records, shifts[mine[0]] if mine else None)
    for k, shift in enumerate(shifts):
        if k not in told:
            _report_shift(reading, shift)


def _report_stayed(
    reading: Reading, file: str, change: Change, records: int, shift: Shift | None
) -> None:
    add = change.after_s - change.before_s
    since = change.low if change.forward else change.high
    hour = "local time never had" if change.forward else "local time had twice, but only once"
    early = "early" if add > 0 else "late"
    what = (
        f"{file}: the logger did not follow the clock change of {local_time(change.low)[:10]}: it "
        f"has {records} record{'s' * (records != 1)} in an hour that {hour}; after it, its times "
        f"are {abs(add) // 60} minutes {early}"
    )
    until = None if shift is None else shift.until
    if until is not None:
        what += f", until {local_time(until)[:10]}, as the lamps show"
    lines = f'file = "{file}", since = {local_time(since)}, '
    lines += f"until = {local_time(until)}, " if until is not None else ""
    more = "" if until is not None else " (with until = … if the clock was set right later)"
    remedy = f"add to [logs.{reading.kind}]: clock = [{{ {lines}add_s = {add} }}]{more}"
    reading.find("clock_not_changed", what, remedy)


def _report_shift(reading: Reading, shift: Shift) -> None:
    add = -round(shift.minutes / 60) * 3600
    end = f"to {_date(shift.last)}" if shift.last > shift.first else ""
    what = (
        f"{shift.file}: from {_date(shift.first)} {end} {shift.sensor} sees the lamps come on "
        f"{abs(shift.minutes):.0f} minutes {'later' if shift.minutes > 0 else 'earlier'} than "
        "before, unlike the other loggers: its clock is an hour off, or the lamp was reset"
    )
    until = f"until = {local_time(shift.until)}, " if shift.until is not None else ""
    remedy = (
        f"if it is the clock, add to [logs.{reading.kind}]: "
        f'clock = [{{ file = "{shift.file}", since = {_date(shift.first)}T00:00:00, {until}'
        f"add_s = {add} }}]"
    )
    reading.find("clock_hour_off", what, remedy)


def local_time(wall: int) -> str:
    """Write a wall time as it stands in the trial file."""
    return str(np.datetime64(int(wall), "ns").astype("datetime64[s]"))


def _date(day: int) -> str:
    return str(np.datetime64(int(day), "D"))


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
