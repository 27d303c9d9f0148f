"""Records of climate logs: those of one file, all under each other, and as tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from trialkit.columns import VALUE_COLUMNS
from trialkit.logs.ledger import FileAccount

if TYPE_CHECKING:
    import pandas as pd


@dataclass
class Part:
    """Records of one file (or of one chamber of a wide file).

    Parameters
    ----------
    account : FileAccount
    index : ndarray of int, shape (n,)
        Positions of the records among the rows of the file.
    chamber : ndarray of int, shape (n,)
        Index among the trial's chambers.
    sensor : ndarray of int, shape (n,)
        Index among `sensors`; -1 where the file does not tell.
    sensors : tuple of str
    time : ndarray of int64
        Nanoseconds since 1970, UTC.
    values : dict
        Column → values in house units.
    shelf : ndarray of int or None
        Index among the trial's shelves; -1 where not told.
    """

    account: FileAccount
    index: np.ndarray
    chamber: np.ndarray
    sensor: np.ndarray
    sensors: tuple[str, ...]
    time: np.ndarray
    values: dict[str, np.ndarray]
    shelf: np.ndarray | None = None


@dataclass
class Records:
    """All records under each other, in the order of the files and their rows.

    `accounts` holds the account of each part; the parts themselves are let go, or every record
    would be in memory twice.
    """

    accounts: list[FileAccount]
    part: np.ndarray
    index: np.ndarray
    chamber: np.ndarray
    sensor: np.ndarray
    sensors: list[str]
    shelf: np.ndarray | None
    time: np.ndarray
    values: dict[str, np.ndarray]
    alive: np.ndarray

    def series(self) -> np.ndarray:
        """Give each record the number of its series: chamber, sensor and shelf, in order."""
        rank = np.empty(len(self.sensors) + 1, np.int64)
        rank[np.argsort([*self.sensors, ""], kind="stable")] = np.arange(len(self.sensors) + 1)
        code = self.chamber * len(rank) + rank[self.sensor]
        if self.shelf is not None:
            code = code * (int(self.shelf.max(initial=-1)) + 2) + self.shelf + 1
        return np.asarray(code)


def stack_parts(parts: list[Part]) -> Records:
    """Put the records of all files under each other."""
    counts = [len(p.index) for p in parts]
    columns = [c for c in VALUE_COLUMNS["environment"] if any(c in p.values for p in parts)]
    sensors = sorted({s for p in parts for s in p.sensors})
    none = np.zeros(0, np.int64)

    def join(pieces: list[np.ndarray]) -> np.ndarray:
        joined = pieces[0] if len(pieces) == 1 else np.concatenate([none, *pieces])
        return joined.astype(np.int64, copy=False)

    def coded(part: Part) -> np.ndarray:
        numbers = np.array([*(sensors.index(s) for s in part.sensors), -1])
        return np.asarray(numbers[part.sensor])

    unknown = [np.full(k, -1) for k in counts]
    nothing = [np.full(k, np.nan) for k in counts]
    shelves = [u if p.shelf is None else p.shelf for p, u in zip(parts, unknown, strict=True)]
    return Records(
        accounts=[p.account for p in parts],
        part=np.repeat(np.arange(len(parts)), counts),
        index=join([p.index for p in parts]),
        chamber=join([p.chamber for p in parts]),
        sensor=join([coded(p) for p in parts]),
        sensors=sensors,
        shelf=join(shelves) if any(p.shelf is not None for p in parts) else None,
        time=join([p.time for p in parts]),
        values={
            c: np.concatenate(
                [np.zeros(0), *[p.values.get(c, v) for p, v in zip(parts, nothing, strict=True)]]
            )
            for c in columns
        },
        alive=np.ones(sum(counts), bool),
    )


def order_records(records: Records, series: np.ndarray) -> np.ndarray:
    """Give the order by series and time; equal ones keep the order of the files."""
    time = records.time
    ahead = np.diff(series)
    if np.all((ahead > 0) | ((ahead == 0) & (np.diff(time) >= 0))):
        return np.arange(len(series))
    return np.lexsort((time, series))


def tabulate_records(
    records: Records, kept: np.ndarray, chambers: Sequence[str], shelves: Sequence[str]
) -> pd.DataFrame:
    """Make the table of the kept records, in their order."""
    import pandas as pd

    time = pd.DatetimeIndex(records.time[kept].astype("datetime64[ns]")).tz_localize("UTC")
    out: dict[str, Any] = {
        "chamber": _names(chambers, records.chamber[kept]),
        "sensor": _names(records.sensors, records.sensor[kept]),
        "time": time,
    }
    if records.shelf is not None:
        out["shelf"] = _names(shelves, records.shelf[kept])
    out |= {column: values[kept] for column, values in records.values.items()}
    out["file"] = _names([a.file for a in records.accounts], records.part[kept])
    return pd.DataFrame(out)


def tabulate_spans(records: Records, kept: np.ndarray, chambers: Sequence[str]) -> pd.DataFrame:
    """Say what each file covers of each chamber and sensor."""
    import pandas as pd

    frame = pd.DataFrame(
        {
            "part": records.part[kept],
            "chamber": records.chamber[kept],
            "sensor": records.sensor[kept],
            "time": records.time[kept],
        }
    )
    grouped = frame.groupby(["part", "chamber", "sensor"])["time"]
    found = grouped.agg(first="min", last="max", records="count").reset_index()
    codes = {c: found[c].to_numpy(dtype=np.int64) for c in ("part", "chamber", "sensor")}
    out = pd.DataFrame(
        {
            "file": _names([a.file for a in records.accounts], codes["part"]),
            "chamber": _names(chambers, codes["chamber"]),
            "sensor": _names(records.sensors, codes["sensor"]),
        }
    )
    for name in ("first", "last"):
        stamps = found[name].to_numpy(dtype=np.int64).astype("datetime64[ns]")
        out[name] = pd.DatetimeIndex(stamps).tz_localize("UTC")
    return out.assign(records=found["records"].to_numpy(dtype=np.int64))


def _names(names: Any, codes: np.ndarray) -> Any:
    """Spread names over codes; -1 is the empty name."""
    import pandas as pd

    return pd.Index([*names, ""]).take(np.where(codes < 0, len(names), codes))
