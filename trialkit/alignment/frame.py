"""Exposures of a log held in memory."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.alignment.cells import Cells, to_ns
from trialkit.alignment.kernel import Key, Piece, Summer
from trialkit.alignment.measures import ExposureSettings
from trialkit.alignment.summaries import Summaries, summarise
from trialkit.arrays import Floats
from trialkit.columns.channels import READ
from trialkit.logs.climate.series import number_names


def expose_frame(
    climate: pd.DataFrame, windows: pd.DataFrame, *, settings: ExposureSettings
) -> Summaries:
    """Sum a climate log over windows.

    Parameters
    ----------
    climate : DataFrame
        `chamber, time` (UTC) and any of `temp_c, rh_pct, co2_ppm, light_lux,
        ppfd_umol_m2_s`; `sensor` optional. Rows in any order.
    windows : DataFrame
        `chamber, start, stop` (UTC) and any further columns, which are kept.
    settings : ExposureSettings

    Returns
    -------
    Summaries

    Examples
    --------
    >>> import pandas as pd
    >>> log = pd.DataFrame({"chamber": "T1", "temp_c": 20.0, "rh_pct": [80.0, 90.0],
    ...     "time": pd.to_datetime(["2031-01-01 00:00", "2031-01-01 00:10"], utc=True)})
    >>> window = log.groupby("chamber", as_index=False).agg(
    ...     start=("time", "min"), stop=("time", "max"))
    >>> out = expose_frame(log, window, settings=ExposureSettings(band_low_rh=85)).chambers
    >>> float(out["rh_pct"].iloc[0]), round(float(out["hours_below_band"].iloc[0]) * 60, 3)
    (85.0, 5.0)
    """
    cells = Cells(windows.reset_index(drop=True))
    summer = Summer(cells, settings)
    piece = piece_of_frame(climate, summer)
    return summarise(summer.join_pieces([piece]), cells, settings)


def piece_of_frame(climate: pd.DataFrame, summer: Summer) -> Piece:
    """Sum one piece of a log that is held as a table; its ends stay open."""
    keep = (climate["chamber"].isin(summer.cells.chambers) & climate["time"].notna()).to_numpy(bool)
    part = climate if keep.all() else climate[keep]
    codes, names = _series(part)
    values = {
        name: np.ascontiguousarray(part[name].to_numpy(dtype=float, na_value=np.nan))
        for name in READ
        if name in part.columns
    }
    values = {name: v for name, v in values.items() if not _empty(v)}
    return summer.sum_piece(names, codes, to_ns(part["time"]), values)


def _empty(values: Floats) -> bool:
    return bool(np.isnan(values).all())


def _series(part: pd.DataFrame) -> tuple[np.ndarray, list[Key]]:
    """Give each row the number of its series, one series per chamber and sensor."""
    chamber, chambers = number_names(part["chamber"].astype(str))
    if "sensor" in part.columns:
        sensor, sensors = number_names(part["sensor"].astype("string").fillna("").astype(str))
    else:
        sensor, sensors = np.zeros(len(part), dtype=np.intp), pd.Index([""])
    n = max(len(sensors), 1)
    both, pairs = number_names(pd.Series(chamber.astype(np.int64) * n + sensor))
    names = [(str(chambers[p // n]), str(sensors[p % n])) for p in map(int, pairs)]
    return both.astype(np.int64), names
