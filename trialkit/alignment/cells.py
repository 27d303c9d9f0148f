"""Window limits as cells: overlapping windows become sums of the stretches between limits."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.arrays import Ints


def to_ns(times: pd.Series) -> Ints:
    """Give moments as nanoseconds since 1970 UTC; missing ones as the lowest integer."""
    stamps = pd.DatetimeIndex(pd.to_datetime(times, utc=True))
    return np.asarray(stamps.as_unit("ns").asi8, dtype=np.int64)


@dataclass(frozen=True, eq=False)
class Cells:
    """Sorted window limits of each chamber.

    Windows may overlap (a flush inside the whole). The limits of all windows of a chamber cut
    its time into cells; sums are made once per cell, and a window is a run of cells.

    Parameters
    ----------
    windows : DataFrame
        `chamber, start, stop` (UTC); rows with a missing limit have no cells.
    """

    windows: pd.DataFrame
    _limits: dict[str, Ints] = field(init=False)
    _none: Ints = field(init=False)

    def __post_init__(self) -> None:
        start, stop = to_ns(self.windows["start"]), to_ns(self.windows["stop"])
        known = (self.windows["start"].notna() & self.windows["stop"].notna()).to_numpy(bool)
        chamber = self.windows["chamber"].astype(str).to_numpy()
        limits = {
            str(name): np.unique(
                np.concatenate((start[known & (chamber == name)], stop[known & (chamber == name)]))
            )
            for name in np.unique(chamber)
        }
        object.__setattr__(self, "_limits", limits)
        object.__setattr__(self, "_none", np.empty(0, dtype=np.int64))

    @cached_property
    def width(self) -> int:
        """Cells of the chamber that has most, with the stretches before and after."""
        return 1 + max((len(v) for v in self._limits.values()), default=0)

    @property
    def chambers(self) -> tuple[str, ...]:
        """Chambers that have windows."""
        return tuple(self._limits)

    def limits(self, chamber: str) -> Ints:
        """Give the sorted window limits of a chamber [ns]; none for a chamber without windows."""
        return self._limits.get(chamber, self._none)

    def spans(self) -> NDArray[np.int64]:
        """Give the first and one past the last cell of each window; (0, 0) where unknown."""
        out = np.zeros((len(self.windows), 2), dtype=np.int64)
        start, stop = to_ns(self.windows["start"]), to_ns(self.windows["stop"])
        unknown = (self.windows["start"].isna() | self.windows["stop"].isna()).to_numpy(bool)
        for i, chamber in enumerate(self.windows["chamber"].astype(str)):
            if not unknown[i] and stop[i] > start[i]:
                limits = self._limits[chamber]
                out[i] = (
                    np.searchsorted(limits, start[i]) + 1,
                    np.searchsorted(limits, stop[i]) + 1,
                )
        return out
