"""Loggers whose clock was whole hours off from the first day, told with the remedy."""

from __future__ import annotations

import numpy as np

from trialkit.arrays import Ints
from trialkit.logs.climate.records import Records
from trialkit.logs.clocks.unrest import FEWEST_DAYS, Offset, find_offsets
from trialkit.logs.reading import Reading
from trialkit.wording import message


def report_offsets(
    reading: Reading, records: Records, kept: Ints, series: Ints, *, told: set[str]
) -> None:
    """Tell loggers whose clock was whole hours off from the first day, each once.

    Parameters
    ----------
    reading : Reading
    records : Records
    kept : ndarray of int
        Records in the table, by series and time.
    series : ndarray of int
        Series of each record.
    told : set of str
        Files of which another doubt about the clock is told already.
    """
    temp = records.values.get("temp_c")
    if temp is None or not len(kept):
        return
    pieces = _pieces(records, kept, series)
    files = [records.parts[int(records.part[at[0]])].account.file for at in pieces]
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
    for (_, hours), mine in by_logger.items():
        names = [files[one.unit] for one in mine]
        sensor = records.sensors[int(records.sensor[pieces[mine[0].unit][0]])]
        shared = any(files.count(name) > 1 for name in names)
        _tell(reading, sensor, names, hours, min(one.peers for one in mine), shared=shared)


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


def _tell(
    reading: Reading, sensor: str, files: list[str], hours: int, peers: int, *, shared: bool
) -> None:
    lines = ", ".join(f'{{ file = "{file}", add_s = {-3600 * hours} }}' for file in files)
    reading.find(
        "clock_off",
        form="shared" if shared else "own",
        files=files,
        sensor=sensor,
        off=message(f"clock_hours.{'later' if hours > 0 else 'earlier'}", count=abs(hours)),
        peers=peers,
        section=f"[logs.{reading.kind}]",
        line=f"clock = [{lines}]",
    )
