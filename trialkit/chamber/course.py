"""A log of humidity and mist, and the readings a room's constants would give.

The model is the balance of `trialkit.chamber.balance` in vapour density, with the temperature
as measured: between switches of the mist

    c' = n (c_in − c) + a · on,   c ≤ saturation,   s' = (100 c/cs − s) / lag

so each stretch is an exponential and the whole log one pass. The vapour of the incoming air,
c_in, may drift: straight lines between knots, read once per stretch (15 minutes at most).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.arrays import Floats

#: Humidity read above which the air may be full of fog [%].
FULL_ABOVE = 97.0
#: Longest time by which the air may follow the mist log, or go before it [s].
MOST_DELAY_S = 120.0


@dataclass(frozen=True)
class Course:
    """One chamber's log, ready for the fit: seconds, readings, saturation, mist switches.

    Parameters
    ----------
    time_s, rh_pct, full_g_m3 : array, shape (n,)
        Seconds from the first reading, humidity read [%], saturation at the temperature read.
    switch_s, on : array, shape (m,)
        When a stretch begins [s], the first maybe before the log, and whether the mist is on.
    switch_full : array, shape (m,)
        Saturation at the end of each stretch [g/m³], when the mist has cooled the air.
    knots_s : array, shape (k,)
        Moments between which the incoming air drifts in straight lines [s]; one knot: constant.
    node_s, node_full : array, shape (j,)
        Moments [s] and saturation at the air's own temperature then [g/m³].
    temp_lag_s : float
        Lag of the thermometer [s]; NaN where the log does not tell.
    temp_apart_c : array, shape (j, q)
        What the log leaves open of that temperature, see `AirTemp`.
    start : Timestamp
        Time of the first reading.
    left_out : int
        Rows without a usable time, temperature or humidity.
    averaged : int
        Rows that shared their time with another and were averaged with it.
    """

    time_s: Floats
    rh_pct: Floats
    full_g_m3: Floats
    switch_s: Floats
    on: Floats
    switch_full: Floats
    knots_s: Floats
    node_s: Floats
    node_full: Floats
    temp_lag_s: float
    start: pd.Timestamp
    temp_apart_c: Floats | None = None
    left_out: int = 0
    averaged: int = 0

    @cached_property
    def drift(self) -> Floats:
        """Weight of each knot in the middle of each stretch, shape (m, k)."""
        ends = np.append(self.switch_s[1:], self.time_s[-1])
        return knot_weights((self.switch_s + ends) / 2, self.knots_s)

    @cached_property
    def moments(self) -> tuple[Floats, NDArray[np.intp], Floats, NDArray[np.intp]]:
        """Readings and switches in one order, for logs short of saturation."""
        return _merge_moments(self, np.maximum(self.switch_s, 0.0))

    def as_read(self) -> Course:
        """Give the same log with the temperature as read, not worked out from the mist.

        In full air the mist no longer cools and fog cools after it: the course of the temperature
        is not that of the mist.
        """
        ends = np.append(self.switch_s[1:], self.time_s[-1])
        return replace(
            self,
            switch_full=np.interp(ends, self.time_s, self.full_g_m3),
            node_s=self.time_s,
            node_full=self.full_g_m3,
            temp_apart_c=None,
        )

    def thin(self, most: int) -> Course:
        """Give the same log with about `most` readings and temperatures, evenly picked."""
        step = max(1, len(self.time_s) // most)
        node = max(1, len(self.node_s) // (2 * most))
        return replace(
            self,
            time_s=self.time_s[::step],
            rh_pct=self.rh_pct[::step],
            full_g_m3=self.full_g_m3[::step],
            node_s=np.append(self.node_s[:-1:node], self.node_s[-1]),
            node_full=np.append(self.node_full[:-1:node], self.node_full[-1]),
        )

    def average(self, most: int) -> Course:
        """Give the same log with at most about `most` readings, neighbours averaged.

        A stretch that is averaged is short beside any sensor's lag where there are so many.
        """
        step = -(-len(self.time_s) // most)
        if step < 2:
            return self
        count = len(self.time_s) // step

        def mean(values: Floats) -> Floats:
            return np.asarray(values[: count * step].reshape(count, step).mean(axis=1))

        return replace(
            self,
            time_s=mean(self.time_s),
            rh_pct=mean(self.rh_pct),
            full_g_m3=mean(self.full_g_m3),
        )


def knot_weights(times: Floats, knots: Floats) -> Floats:
    """Give the weights by which values at knots make a course of straight lines, (n, k)."""
    weights = np.empty((len(times), len(knots)))
    for k in range(len(knots)):
        weights[:, k] = np.interp(times, knots, np.arange(len(knots)) == k)
    return weights


def predict_readings(
    course: Course,
    *,
    n_h: float,
    mist_g_m3_h: float,
    lag_s: float,
    outside: float | Floats,
    first: float,
    shown: float | None = None,
    delay_s: float = 0.0,
    falls_h: float = math.inf,
) -> Floats:
    """Give the humidity readings [%] expected from the room's constants, shape (n,).

    Parameters
    ----------
    course : Course
    n_h, mist_g_m3_h, lag_s : float
        Air changes [1/h], vapour the mist adds per m³ and hour, sensor lag [s].
    outside : float or array, shape (k,)
        Vapour of the air that comes in [g/m³], constant or at each knot.
    first : float
        Vapour in the chamber at the first reading [g/m³].
    shown : float or None
        What the sensor stands at then [%]; None: at rest with the air.
    delay_s : float
        Time by which the air follows the mist log [s]: mixing, or clocks that disagree.
    falls_h : float
        Rate at which fog falls out [1/h]; while there is fog the air stays full.

    Notes
    -----
    Vapour is exact between switches. The sensor follows 100 c/cs, with cs taken constant
    between neighbouring readings and switches (the mean of its two ends).
    """
    n, a = n_h / 3600, mist_g_m3_h / 3600
    if abs(1 - n * lag_s) < 1e-6:  # the two rates coincide: step aside by a little
        lag_s *= 1 + 1e-5
    begins, levels, goals = _stretches(course, n, a, outside, first, delay_s, falls_h / 3600)
    # the moments to walk over are the same for every guess unless the air saturates
    same = delay_s == 0 and len(begins) == len(course.switch_s)
    times, order, share, k = course.moments if same else _merge_moments(course, begins)
    held = np.isnan(goals)  # at saturation the vapour stays where it is
    goal = np.where(held, levels, goals)[k]
    vapour = goal + (levels[k] - goal) * np.exp(-n * (times - begins[k]))
    step, between = np.diff(times), (share[1:] + share[:-1]) / 2
    keeps = np.exp(-step / lag_s)
    lagged = (np.exp(-n * step) - keeps) / (1 - n * lag_s)
    gain = between * (goal[:-1] * (1 - keeps) + (vapour - goal)[:-1] * lagged)
    sensor = _follow(times, gain, lag_s, share[0] * first if shown is None else shown)
    readings = np.empty(len(times))
    readings[order] = sensor
    return readings[: len(course.time_s)]


def fills_air(course: Course, **rates: Any) -> bool:
    """Say whether the air of a log is full at any moment by these rates (`predict_readings`)."""
    n, a = rates["n_h"] / 3600, rates["mist_g_m3_h"] / 3600
    _, _, goals = _stretches(
        course, n, a, rates["outside"], rates["first"], rates["delay_s"], rates["falls_h"] / 3600
    )
    return bool(np.isnan(goals).any())


def _merge_moments(
    course: Course, begins: Floats
) -> tuple[Floats, NDArray[np.intp], Floats, NDArray[np.intp]]:
    """Put readings and switches in one order: times, order, 100/saturation, stretch of each."""
    parts = [course.time_s, begins]
    if course.node_s is not course.time_s and len(course.node_s) > 2:
        # readings far apart: follow the air's temperature between them, at ten-second steps
        between = max(1, round(10.0 / float(course.node_s[1] - course.node_s[0])))
        parts.append(course.node_s[1:-1:between])
    times = np.concatenate(parts)
    order = np.argsort(times, kind="stable")
    times = times[order]
    share = 100 / np.interp(times, course.node_s, course.node_full)
    return times, order, share, np.searchsorted(begins, times, side="right") - 1


def _follow(times: Floats, gain: Floats, lag: float, first: float) -> Floats:
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
    course: Course,
    n: float,
    a: float,
    outside: float | Floats,
    first: float,
    delay: float,
    falls: float,
) -> tuple[Floats, Floats, Floats]:
    """Walk the switches: start, vapour then, and goal (NaN: held at saturation) of each."""
    switch = np.maximum(course.switch_s + delay, 0.0)
    switch[0] = 0.0
    ends = np.append(switch[1:], max(course.time_s[-1], switch[-1]) + 1.0)
    incoming = course.drift @ np.broadcast_to(outside, len(course.knots_s))
    goals = incoming + a / n * course.on
    gain = goals * -np.expm1(-n * (ends - switch))
    levels = _follow(np.append(switch, ends[-1]), gain, 1 / n, first)
    if np.all(np.maximum(levels[:-1], levels[1:]) <= course.switch_full):
        return switch, levels[:-1], goals
    return _capped(switch, ends, goals, course.switch_full, n, first, falls)


def _capped(
    switch: Floats, ends: Floats, aims: Floats, caps: Floats, n: float, first: float, falls: float
) -> tuple[Floats, Floats, Floats]:
    """Walk the switches one by one; at saturation the vapour stays while there is fog."""
    begins: list[float] = []
    levels: list[float] = []
    goals: list[float] = []
    c, fog, exp, log = first, 0.0, math.exp, math.log
    gone = n + falls

    def note(moment: float, level: float, goal: float) -> None:
        begins.append(moment)
        levels.append(level)
        goals.append(goal)

    columns = (switch, ends, aims, caps)
    for t, end, goal, full in zip(*(column.tolist() for column in columns), strict=True):
        now = t
        if fog > 0 and c < full:  # warmed: fog takes the air up to saturation
            taken = min(fog, full - c)
            c, fog = c + taken, fog - taken
        c = min(c, full)
        while now < end:
            if fog > 0 or (c >= full and goal > full):
                spare = n * (goal - full)  # what fog gains, or what dry air takes of it
                lasts = math.inf
                if spare <= 0:
                    lasts = _lasts(fog, -spare, gone)
                note(now, full, math.nan)
                c = full
                if now + lasts >= end:
                    span = end - now
                    kept = exp(-gone * span) if math.isfinite(gone) else 0.0
                    fog = fog * kept + (spare * (1 - kept) / gone if math.isfinite(gone) else 0.0)
                    fog = max(fog, 0.0)
                    now = end
                else:
                    now, fog = now + lasts, 0.0
                continue
            reached = math.inf
            if goal > full:
                reached = log((goal - c) / (goal - full)) / n
            note(now, c, goal)
            if now + reached < end:
                c, now = full, now + max(reached, 1e-6)
            else:
                c, now = goal + (c - goal) * exp(-n * (end - now)), end
    return np.array(begins), np.array(levels), np.array(goals)


def _lasts(fog: float, taken: float, rate: float) -> float:
    """Give the time in which fog is used up: F' = −taken − rate F."""
    if fog <= 0 or not math.isfinite(rate):
        return 0.0
    return math.log1p(fog * rate / taken) / rate if taken > 0 else math.inf
