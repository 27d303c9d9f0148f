"""The newest part of climate and mist logs, read without the months before it.

A season of one-minute logs is tens of megabytes; of these, a day's look needs the last day. Each
file's beginning (its heads and first rows) and its end are set beside one another in a spare
folder, and read there as any log is, so that heads, times, units and clocks mean the same.
"""

from __future__ import annotations

import datetime as dt
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from trialkit.errors import Finding, LogError
from trialkit.folder import log_files_named, read_log
from trialkit.logs.text.files import open_members
from trialkit.today.read_marks import Marks

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.logs.log import Log
    from trialkit.trial import Trial

#: Bytes from a file's beginning: heads, units and some rows, from which its dates are understood.
BEGINNING = 12_000
#: Bytes from a file's end; four times as much where that does not reach back far enough.
ENDING = 400_000
_ROUNDS = 4
#: A pause around the moment asked for that is longer than this may be rows left out.
_GAP = dt.timedelta(hours=2)
#: How far ahead of us a clock may be before its times are in the future.
LATEST = dt.timedelta(hours=1)
_PACKED = (b"\x1f\x8b", b"BZh", b"\xfd7zXZ\x00", b"PK\x03\x04", b"PAR1", b"\xd0\xcf\x11\xe0")
_WIDE_TEXT = (b"\xff\xfe", b"\xfe\xff")


@dataclass(frozen=True)
class Recent:
    """What came in lately of one kind of log.

    Parameters
    ----------
    table : DataFrame
        As the reader of that kind gives it; at least the rows since the moment asked for.
    last : dict
        Chamber → last moment that any file holds, however long ago.
    problem : str
        Why the log could not be read; empty where it could.
    files : int
        How many files there are.
    read : int
        How many of them were opened: those that are new, have grown, or reach into the time.
    clocks : tuple of Finding
        Clocks that were never set or were reset, with the line that mends their rows.
    unread : tuple of str
        What stopped single files that could not be read.
    """

    table: pd.DataFrame
    last: dict[str, dt.datetime]
    problem: str = ""
    files: int = 0
    read: int = 0
    clocks: tuple[Finding, ...] = ()
    unread: tuple[str, ...] = ()


def read_recent(
    trial: Trial,
    kind: str,
    since: dt.datetime,
    marks: Marks,
    *,
    until: dt.datetime | None = None,
) -> Recent | None:
    """Read a log from a moment on; None where the trial names no such log.

    Parameters
    ----------
    trial : Trial
    kind : {"environment", "mist"}
    since : datetime
        Rows from here on are complete; files that ended before it and have not changed since
        they were last looked at are not opened.
    marks : Marks
        What was seen of each file before; brought up to date.
    until : datetime, optional
        Rows after it are left out, as not yet written.
    """
    import pandas as pd

    if kind not in trial.logs:
        return None
    files = log_files_named(trial, kind)
    fresh = {p: n for p, n in files.items() if not marks.unchanged(n, p, since)}
    last = marks.last(name for path, name in files.items() if path not in fresh)
    if not fresh:
        return Recent(pd.DataFrame(), last, "", len(files), 0)
    try:
        log = _read_ends(trial, kind, fresh, since)
    except LogError as problem:
        return Recent(pd.DataFrame(), last, str(problem), len(files), len(fresh))
    for path, name in fresh.items():
        marks.put(name, path, _last_by_chamber(log.spans, name))
    for chamber, moment in _last_by_chamber(log.spans).items():
        last[chamber] = max(moment, last.get(chamber, moment))
    table = log.table
    if until is not None:
        table = table[table["time" if kind == "environment" else "start"] <= until]
        last = {chamber: moment for chamber, moment in last.items() if moment <= until}
    clocks = tuple(f for f in log.findings if f.code == "clock_reset")
    unread = [f.message for f in log.findings if f.code == "file_unread"]
    return Recent(table, last, "", len(files), len(fresh), clocks, tuple(unread))


def _last_by_chamber(spans: pd.DataFrame, file: str = "") -> dict[str, dt.datetime]:
    """Give each chamber's last moment in the files, or in one of them."""
    if file:
        names = spans["file"].astype(str)
        spans = spans[(names == file) | names.str.startswith((f"{file}/", f"{file}["))]
    found = spans.groupby("chamber", observed=True)["last"].max()
    return {str(c): m.to_pydatetime() for c, m in found.items() if m == m}


