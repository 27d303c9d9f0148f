"""A climate log on disk, one Parquet file a chamber: written piece by piece, read by chamber."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trialkit.logs.climate.outline import Outline, join_outlines, outline_of

if TYPE_CHECKING:
    import pandas as pd

#: Rows of a chamber that are written at once, and rows of all chambers that may wait to be.
ROWS, WAITING = 131_072, 1_048_576
_WORDS = ("sensor", "shelf", "file")


class ChamberStore:
    """Records of a climate log in a folder, one file a chamber.

    Parameters
    ----------
    folder : Path
        An empty folder. Its files are numbered: a chamber may have any name.

    Examples
    --------
    >>> import tempfile
    >>> import pandas as pd
    >>> rows = pd.DataFrame({"time": pd.to_datetime(["2031-01-01"], utc=True), "rh_pct": [85.0]})
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     store = ChamberStore(Path(folder))
    ...     store.add("T1", rows)
    ...     print(store.close().read("T1")["rh_pct"].tolist(), store.outline.series)
    [85.0] (('T1', None),)
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._numbers: dict[str, int] = {}
        self._parts: dict[str, int] = {}
        self._waiting: dict[str, list[pd.DataFrame]] = {}
        self._counts: dict[str, int] = {}
        self._columns: dict[str, None] = {}
        self._outline: Outline | None = None

    def add(self, chamber: str, rows: pd.DataFrame) -> None:
        """Add records of a chamber, after those that it has: `time` (UTC) and what was read."""
        self._columns |= dict.fromkeys(map(str, rows.columns))
        self._waiting.setdefault(chamber, []).append(rows)
        self._counts[chamber] = self._counts.get(chamber, 0) + len(rows)
        if self._counts[chamber] >= ROWS:
            self._write(chamber)
        elif sum(self._counts.values()) >= WAITING:
            for name in list(self._waiting):
                self._write(name)

    def close(self) -> ChamberStore:
        """Write what waits, and look at the log as a whole."""
        for name in list(self._waiting):
            self._write(name)
        parts = [outline_of(self.read(name, times_only=True)) for name in sorted(self._numbers)]
        joined = join_outlines(parts)
        columns = ("chamber", *self._columns)
        self._outline = replace(joined, columns=columns)
        return self

    @property
    def outline(self) -> Outline:
        """What must be known of the whole log, once it is closed."""
        if self._outline is None:
            raise RuntimeError("the store is not closed yet")
        return self._outline

    def read(self, chamber: str, *, times_only: bool = False) -> pd.DataFrame:
        """Give the records of a chamber, in the order in which they were added.

        Parameters
        ----------
        chamber : str
            Nothing is given of one that has no records.
        times_only : bool
            Whether only series and moments are wanted.
        """
        import pandas as pd
        import pyarrow as pa
        import pyarrow.parquet as pq

        wanted = [n for n in self._columns if not times_only or n in ("time", "sensor", "shelf")]
        if chamber not in self._numbers:
            return _blank(wanted)
        parts = [
            pq.read_table(path, use_threads=False, memory_map=False)
            if not times_only
            else pq.read_table(path, columns=_there(path, wanted), use_threads=False)
            for path in self._paths(chamber)
        ]
        table = pa.concat_tables(parts, promote_options="default")
        del parts
        frame: pd.DataFrame = table.to_pandas(split_blocks=True, self_destruct=True)
        frame["time"] = frame["time"].astype("datetime64[ns, UTC]")
        for name in wanted:
            if name not in frame:
                frame[name] = None if name in _WORDS else float("nan")
        frame.insert(0, "chamber", pd.Series(chamber, index=frame.index, dtype=str))
        return frame[["chamber", *wanted]]

    def _paths(self, chamber: str) -> list[Path]:
        number = self._numbers[chamber]
        return [self._folder / f"{number}-{k}.parquet" for k in range(self._parts[chamber])]

    def _write(self, chamber: str) -> None:
        import pandas as pd

        waiting = self._waiting.pop(chamber, [])
        self._counts.pop(chamber, None)
        if not waiting:
            return
        number = self._numbers.setdefault(chamber, len(self._numbers))
        part = self._parts.get(chamber, 0)
        rows = waiting[0] if len(waiting) == 1 else pd.concat(waiting, ignore_index=True)
        path = self._folder / f"{number}-{part}.parquet"
        rows.to_parquet(path, index=False, compression="zstd", row_group_size=ROWS)
        self._parts[chamber] = part + 1


def _there(path: Path, wanted: list[str]) -> list[str]:
    import pyarrow.parquet as pq

    have: Any = set(pq.read_schema(path).names)
    return [name for name in wanted if name in have]


def _blank(wanted: list[str]) -> pd.DataFrame:
    import pandas as pd

    kinds = {"time": "datetime64[ns, UTC]"} | dict.fromkeys(_WORDS, "object")
    empty = {name: pd.Series([], dtype=kinds.get(name, "float64")) for name in wanted}
    return pd.DataFrame({"chamber": pd.Series([], dtype=object), **empty})
