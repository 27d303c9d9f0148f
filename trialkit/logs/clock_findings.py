"""Clocks that did not follow a change, or were an hour off, told once each with the remedy."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trialkit.logs.clocks.zones import Change
from trialkit.logs.reading import Reading

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