def _read_ends(trial: Trial, kind: str, files: Mapping[Path, str], since: dt.datetime) -> Log:
    """Read the ends of files, longer ones where they do not reach back to a moment."""
    ending, log = ENDING, None
    for _ in range(_ROUNDS):
        with tempfile.TemporaryDirectory() as spare:
            cut = [_cut(path, Path(spare) / name, ending) for path, name in files.items()]
            try:
                log = read_log(_moved(trial, kind, files, Path(spare)), kind)
            except LogError:  # too little was there to tell day from month, for instance
                if not any(cut):
                    raise
                log = None
        if log is not None and any(cut) and _sorted_by_chamber(log, since):
            break  # the newest rows of some chambers lie in the middle
        if log is not None and not (any(cut) and _starts_late(log, since)):
            return log if not any(cut) else _without_bridges(log, since)
        ending *= 4
    whole = read_log(trial, kind)
    assert whole is not None  # the trial names this kind
    return whole


def _without_bridges(log: Log, since: dt.datetime) -> Log:
    """Leave out mist that only seems on from the beginning of a file to its end."""
    if log.kind != "mist":
        return log
    bridge = (log.table["start"] < since) & (log.table["on_s"] > _GAP.total_seconds())
    return replace(log, table=log.table[~bridge])


def _moved(trial: Trial, kind: str, files: Mapping[Path, str], spare: Path) -> Trial:
    """Give the trial as if its folder held nothing but these files."""
    # rows named in the trial file are counted from the top of the whole file
    spec = trial.logs[kind].model_copy(update={"files": list(files.values()), "keep": []})
    return replace(trial, folder=spare, logs={**trial.logs, kind: spec})


def _cut(path: Path, target: Path, ending: int) -> bool:
    """Copy a file's beginning and end; say whether anything was left out between them."""
    target.parent.mkdir(parents=True, exist_ok=True)
    with path.open("rb") as source:
        start = source.read(BEGINNING)
        size = path.stat().st_size
        if start.startswith(_PACKED):
            return _cut_packed(path, target, ending)
        if size <= BEGINNING + ending or start.startswith(_WIDE_TEXT):
            target.write_bytes(start + source.read())
            return False
        source.seek(size - ending)
        end = source.read()
    target.write_bytes(_joined(start, end))
    return True


def _cut_packed(path: Path, target: Path, ending: int) -> bool:
    """Cut one text inside a compressed file; anything else is copied as it is."""
    members = open_members(path, path.name)
    data = members[0].data
    whole = len(members) != 1 or members[0].format != "text" or data.startswith(_WIDE_TEXT)
    if whole or len(data) <= BEGINNING + ending:
        target.write_bytes(path.read_bytes())
        return False
    target.write_bytes(_joined(data[:BEGINNING], data[-ending:]))
    return True


def _joined(start: bytes, end: bytes) -> bytes:
    """Put a beginning and an end together at whole lines."""
    return start[: start.rfind(b"\n") + 1] + end[end.find(b"\n") + 1 :]


def _sorted_by_chamber(log: Log, since: dt.datetime) -> bool:
    """Whether a file of several chambers shows new rows of only some: others may have been cut."""
    when = "time" if log.kind == "environment" else "start"
    for _, rows in log.table.groupby("file", observed=True):
        newest = rows.groupby("chamber", observed=True)[when].max()
        if (newest >= since).any() and (newest < since).any():
            return True
    return False


def _starts_late(log: Log, since: dt.datetime) -> bool:
    """Whether rows after the moment asked for may have been left out between the two ends."""
    import pandas as pd

    when = "time" if log.kind == "environment" else "start"
    start = pd.Timestamp(since)
    for _, rows in log.table.groupby("file", observed=True):
        before, after = (rows.loc[part, when] for part in (rows[when] < start, rows[when] >= start))
        # rows after this moment count too: where they alone are in the end, its own lie before
        if len(before) and len(after) and after.min() - before.max() > _GAP:
            return True
    return False
