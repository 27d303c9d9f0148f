"""A log of humidity and mist, and the readings a room's constants would give.

The model is the balance of `trialkit.chamber.balance` in vapour density, with the temperature
as measured: between switches of the mist

    c' = n (c_in − c) + a · on,   c ≤ saturation,   s' = (c − s) / lag

so each stretch is an exponential and the whole log one pass.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit import air
from trialkit.chamber.exponentials import Array
from trialkit.chamber.room import ChamberError


@dataclass(frozen=True)
class Course:
    """One chamber's log, ready for the fit: seconds, readings, saturation, mist switches.

    Parameters
    ----------
    time_s, rh_pct, full_g_m3 : array, shape (n,)
        Seconds from the first reading, humidity read [%], saturation at the temperature read.
    switch_s, on : array, shape (m,)
        When a stretch begins [s] and whether the mist is on in it.
    switch_full : array, shape (m,)
        Saturation at the end of each stretch [g/m³], when the mist has cooled the air.
    start : Timestamp
        Time of the first reading.
    left_out : int
        Rows without a usable time, temperature or humidity.
    averaged : int
        Rows that shared their time with another and were averaged with it.
    """

    time_s: Array
    rh_pct: Array
    full_g_m3: Array
    switch_s: Array
    on: Array
    switch_full: Array
    start: pd.Timestamp
    left_out: int = 0
    averaged: int = 0

    @cached_property
    def moments(self) -> tuple[Array, NDArray[np.intp], Array, NDArray[np.intp]]:
        """Readings and switches in one order, for logs short of saturation."""
        return _merge_moments(self, self.switch_s)

    def thin(self, most: int) -> Course:
        """Give the same log with about `most` readings, evenly picked."""
        step = max(1, len(self.time_s) // most)
        return replace(
            self,
            time_s=self.time_s[::step],
            rh_pct=self.rh_pct[::step],
            full_g_m3=self.full_g_m3[::step],
        )


def prepare_course(climate: pd.DataFrame, mist: pd.DataFrame, *, chamber: str = "") -> Course:
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

    Raises
    ------
    ChamberError
        If columns are missing, or there are fewer than 20 readings or no mist.
    """
    where = f"chamber {chamber}: " if chamber else ""
    for table, names in ((climate, ("time", "temp_c", "rh_pct")), (mist, ("start", "stop"))):
        missing = [name for name in names if name not in table.columns]
        if missing:
            raise ChamberError(f"{where}the table lacks {', '.join(missing)}")
    rows = climate[["time", "temp_c", "rh_pct"]].dropna()
    rows = rows[(rows["rh_pct"] > 0) & (rows["rh_pct"] <= 105) & rows["temp_c"].between(-40, 80)]
    left_out, usable = len(climate) - len(rows), len(rows)
    rows = rows.groupby("time", as_index=False).mean().sort_values("time")
    if len(rows) < 20:
        raise ChamberError(f"{where}{len(rows)} usable readings → at least 20 are needed")
    start = rows["time"].iloc[0]
    seconds = (rows["time"] - start).dt.total_seconds().to_numpy(dtype=float)
    full = np.asarray(air.absolute_humidity_g_m3(rows["temp_c"].to_numpy(dtype=float), 100.0))
    spells = mist.dropna(subset=["start", "stop"]).sort_values("start")
    begin = (spells["start"] - start).dt.total_seconds().to_numpy(dtype=float)
    end = (spells["stop"] - start).dt.total_seconds().to_numpy(dtype=float)
    inside = (end > 0) & (begin < seconds[-1]) & (end > begin)
    begin, end = np.maximum(begin[inside], 0.0), end[inside]
    if begin.size == 0:
        raise ChamberError(f"{where}no mist within the log → its rate cannot be estimated")
    begin, end = _merge(begin, end)
    switch = np.concatenate([[0.0], np.column_stack([begin, end]).ravel()])
    on = np.concatenate([[0.0], np.tile([1.0, 0.0], len(begin))])
    return Course(
        time_s=seconds,
        rh_pct=rows["rh_pct"].to_numpy(dtype=float),
        full_g_m3=full,
        switch_s=switch,
        on=on,
        switch_full=np.interp(np.append(switch[1:], seconds[-1]), seconds, full),
        start=start,
        left_out=left_out,
        averaged=usable - len(rows),
    )


