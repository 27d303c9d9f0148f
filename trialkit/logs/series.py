"""Records of all files → one table of series: sensors named, copies set aside, sorted."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Any

import numpy as np

from trialkit.logs.ledger import FileAccount
from trialkit.logs.log import Log
from trialkit.logs.mapping import VALUES
from trialkit.logs.tables import Reading

if TYPE_CHECKING:
    import pandas as pd

_MOST_COPIES = 1000


@dataclass
class Part:
    """Records of one file (or of one chamber of a wide file).

    Parameters
    ----------
    account : FileAccount
    index : ndarray of int, shape (n,)
        Positions of the records among the rows of the file.
    chamber, sensor : ndarray of object, shape (n,)
        `sensor` is empty where the file does not tell.
    time : ndarray of int64, shape (n,)
        Nanoseconds since 1970, UTC.
    values : dict
        Column → values in house units.
    shelf : ndarray of object or None
    """

    account: FileAccount
    index: np.ndarray
    chamber: np.ndarray
    sensor: np.ndarray
    time: np.ndarray
    values: dict[str, np.ndarray]
    shelf: np.ndarray | None


@dataclass
class _Records:
    """All records under each other."""

    parts: list[Part]
    file: np.ndarray
    index: np.ndarray
    chamber: np.ndarray
    sensor: np.ndarray
    shelf: np.ndarray | None
    time: np.ndarray
    values: dict[str, np.ndarray]
    alive: np.ndarray


def finish_series(reading: Reading, parts: list[Part]) -> Log:
    """Make the log of all parts: name sensors, set copies aside, sort."""
    records = _stack(parts)
    _name_sensors(reading, records)
    series = _codes(records)
    _note_disorder(reading, records, series)
    order = np.lexsort((np.arange(len(records.time)), records.time, series))
    _set_copies_aside(records, series, order)
    kept = order[records.alive[order]]
    _doubt_units(reading, records, kept)
    table = _table(records, kept)
    spans = _spans(records, kept)
    ledger, idle = reading.account.close()
    return Log(
        reading.kind, table, ledger, (*reading.findings, *idle), tuple(reading.files), spans=spans
    )


def _stack(parts: list[Part]) -> _Records:
    counts = [len(p.index) for p in parts]
    n = sum(counts)
    columns = [c for c in VALUES["environment"] if any(c in p.values for p in parts)]
    shelved = any(p.shelf is not None for p in parts)

    def join(pieces: list[np.ndarray], dtype: Any) -> np.ndarray:
        return np.concatenate([np.zeros(0, dtype), *pieces]).astype(dtype)

    blank = [np.full(k, "", dtype=object) for k in counts]
    return _Records(
        parts=parts,
        file=np.repeat(np.arange(len(parts)), counts),
        index=join([p.index for p in parts], np.int64),
        chamber=join([p.chamber for p in parts], object),
        sensor=join([p.sensor for p in parts], object),
        shelf=join([b if p.shelf is None else p.shelf for p, b in zip(parts, blank, strict=True)],
                   object) if shelved else None,
        time=join([p.time for p in parts], np.int64),
        values={
            c: join([p.values.get(c, np.full(k, np.nan)) for p, k in zip(parts, counts, strict=True)],
                    np.float64)
            for c in columns
        },
        alive=np.ones(n, bool),
    )  # fmt: skip


def _codes(records: _Records) -> np.ndarray:
    """Number the series: chamber, sensor and shelf."""
    import pandas as pd

    code = np.zeros(len(records.time), np.int64)
    for column in (records.chamber, records.sensor, records.shelf):
        if column is not None:
            found, names = pd.factorize(column, sort=True)
            code = code * (len(names) + 1) + found
    return np.asarray(pd.factorize(code, sort=True)[0], dtype=np.int64)


def _name_sensors(reading: Reading, records: _Records) -> None:
    """Name sensors that files do not name: by their chamber, or by their files where two differ.

    Two files of one chamber that overlap in time and disagree come from two loggers.
    """
    unnamed = records.sensor == ""
    if not unnamed.any():
        return
    for chamber in np.unique(records.chamber[unnamed].astype(str)):
        here = np.flatnonzero(unnamed & (records.chamber == chamber))
        records.sensor[here] = chamber
        files = np.unique(records.file[here])
        if len(files) < 2:
            continue
        rows = {int(f): here[records.file[here] == f] for f in files}
        owner = _loggers(records, rows)
        if len(set(owner.values())) < 2:
            continue
        names = {f: _stem(records.parts[f].account.file) for f in set(owner.values())}
        for f, index in rows.items():
            records.sensor[index] = names[owner[f]]
        told = ", ".join(sorted(set(names.values())))
        reading.find(
            "several_loggers",
            f"{chamber}: files overlap in time with different values, so they are taken as "
            f"different sensors ({told})",
            "name them under sensor, or remove the wrong file",
            severity="note",
        )


def _stem(file: str) -> str:
    return PurePosixPath(file).name.split(".")[0]


def _loggers(records: _Records, rows: dict[int, np.ndarray]) -> dict[int, int]:
    """Give for each file the first file of the same logger."""
    owner: dict[int, int] = {}
    for f, mine in rows.items():
        owner[f] = f
        for g in sorted(set(owner.values()) - {f}):
            if not _disagree(records, rows[g], mine):
                owner[f] = g
                break
    return owner


def _disagree(records: _Records, first: np.ndarray, second: np.ndarray) -> bool:
    """Whether two files overlap in time and are not copies of each other there."""
    a, b = records.time[first], records.time[second]
    low, high = max(a.min(), b.min()), min(a.max(), b.max())
    if high <= low:
        return False
    in_a, in_b = first[(a >= low) & (a <= high)], second[(b >= low) & (b <= high)]
    if not len(in_a) or not len(in_b):
        return False
    _, ia, ib = np.intersect1d(records.time[in_a], records.time[in_b], return_indices=True)
    if len(ia) < 0.2 * min(len(in_a), len(in_b)):
        return True  # other moments: two loggers out of step
    clash = np.zeros(len(ia), bool)
    for values in records.values.values():
        one, two = values[in_a[ia]], values[in_b[ib]]
        clash |= ~np.isnan(one) & ~np.isnan(two) & (one != two)
    return bool(clash.mean() > 0.5)


def _note_disorder(reading: Reading, records: _Records, series: np.ndarray) -> None:
    for f, part in enumerate(records.parts):
        rows = np.flatnonzero(records.file == f)
        order = np.argsort(series[rows], kind="stable")
        steps = np.diff(records.time[rows][order])
        same = np.diff(series[rows][order]) == 0
        back, forth = int((steps[same] < 0).sum()), int((steps[same] > 0).sum())
        if back and forth and min(back, forth):
            reading.find(
                "out_of_order",
                f"{part.account.file}: time steps back {min(back, forth)} "
                f"time{'s' * (min(back, forth) != 1)}; the records were put in order",
                severity="note",
            )


def _set_copies_aside(records: _Records, series: np.ndarray, order: np.ndarray) -> None:
    """Set aside records of one series and moment beyond the first; join those that complete it."""
    if len(order) < 2:
        return
    same = (np.diff(records.time[order]) == 0) & (np.diff(series[order]) == 0)
    if not same.any():
        return
    start = np.concatenate([[True], ~same])
    head = np.maximum.accumulate(np.where(start, np.arange(len(order)), 0))
    rank = np.arange(len(order)) - head
    copies: list[np.ndarray] = []
    others: list[np.ndarray] = []
    joined: list[np.ndarray] = []
    for k in range(1, int(min(rank.max(), _MOST_COPIES)) + 1):
        later, first = order[rank == k], order[head[rank == k]]
        clash, adds = np.zeros(len(later), bool), np.zeros(len(later), bool)
        for values in records.values.values():
            one, two = values[first], values[later]
            clash |= ~np.isnan(one) & ~np.isnan(two) & (one != two)
            adds |= np.isnan(one) & ~np.isnan(two)
        for values in records.values.values():
            fill = adds & ~clash & np.isnan(values[first])
            values[first[fill]] = values[later[fill]]
        copies.append(later[~clash & ~adds])
        others.append(later[clash])
        joined.append(later[~clash & adds])
    others.append(order[rank > _MOST_COPIES])
    reported = (
        (copies, "double export", "the same record stands earlier in the files", ""),
        (others, "same time, other values", "the sensor has another record for this moment",
         "if two sensors share the file, name them under sensor"),
    )  # fmt: skip
    records.alive[np.concatenate(joined)] = False  # their values now stand in the first record
    dropped = np.concatenate([*copies, *others])
    records.alive[dropped] = False
    for found, rule, reason, remedy in reported:
        _report(records, np.concatenate(found), np.concatenate(joined), rule, reason, remedy)


def _report(
    records: _Records, rows: np.ndarray, joined: np.ndarray, rule: str, reason: str, remedy: str
) -> None:
    """Set aside the file rows behind records; rows of which another record is kept get a note."""
    used = records.alive.copy()
    used[joined] = True
    for account in {id(p.account): p.account for p in records.parts}.values():
        mine = np.array([p.account is account for p in records.parts])
        here = rows[mine[records.file[rows]]]
        if not len(here):
            continue
        live = np.zeros(len(account.rows), bool)
        live[records.index[used & mine[records.file]]] = True
        index, first = np.unique(records.index[here], return_index=True)
        when = np.datetime_as_string(records.time[here[first]].astype("datetime64[ns]"), unit="s")
        old = np.array([w.replace("T", " ") + " UTC" for w in when], dtype=object)
        gone = ~live[index]
        account.note(index[~gone], rule=rule, old=old[~gone], reason=reason, remedy=remedy)
        account.set_aside(
            index[gone], rule=rule, old=old[gone], reason=reason, remedy=remedy, keepable=False
        )


def _doubt_units(reading: Reading, records: _Records, kept: np.ndarray) -> None:
    """Find values that only make sense in another unit."""
    for f, part in enumerate(records.parts):
        rows = kept[records.file[kept] == f]
        for column, values in records.values.items():
            here = values[rows]
            here = here[~np.isnan(here)]
            if len(here) < 10:
                continue
            middle, top = float(np.median(here)), float(np.max(here))
            if column == "temp_c" and 45 < middle < 110:
                what, unit = f"a usual temperature of {middle:.0f} °C", "degF"
            elif column == "rh_pct" and top <= 1.5:
                what, unit = f"humidity never above {top:.2f} %", "fraction"
            else:
                continue
            reading.find(
                "unit_doubtful",
                f"{part.account.file}: {what} cannot be; the values look like {unit}",
                f'add units = {{ {column} = "{unit}" }} to [logs.environment]',
                severity="stop",
            )


def _table(records: _Records, kept: np.ndarray) -> pd.DataFrame:
    import pandas as pd

    names = np.array([p.account.file for p in records.parts] or [""], dtype=object)
    time = pd.DatetimeIndex(records.time[kept].astype("datetime64[ns]")).tz_localize("UTC")
    out: dict[str, Any] = {
        "chamber": records.chamber[kept], "sensor": records.sensor[kept], "time": time,
    }  # fmt: skip
    if records.shelf is not None:
        out["shelf"] = records.shelf[kept]
    out |= {column: values[kept] for column, values in records.values.items()}
    out["file"] = names[records.file[kept]] if len(kept) else np.zeros(0, object)
    return pd.DataFrame(out)


def _spans(records: _Records, kept: np.ndarray) -> pd.DataFrame:
    import pandas as pd

    names = np.array([p.account.file for p in records.parts] or [""], dtype=object)
    frame = pd.DataFrame(
        {
            "file": names[records.file[kept]] if len(kept) else np.zeros(0, object),
            "chamber": records.chamber[kept],
            "sensor": records.sensor[kept],
            "time": pd.DatetimeIndex(records.time[kept].astype("datetime64[ns]")).tz_localize(
                "UTC"
            ),
        }
    )
    grouped = frame.groupby(["file", "chamber", "sensor"], sort=False)["time"]
    return grouped.agg(first="min", last="max", records="count").reset_index()
