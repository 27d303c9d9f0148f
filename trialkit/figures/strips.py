"""The humidity of a chamber run as a strip: how far outside the wanted band, every six hours."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

STRETCH_H = 6  #: hours that one step of a strip stands for
_HOUR_NS = 3_600_000_000_000
_FEWEST_HOURS = 3  # a step with fewer recorded hours is left white


def outside_band(
    records: pd.DataFrame,
    *,
    start: pd.Timestamp,
    stop: pd.Timestamp,
    band: tuple[float | None, float | None],
) -> pd.DataFrame:
    """Give how far outside the wanted humidity the air was, for every six hours of a run.

    Means of each hour are taken first, so that neither a single pulse of mist nor the noise of a
    sensor counts; what they lie outside the band is averaged over the six hours.

    Parameters
    ----------
    records : DataFrame
        `time` (UTC) and `rh_pct` [%] of one chamber.
    start, stop : Timestamp
        When the run began and ended (UTC).
    band : (low, high)
        Humidity wanted [%]; either may be None.

    Returns
    -------
    DataFrame
        `start_day, stop_day` (days of fruiting), `dry, wet` (points of relative humidity below and
        above the band; missing where fewer than half of the hours have a record).

    Examples
    --------
    >>> import pandas as pd
    >>> time = pd.date_range("2031-01-01", periods=24, freq="30min", tz="UTC")
    >>> air = pd.DataFrame({"time": time, "rh_pct": [80.0] * 12 + [97.0] * 12})
    >>> outside_band(air, start=time[0], stop=time[0] + pd.Timedelta("12h"),
    ...              band=(82, 95))[["dry", "wet"]].to_numpy().tolist()
    [[2.0, 0.0], [0.0, 2.0]]
    """
    import numpy as np
    import pandas as pd

    begin, end = start.as_unit("ns").value, stop.as_unit("ns").value
    steps = max(1, -(-(end - begin) // (STRETCH_H * _HOUR_NS)))
    means, needed = _hourly(records, begin, end, steps)
    low, high = band
    below = np.clip((-np.inf if low is None else low) - means, 0, None)
    above = np.clip(means - (np.inf if high is None else high), 0, None)
    counts = np.isfinite(means).sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        dry, wet = (
            np.where(counts >= needed, np.nansum(part, axis=1) / counts, np.nan)
            for part in (below, above)
        )
    edges = np.arange(steps + 1) * STRETCH_H / 24
    edges[-1] = min(edges[-1], (end - begin) / _HOUR_NS / 24)
    return pd.DataFrame({"start_day": edges[:-1], "stop_day": edges[1:], "dry": dry, "wet": wet})


def _hourly(records: pd.DataFrame, begin: int, end: int, steps: int) -> tuple[Any, Any]:
    """Give the mean of every hour, one row a step, and how many hours each step needs."""
    import numpy as np

    times = records["time"].astype("datetime64[ns, UTC]").astype("int64").to_numpy()
    values = records["rh_pct"].to_numpy(dtype=float)
    kept = np.isfinite(values) & (times >= begin) & (times < end)
    times, values = times[kept], values[kept]
    place = (times - begin) // _HOUR_NS
    size = steps * STRETCH_H
    sums = np.bincount(place, weights=values, minlength=size)
    counts = np.bincount(place, minlength=size)
    with np.errstate(invalid="ignore", divide="ignore"):
        means = np.where(counts > 0, sums / counts, np.nan).reshape(steps, STRETCH_H)
    gaps = np.diff(np.sort(times))
    seldom = len(gaps) > 0 and float(np.median(gaps)) > _HOUR_NS
    fewest = np.full(steps, 1 if seldom else _FEWEST_HOURS)
    fewest[-1] = min(fewest[-1], max(1, int((end - begin) / _HOUR_NS - (steps - 1) * STRETCH_H)))
    return means, fewest
