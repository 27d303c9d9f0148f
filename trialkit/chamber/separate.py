"""More water or another rhythm: timers that tell the two questions apart."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from trialkit.chamber.room import Band, ChamberError, Timed, read_setting
from trialkit.wording import message
from trialkit.wording.message import Message


def judge_separation(*, levels: Mapping[str, Any]) -> list[Message]:
    """Say whether a set of timers can tell more water from another rhythm.

    Parameters
    ----------
    levels : mapping
        Level name → setting; those that are no timer are passed over.

    Returns
    -------
    list of Message
        Empty where the levels separate the two, or differ in one of them only.

    Examples
    --------
    >>> together = {"a": {"on_s": 20, "off_s": 220}, "b": {"on_s": 20, "off_s": 460}}
    >>> str(judge_separation(levels=together)[0])[:46]
    'Water and cycle length change together in thes'
    """
    settings = [setting_or_none(level) for level in levels.values()]
    timers = [s for s in settings if isinstance(s, Timed) and s.on_s and s.off_s]
    if len(timers) < 2:
        return []
    water = np.log([s.duty for s in timers])
    rhythm = np.log([s.cycle_s for s in timers])
    if np.ptp(water) < 0.05 or np.ptp(rhythm) < 0.05:
        return []
    together = float(np.corrcoef(water, rhythm)[0, 1])
    if abs(together) < 0.8:
        return []
    return [message("chamber.confounded")]


def setting_or_none(level: Any) -> Timed | Band | None:
    """Read a mist setting; None if it is none."""
    try:
        return read_setting(level)
    except ChamberError:
        return None


def separating_settings(
    base: Any, *, water: float = 2.0, rhythm: float = 2.0, shortest_on_s: float = 5.0
) -> pd.DataFrame:
    """Give four timers around one in use that tell water from rhythm.

    The four are a square: the base; the same water in cycles `rhythm` times as long; `water`
    times the water in the same cycle; and both. With all four, the effect of each and whether
    one depends on the other can be estimated; the first three do for the two effects alone.

    Parameters
    ----------
    base : mapping or object
        The timer in use, `on_s` and `off_s` [s].
    water : float
        Factor on the daily water, above or below 1.
    rhythm : float
        Factor on the cycle length, above or below 1.
    shortest_on_s : float
        Shortest mist a fogger can make well [s].

    Returns
    -------
    DataFrame
        `level, on_s, off_s, duty_pct, cycles_day, water, rhythm` (factors against the base).

    Raises
    ------
    ChamberError
        If a level would be on for less than `shortest_on_s`, or all the time.

    Examples
    --------
    >>> separating_settings({"on_s": 30, "off_s": 270})[["level", "on_s", "off_s"]]
                           level   on_s  off_s
    0                       base   30.0  270.0
    1  same water, longer cycles   60.0  540.0
    2    same cycles, more water   60.0  240.0
    3  longer cycles, more water  120.0  480.0
    """
    timer = read_setting(base)
    if not isinstance(timer, Timed) or not timer.on_s or not timer.off_s:
        raise ChamberError("only a timer that switches on and off has water and rhythm to separate")
    if water <= 0 or rhythm <= 0 or water == 1 or rhythm == 1:
        raise ChamberError("water and rhythm are factors above 0 and other than 1")
    cycles = "longer cycles" if rhythm > 1 else "shorter cycles"
    more = "more water" if water > 1 else "less water"
    plan = [
        ("base", 1.0, 1.0),
        (f"same water, {cycles}", 1.0, rhythm),
        (f"same cycles, {more}", water, 1.0),
        (f"{cycles}, {more}", water, rhythm),
    ]
    rows = []
    for name, by_water, by_rhythm in plan:
        cycle = timer.cycle_s * by_rhythm
        on = timer.on_s * by_water * by_rhythm
        if on < shortest_on_s or on >= cycle:
            raise ChamberError(
                f"{name}: on for {on:g} s of {cycle:g} s → choose factors nearer to 1"
            )
        rows.append(
            {
                "level": name,
                "on_s": on,
                "off_s": cycle - on,
                "duty_pct": 100 * on / cycle,
                "cycles_day": 86400 / cycle,
                "water": by_water,
                "rhythm": by_rhythm,
            }
        )
    return pd.DataFrame(rows)
