"""From tables of readings and mist to a course that can be fitted."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit import air
from trialkit.arrays import Floats
from trialkit.chamber.airtemp import estimate_air_temp
from trialkit.chamber.course import FULL_ABOVE, MOST_DELAY_S, Course
from trialkit.chamber.room import ChamberError

UNNAMED = "chamber"  #: the only chamber of a log that names none


def prepare_course(
    climate: pd.DataFrame, mist: pd.DataFrame, *, chamber: str = "", drift_h: float = 2.0
) -> Course:
    """Make one chamber's log ready for the fit.

    Parameters
    ----------
    climate : DataFrame
        `time` (datetime), `temp_c`, `rh_pct`; rows without a usable value are left out and
        counted, rows of the same time are averaged.
    mist : DataFrame
        `start`, `stop` of each mist interval (datetime).
    chamber : str
        Name for messages.
    drift_h : float
        Hours between the knots of the incoming air's drift; a log shorter than half of that
        has constant incoming air.

    Raises
    ------
    ChamberError
        If columns are missing, or there are fewer than 20 readings or no mist.
    """
    where = f"chamber {chamber}: " if chamber not in ("", UNNAMED) else ""
    for table, names in ((climate, ("time", "temp_c", "rh_pct")), (mist, ("start", "stop"))):
        missing = [name for name in names if name not in table.columns]
        if missing:
            raise ChamberError(f"{where}the table lacks {', '.join(missing)}")
    rows = climate[["time", "temp_c", "rh_pct"]].dropna()
    rows = rows[(rows["rh_pct"] > 0) & (rows["rh_pct"] <= 105) & rows["temp_c"].between(-40, 80)]
    left_out, usable = len(climate) - len(rows), len(rows)
    rows = rows.groupby("time", as_index=False).mean().sort_values("time")
    rows, begins_full = _from_the_first_fall(rows)
    left_out += begins_full
    if len(rows) < 20:
        raise ChamberError(
            f"{where}{len(rows)} usable readings → at least 20 are needed, 10 to 30 s apart"
        )
    start = rows["time"].iloc[0]
    seconds = (rows["time"] - start).dt.total_seconds().to_numpy(dtype=float)
    full = np.asarray(air.absolute_humidity_g_m3(rows["temp_c"].to_numpy(dtype=float), 100.0))
    spells = mist.dropna(subset=["start", "stop"]).sort_values("start")
    begin = (spells["start"] - start).dt.total_seconds().to_numpy(dtype=float)
    end = (spells["stop"] - start).dt.total_seconds().to_numpy(dtype=float)
    inside = (end > -MOST_DELAY_S) & (begin < seconds[-1] + MOST_DELAY_S) & (end > begin)
    begin, end = begin[inside], end[inside]
    if begin.size == 0:
        raise ChamberError(f"{where}no mist within the log → its rate cannot be estimated")
    begin, end = _merge(begin, end)
    switch = np.concatenate([[min(0.0, begin[0])], np.column_stack([begin, end]).ravel()])
    on = np.concatenate([[0.0], np.tile([1.0, 0.0], len(begin))])
    # with fog in the air the vapour goes with the temperature: shorter stretches
    full_at_times = bool((rows["rh_pct"] > FULL_ABOVE).any())
    switch, on = _shorten(switch, on, seconds[-1], 60.0 if full_at_times else 900.0)
    warmth = estimate_air_temp(
        seconds, rows["temp_c"].to_numpy(dtype=float), begin, end, drift_h=drift_h
    )
    node_full = np.asarray(air.absolute_humidity_g_m3(warmth.temp_c, 100.0))
    spans = round(seconds[-1] / 3600 / drift_h)
    knots = np.linspace(0.0, seconds[-1], spans + 1) if spans else np.zeros(1)
    return Course(
        time_s=seconds,
        rh_pct=rows["rh_pct"].to_numpy(dtype=float),
        full_g_m3=full,
        switch_s=switch,
        on=on,
        switch_full=np.interp(np.append(switch[1:], seconds[-1]), warmth.node_s, node_full),
        knots_s=knots,
        node_s=warmth.node_s,
        node_full=node_full,
        temp_lag_s=warmth.lag_s,
        temp_apart_c=warmth.apart_c,
        start=start,
        left_out=left_out,
        averaged=usable - len(rows),
    )


def _from_the_first_fall(rows: pd.DataFrame) -> tuple[pd.DataFrame, int]:
    """Leave out what was read before a log that begins in full air first falls short of it.

    How much fog hung in the air then is not known.
    """
    short = np.flatnonzero(rows["rh_pct"].to_numpy(dtype=float) < FULL_ABOVE)
    first = int(short[0]) if short.size else 0
    return rows.iloc[first:], first


def _shorten(switch: Floats, on: Floats, last: float, most_s: float) -> tuple[Floats, Floats]:
    """Cut stretches so that none is longer than so many seconds."""
    parts = np.maximum(np.ceil(np.diff(np.append(switch, last)) / most_s), 1.0).astype(int)
    first = np.repeat(switch, parts)
    length = np.repeat(np.diff(np.append(switch, last)) / parts, parts)
    nth = np.arange(len(first)) - np.repeat(np.cumsum(parts) - parts, parts)
    return first + nth * length, np.repeat(on, parts)


def _merge(begin: Floats, end: Floats) -> tuple[Floats, Floats]:
    """Join mist intervals that touch or overlap."""
    latest = np.maximum.accumulate(end)
    fresh = np.concatenate([[True], begin[1:] > latest[:-1]])
    return begin[fresh], latest[np.concatenate([fresh[1:], [True]])]
