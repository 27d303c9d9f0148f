"""Clocks that did not follow a change, or were an hour off, told once each with the remedy."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np

from trialkit.logs.clocks.zones import Change
from trialkit.logs.reading import Reading
from trialkit.wording import message

_DAY = 86_400_000_000_000


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
    until = None if shift is None else shift.until
    lines = f'file = "{file}", since = {local_time(since)}, '
    lines += f"until = {local_time(until)}, " if until is not None else ""
    hour = "no_hour" if change.forward else "double_hour"
    reading.find(
        "clock_not_changed",
        form="open" if until is None else "until",
        file=file,
        day=_day(int(change.low // _DAY)),
        records=message(f"clock_records.{hour}", count=records),
        minutes=abs(add) // 60,
        way=message(f"clock_way.{'early' if add > 0 else 'late'}"),
        until="" if until is None else _day(int(until // _DAY)),
        section=f"[logs.{reading.kind}]",
        line=f"clock = [{{ {lines}add_s = {add} }}]",
    )


def _report_shift(reading: Reading, shift: Shift) -> None:
    add = -round(shift.minutes / 60) * 3600
    until = f"until = {local_time(shift.until)}, " if shift.until is not None else ""
    line = f'clock = [{{ file = "{shift.file}", since = {_day(shift.first)}T00:00:00, '
    reading.find(
        "clock_hour_off",
        form="days" if shift.last > shift.first else "day",
        file=shift.file,
        sensor=shift.sensor,
        first=_day(shift.first),
        last=_day(shift.last),
        minutes=abs(shift.minutes),
        way=message(f"clock_way.{'later' if shift.minutes > 0 else 'earlier'}"),
        section=f"[logs.{reading.kind}]",
        line=f"{line}{until}add_s = {add} }}]",
    )


def local_time(wall: int) -> str:
    """Write a wall time as it stands in the trial file."""
    return str(np.datetime64(int(wall), "ns").astype("datetime64[s]"))


def _day(day: int) -> dt.date:
    return dt.date(1970, 1, 1) + dt.timedelta(days=int(day))
