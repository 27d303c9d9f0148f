"""What must be known of a whole climate log before its chambers are looked at one by one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import pandas as pd
    from pandas.api.typing import NaTType


@dataclass(frozen=True)
class Outline:
    """A climate log as a whole. Made by `outline_of` and `join_outlines`.

    Parameters
    ----------
    columns : tuple of str
    series : tuple of (str, str or None)
        Chamber and sensor; None where the log names no sensor.
    last : Timestamp
        Last moment (UTC); NaT where there is none.
    step_min : float
        Usual time between records of one sensor, the largest of all [min]; 0 where unknown.
    shelves : bool
        Whether any record names a shelf.
    rows : int
    """

    columns: tuple[str, ...]
    series: tuple[tuple[str, str | None], ...]
    last: pd.Timestamp | NaTType
    step_min: float
    shelves: bool
    rows: int

    @property
    def chambers(self) -> tuple[str, ...]:
        """Chambers that have records, by name."""
        return tuple(sorted({chamber for chamber, _ in self.series}))


def outline_of(climate: pd.DataFrame) -> Outline:
    """Say what must be known of a log, or of some of its chambers.

    Examples
    --------
    >>> import pandas as pd
    >>> log = pd.DataFrame({"chamber": "T1", "rh_pct": [80.0, 90.0],
    ...     "time": pd.to_datetime(["2031-01-01 00:00", "2031-01-01 00:10"], utc=True)})
    >>> outline_of(log).step_min, outline_of(log).series
    (10.0, (('T1', None),))
    """
    import pandas as pd

    from trialkit.logs.climate.series import each_part

    named = [name for name in ("chamber", "sensor") if name in climate.columns]
    found: list[tuple[str, str | None]] = []
    steps: list[float] = []
    by = [climate[name] for name in named]
    groups: Any = each_part(climate, by, dropna=False, sort=False) if named else [((), climate)]
    for key, part in groups:
        names: dict[str, Any] = dict(zip(named, key, strict=True))
        if not pd.isna(names.get("chamber")):
            sensor = names.get("sensor")
            found.append((str(names["chamber"]), None if pd.isna(sensor) else str(sensor)))
        steps.append(_step_min(part["time"]))
    return Outline(
        tuple(map(str, climate.columns)),
        tuple(found),
        climate["time"].max(),
        max(steps, default=0.0),
        "shelf" in climate.columns and bool(climate["shelf"].notna().any()),
        len(climate),
    )


def join_outlines(parts: Sequence[Outline]) -> Outline:
    """Put together what is known of the chambers of a log, each in one part only."""
    import pandas as pd

    columns = dict.fromkeys(name for part in parts for name in part.columns)
    lasts = [part.last for part in parts if not pd.isna(part.last)]
    return Outline(
        tuple(columns),
        tuple(series for part in parts for series in part.series),
        max(lasts) if lasts else pd.NaT,
        max((part.step_min for part in parts), default=0.0),
        any(part.shelves for part in parts),
        sum(part.rows for part in parts),
    )


def _step_min(times: pd.Series) -> float:
    """Give the usual time between the moments of one sensor [min]; 0 for fewer than two."""
    import pandas as pd

    stamps = pd.DatetimeIndex(times.dropna()).as_unit("ns").asi8
    if not len(stamps):
        return 0.0
    steps = np.diff(stamps)
    if (steps <= 0).any():
        steps = np.diff(np.unique(stamps))
    # as floats: whole numbers that are nearly all alike are sorted forty times as slowly
    return float(np.median(steps.astype(float))) / 6e10 if len(steps) else 0.0
