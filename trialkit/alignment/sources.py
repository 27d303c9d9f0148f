"""A climate log given chamber by chamber, wherever it is: in memory, on disk, on a cluster.

Everything that is judged of a climate log is judged within a chamber, so no more than one chamber
(on a cluster: one for each worker) has to be in memory at a time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from importlib import import_module
from typing import Any, Protocol, TypeVar

import numpy as np
import pandas as pd

from trialkit.logs.climate.outline import Outline, join_outlines, outline_of

Result = TypeVar("Result")
#: Work on the records of one chamber: its name and its records.
Work = Callable[[str, pd.DataFrame], Result]


class Source(Protocol):
    """A climate log that can be asked for its chambers.

    Parameters
    ----------
    held : DataFrame or None
        The whole log, where it is in memory.
    """

    held: pd.DataFrame | None

    @property
    def outline(self) -> Outline:
        """What must be known of the whole log."""
        ...

    def each(self, chambers: Sequence[str], work: Work[Result]) -> Iterator[Result]:
        """Do the work on every chamber, in their order; one without records has an empty log."""
        ...


class HeldLog:
    """A log in memory.

    Examples
    --------
    >>> log = pd.DataFrame({"chamber": ["T1", "T2"], "rh_pct": [80.0, 90.0],
    ...     "time": pd.to_datetime(["2031-01-01", "2031-01-01"], utc=True)})
    >>> list(HeldLog(log).each(["T2", "T3"], lambda name, part: (name, len(part))))
    [('T2', 1), ('T3', 0)]
    """

    def __init__(self, climate: pd.DataFrame) -> None:
        self.held: pd.DataFrame | None = climate
        self._climate = climate
        chambers = climate["chamber"] if "chamber" in climate else pd.Series(dtype=object)
        codes, names = pd.factorize(chambers)
        self._codes, self._number = codes, {str(name): i for i, name in enumerate(names)}
        parts = [outline_of(self._part(str(name))) for name in sorted(map(str, names))]
        self._outline = join_outlines(parts) if parts else outline_of(climate.iloc[:0])

    @property
    def outline(self) -> Outline:
        """What must be known of the whole log."""
        return self._outline

    def rows(self, chamber: str) -> slice | Any:
        """Give the positions of a chamber's records: a slice where they follow each other."""
        at = np.flatnonzero(self._codes == self._number.get(chamber, -2))
        if len(at) and at[-1] - at[0] + 1 == len(at):
            return slice(int(at[0]), int(at[-1]) + 1)
        return at

    def _part(self, chamber: str) -> pd.DataFrame:
        return self._climate.iloc[self.rows(chamber)]

    def each(self, chambers: Sequence[str], work: Work[Result]) -> Iterator[Result]:
        """Do the work on every chamber, in their order."""
        return (work(name, self._part(name)) for name in chambers)


class StoredLog:
    """A log kept on disk, one chamber at a time.

    Parameters
    ----------
    read : callable
        Gives the records of a chamber.
    outline : Outline
    """

    held: pd.DataFrame | None = None

    def __init__(self, read: Callable[[str], pd.DataFrame], outline: Outline) -> None:
        self._read, self._outline = read, outline

    @property
    def outline(self) -> Outline:
        """What must be known of the whole log."""
        return self._outline

    def each(self, chambers: Sequence[str], work: Work[Result]) -> Iterator[Result]:
        """Do the work on every chamber, in their order."""
        return (work(name, self._read(name)) for name in chambers)


class SpreadLog:
    """A log kept as a Dask table, its chambers worked on where they are.

    Parameters
    ----------
    climate : dask.dataframe.DataFrame
        Cut anywhere, rows in any order.
    """

    held: pd.DataFrame | None = None

    def __init__(self, climate: Any) -> None:
        self._dask: Any = import_module("dask")
        self._parts = climate.to_delayed()
        self._empty = climate._meta
        names = climate["chamber"].unique().compute().dropna()
        chambers = sorted(map(str, names))
        parts = list(self.each(chambers, _outlined))
        self._outline = join_outlines(parts) if parts else outline_of(self._empty)

    @property
    def outline(self) -> Outline:
        """What must be known of the whole log."""
        return self._outline

    def each(self, chambers: Sequence[str], work: Work[Result]) -> Iterator[Result]:
        """Do the work on as many chambers at once as there are workers."""
        dask = self._dask
        pick, stack = dask.delayed(_of_chamber), dask.delayed(_stacked)
        for some in _in_turn(chambers, _workers()):
            wanted = [
                dask.delayed(work)(name, stack(self._empty, [pick(p, name) for p in self._parts]))
                for name in some
            ]
            yield from dask.compute(*wanted)


def _outlined(_: str, part: pd.DataFrame) -> Outline:
    return outline_of(part)


def _of_chamber(part: pd.DataFrame, chamber: str) -> pd.DataFrame:
    return part[(part["chamber"] == chamber).fillna(False).to_numpy(dtype=bool)]


def _stacked(empty: pd.DataFrame, parts: Iterable[pd.DataFrame]) -> pd.DataFrame:
    full = [part for part in parts if len(part)]
    return pd.concat(full, ignore_index=True) if full else empty


def _in_turn(names: Sequence[str], at_once: int) -> Iterator[Sequence[str]]:
    for first in range(0, len(names), at_once):
        yield names[first : first + at_once]


def _workers() -> int:
    """Count the workers of the cluster in use; 1 without one."""
    try:
        client = import_module("distributed").get_client()
    except (ImportError, ValueError):
        return 1
    return max(1, len(client.scheduler_info()["workers"]))
