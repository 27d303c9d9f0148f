"""Loggers' clocks judged against each other: hours off for some days, or from the first day.

Lamps are one witness: in most rooms they come on at the same time every day. A logger that sees
them an hour earlier or later than it used to, while the others do not, has the wrong time. The
other witness is the air: loggers of one trial feel the same unrest.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.arrays import Ints
from trialkit.errors import Finding
from trialkit.logs.climate.records import Records
from trialkit.logs.clocks.unrest import FEWEST_DAYS, Offset, find_offsets
from trialkit.logs.clocks.zones import NS, Change, wall_times
from trialkit.logs.time_column import date_of, local_time, tell_stayed
from trialkit.wording import finding, message

_DAY = 86400 * NS
_LIGHT_LUX = 10.0
_NEAR_HOUR = (50.0, 70.0)
_FEWEST_DAYS = 2
_JUMP = 50 * 60 * NS
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


def tell_clocks(
    records: Records,
    kept: Ints,
    series: Ints,
    *,
    stayed: list[tuple[str, Change, int]],
    zone: dt.tzinfo,
    kind: str,
) -> list[Finding]:
    """Tell clocks that did not follow a change, and clocks that are hours off, each once.

    Parameters
    ----------
    records : Records
    kept : ndarray of int
        Records in the table, by series and time.
    series : ndarray of int
        Series of each record.
    stayed : list of (file, Change, records)
        Clock changes that a logger's clock did not follow.
    zone : tzinfo
        Zone of the log.
    kind : str
        Of the log, for the lines that set a clock right.
    """
    shifts = _find_shifts(records, kept, series, zone)
    ends: list[int | None] = []
    told: set[int] = set()
    for file, change, _ in stayed:
        day = int(change.low // _DAY)
        mine = [k for k, s in enumerate(shifts) if s.file == file and abs(s.first - day) <= 2]
        told.update(mine)
        ends.append(shifts[mine[0]].until if mine else None)
    files = {s.file for s in shifts} | {file for file, _, _ in stayed}
    return [
        *tell_stayed(stayed, kind, ends),
        *(_tell_shift(shift, kind) for k, shift in enumerate(shifts) if k not in told),
        *_tell_offsets(records, kept, series, kind, told=files),
    ]


def _find_shifts(records: Records, kept: Ints, series: Ints, zone: dt.tzinfo) -> list[Shift]:
    """Find loggers that see the lamps about an hour off on some days.

    Notes
    -----
    The moment the lamps come on each day, minus the median of all loggers of that day, minus the
    logger's own usual difference; 50 to 70 minutes on two or more days in a row count. Fewer than
    three loggers cannot tell who is wrong.
    """
    lux = records.values.get("light_lux")
    if lux is None or not len(kept):
        return []
    dawn = _lamps_on(records, lux, kept, series, zone)
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
        out += _runs_off(records, part, mine, zone)
    return out


def _lamps_on(
    records: Records, lux: np.ndarray, kept: Ints, series: Ints, zone: dt.tzinfo
) -> pd.DataFrame:
    """Give the first moment of light after dark of each series and local day."""
    known = kept[np.isfinite(lux[kept])]
    bright = lux[known] > _LIGHT_LUX
    edge = np.flatnonzero(bright[1:] & ~bright[:-1] & (np.diff(series[known]) == 0)) + 1
    at = known[edge]
    ns = records.time[at]
    # minutes of the local day; a day of 23 or 25 hours is the same for all loggers
    day, within = np.divmod(wall_times(ns, zone), _DAY)
    minute = within / (60 * NS)
    frame = pd.DataFrame({"series": series[at], "at": at, "day": day, "minute": minute})
    return frame.groupby(["series", "day"], as_index=False).first()


def _runs_off(records: Records, part: pd.DataFrame, mine: Ints, zone: dt.tzinfo) -> list[Shift]:
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
            wrong_at, right_at = records.time[pair].tolist()
            until = _set_right(records.time[mine], wrong_at, right_at, zone)
        out.append(
            Shift(
                file=records.accounts[int(records.part[at])].file,
                sensor=records.sensors[int(records.sensor[at])],
                first=int(days[run[0]]),
                last=int(days[run[-1]]),
                until=until,
                minutes=float(np.median(off[run])),
            )
        )
    return out


def _set_right(time: Ints, wrong: int, right: int, zone: dt.tzinfo) -> int:
    """Find when a clock was set right between a wrong and a right morning.

    Setting a clock leaves a gap or a jump in the records; the widest one is taken.
    """
    between = time[(time >= wrong) & (time <= right)]
    steps = np.diff(between)
    if len(steps) and steps.max() >= _JUMP:
        return int(wall_times(between[[int(np.argmax(steps)) + 1]], zone)[0])
    return int(wall_times(np.array([right]), zone)[0] // _DAY * _DAY)


def _tell_shift(shift: Shift, kind: str) -> Finding:
    add = -round(shift.minutes / 60) * 3600
    until = f"until = {local_time(shift.until)}, " if shift.until is not None else ""
    line = f'clock = [{{ file = "{shift.file}", since = {date_of(shift.first)}T00:00:00, '
    return finding(
        "clock_hour_off",
        "caution",
        form="days" if shift.last > shift.first else "day",
        file=shift.file,
        sensor=shift.sensor,
        first=date_of(shift.first),
        last=date_of(shift.last),
        minutes=abs(shift.minutes),
        way=message(f"clock_way.{'later' if shift.minutes > 0 else 'earlier'}"),
        section=f"[logs.{kind}]",
        line=f"{line}{until}add_s = {add} }}]",
    )


def _tell_offsets(
    records: Records, kept: Ints, series: Ints, kind: str, *, told: set[str]
) -> list[Finding]:
    """Tell loggers whose clock was whole hours off from the first day, each once.

    Files in `told` are passed over: another doubt about their clock is told already.
    """
    temp = records.values.get("temp_c")
    if temp is None or not len(kept):
        return []
    pieces = _pieces(records, kept, series)
    files = [records.accounts[int(records.part[at[0]])].file for at in pieces]
    found = find_offsets(
        [records.time[at] for at in pieces],
        [temp[at] for at in pieces],
        [int(series[at[0]]) for at in pieces],
    )
    by_logger: dict[tuple[int, int], list[Offset]] = {}
    for one in found:
        if files[one.unit] not in told:
            key = (int(series[pieces[one.unit][0]]), one.hours)
            by_logger.setdefault(key, []).append(one)
    out = []
    for (_, hours), mine in by_logger.items():
        names = [files[one.unit] for one in mine]
        sensor = records.sensors[int(records.sensor[pieces[mine[0].unit][0]])]
        shared = any(files.count(name) > 1 for name in names)
        peers = min(one.peers for one in mine)
        out.append(_tell_offset(sensor, names, hours, peers, kind, shared=shared))
    return out


def _pieces(records: Records, kept: Ints, series: Ints) -> list[Ints]:
    """Give the records of each series in each file, in order of time."""
    edges = np.flatnonzero(np.diff(series[kept])) + 1
    out = []
    for at in np.split(kept, edges):
        part = records.part[at]
        if (part == part[0]).all():
            out.append(at)
        else:
            out += [at[part == number] for number in np.unique(part)]
    return [at for at in out if len(at) >= FEWEST_DAYS * 24]


def _tell_offset(
    sensor: str, files: list[str], hours: int, peers: int, kind: str, *, shared: bool
) -> Finding:
    lines = ", ".join(f'{{ file = "{file}", add_s = {-3600 * hours} }}' for file in files)
    return finding(
        "clock_off",
        "caution",
        form="shared" if shared else "own",
        files=files,
        sensor=sensor,
        off=message(f"clock_hours.{'later' if hours > 0 else 'earlier'}", count=abs(hours)),
        peers=peers,
        section=f"[logs.{kind}]",
        line=f"clock = [{lines}]",
    )
