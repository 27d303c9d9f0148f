"""Moments → days of a time zone."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

#: Stands for "no time" among nanoseconds.
NO_TIME = np.iinfo(np.int64).min


def local_days(ns: np.ndarray, zone: dt.tzinfo) -> np.ndarray:
    """Give the day in a zone as a number; -1 where there is no time."""
    known = ns != NO_TIME
    out = np.full(len(ns), -1, np.int64)
    if known.any():
        stamps = pd.DatetimeIndex(ns[known].astype("datetime64[ns]")).tz_localize("UTC")
        local = stamps.tz_convert(zone).tz_localize(None)
        out[known] = local.to_numpy().astype("datetime64[D]").astype(np.int64)
    return out


def day_text(ns: int, zone: dt.tzinfo) -> str:
    """Write the day of a moment in a zone."""
    return moment_of(ns).astimezone(zone).strftime("%Y-%m-%d")


def moment_of(ns: int) -> dt.datetime:
    """Give nanoseconds since 1970 as a moment (to the second)."""
    return dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(seconds=int(ns // 10**9))