def _merge(begin: Array, end: Array) -> tuple[Array, Array]:
    """Join mist intervals that touch or overlap."""
    latest = np.maximum.accumulate(end)
    fresh = np.concatenate([[True], begin[1:] > latest[:-1]])
    return begin[fresh], latest[np.concatenate([fresh[1:], [True]])]


def predict_readings(
    course: Course, *, n_h: float, mist_g_m3_h: float, lag_s: float, outside: float, first: float
) -> Array:
    """Give the humidity readings [%] expected from the room's constants, shape (n,).

    Parameters
    ----------
    course : Course
    n_h, mist_g_m3_h, lag_s, outside : float
        Air changes [1/h], vapour the mist adds per m³ and hour, sensor lag [s], vapour of the
        air that comes in [g/m³].
    first : float
        Vapour in the chamber at the first reading [g/m³]; the sensor shows it then.

    Notes
    -----
    Vapour is exact between switches. The sensor follows 100 c/cs, with cs taken constant
    between neighbouring readings and switches (the mean of its two ends).
    """
    n, a = n_h / 3600, mist_g_m3_h / 3600
    if abs(1 - n * lag_s) < 1e-6:  # the two rates coincide: step aside by a little
        lag_s *= 1 + 1e-5
    begins, levels, goals = _stretches(course, n, a, outside, first)
    # the moments to walk over are the same for every guess unless the air saturates
    same = len(begins) == len(course.switch_s)
    times, order, share, k = course.moments if same else _merge_moments(course, begins)
    held = np.isnan(goals)  # at saturation the vapour stays where it is
    goal = np.where(held, levels, goals)[k]
    vapour = goal + (levels[k] - goal) * np.exp(-n * (times - begins[k]))
    step, between = np.diff(times), (share[1:] + share[:-1]) / 2
    keeps = np.exp(-step / lag_s)
    lagged = (np.exp(-n * step) - keeps) / (1 - n * lag_s)
    gain = between * (goal[:-1] * (1 - keeps) + (vapour - goal)[:-1] * lagged)
    sensor = _follow(times, gain, lag_s, share[0] * first)
    readings = np.empty(len(times))
    readings[order] = sensor
    return readings[: len(course.time_s)]


def _merge_moments(
    course: Course, begins: Array
) -> tuple[Array, NDArray[np.intp], Array, NDArray[np.intp]]:
    """Put readings and switches in one order: times, order, 100/saturation, stretch of each."""
    times = np.concatenate([course.time_s, begins])
    order = np.argsort(times, kind="stable")
    times = times[order]
    share = 100 / np.interp(times, course.time_s, course.full_g_m3)
    return times, order, share, np.searchsorted(begins, times, side="right") - 1


def _follow(times: Array, gain: Array, lag: float, first: float) -> Array:
    """Add up s[k+1] = s[k] e^{−step/lag} + gain[k] in blocks that cannot overflow."""
    out = np.empty(len(times))
    out[0] = first
    at = 0
    while at < len(times) - 1:
        end = max(int(np.searchsorted(times, times[at] + 300 * lag)), at + 2)
        end = min(end, len(times))
        since = np.exp(np.minimum((times[at:end] - times[at]) / lag, 600.0))
        total = out[at] + np.concatenate([[0.0], np.cumsum(gain[at : end - 1] * since[1:])])
        out[at:end] = total / since
        at = end - 1
    return out


def _stretches(
    course: Course, n: float, a: float, outside: float, first: float
) -> tuple[Array, Array, Array]:
    """Walk the switches: start, vapour then, and goal (NaN: held at saturation) of each."""
    begins: list[float] = []
    levels: list[float] = []
    goals: list[float] = []
    c, exp, log = first, math.exp, math.log
    ends = np.append(course.switch_s[1:], course.time_s[-1] + 1.0)
    columns = (course.switch_s, ends, course.on, course.switch_full)
    for t, end, on, full in zip(*(column.tolist() for column in columns), strict=True):
        goal, c = outside + a / n * on, min(c, full)
        full_at = math.inf
        if goal > full:
            full_at = log((goal - c) / (goal - full)) / n if c < full else 0.0
        if full_at > 0:
            begins.append(t)
            levels.append(c)
            goals.append(goal)
        if full_at < end - t:
            begins.append(t + full_at)
            levels.append(full)
            goals.append(math.nan)
            c = full
        else:
            c = goal + (c - goal) * exp(-n * (end - t))
    return np.array(begins), np.array(levels), np.array(goals)
