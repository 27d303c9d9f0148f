"""The signs of a failing sensor, each looked for in one series of records."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from trialkit.air import dew_point_c
from trialkit.arrays import Bools, Floats, Ints
from trialkit.columns import house_unit
from trialkit.wording import Message, message

Flag = dict[str, Any]
_HOUR = 3_600_000_000_000
_MOST_STEPS = 2000
_SUDDEN_NS = _HOUR // 3  # records further apart say nothing about sudden changes


@dataclass(frozen=True)
class FlagLimits:
    """From where on a reading is doubted. Common practice, no source, unless said otherwise.

    Parameters
    ----------
    stuck_h : float
        A value that does not change for so long is stuck [h] …
    stuck_times : float
        … if that is also so many times the longest usual stay of that sensor on one value.
    saturated_h : float
        Humidity at or over `saturated_rh` for so long counts as a wet sensor [h].
    saturated_rh : float
        [%]
    spike : dict
        Quantity → smallest jump away and back that is a spike.
    step : dict
        Quantity → smallest lasting change from one record to the next.
    possible : dict
        Quantity → what a growing room can have (low, high).
    dew_jump_c : float
        Dew point change from one record to the next that needs a cause [°C].
    drift_rh_pct, drift_temp_c : float
        Change of the difference of two sensors over the log that is a drift.
    """

    stuck_h: float = 3.0
    stuck_times: float = 8.0
    saturated_h: float = 2.0
    saturated_rh: float = 99.5
    spike: Mapping[str, float] = None  # type: ignore[assignment]
    step: Mapping[str, float] = None  # type: ignore[assignment]
    possible: Mapping[str, tuple[float, float]] = None  # type: ignore[assignment]
    dew_jump_c: float = 2.5
    drift_rh_pct: float = 3.0
    drift_temp_c: float = 0.7

    def __post_init__(self) -> None:
        defaults = {
            "spike": {"rh_pct": 10.0, "temp_c": 2.5, "co2_ppm": 500.0},
            "step": {"rh_pct": 10.0, "temp_c": 3.0},
            "possible": {
                "rh_pct": (2.0, 103.0),
                "temp_c": (-15.0, 55.0),
                "co2_ppm": (250.0, 30_000.0),
                "light_lux": (-1.0, 150_000.0),
            },
        }
        for name, value in defaults.items():
            if getattr(self, name) is None:
                object.__setattr__(self, name, value)


def find_all(
    time: Ints, values: Mapping[str, Floats], gap_ns: int, limits: FlagLimits
) -> Iterator[tuple[str, Flag]]:
    """Look for every fault in the records of one sensor.

    Parameters
    ----------
    time : ndarray of int64, shape (n,)
        Moments [ns], rising.
    values : mapping
        Quantity → values, NaN where missing.
    gap_ns : int
        Largest gap that is bridged [ns].
    limits : FlagLimits

    Yields
    ------
    quantity, flag
        `flag` has `flag, start, stop` (ns), `records`, `action`, `detail`.
    """
    bad = {name: np.zeros(len(time), dtype=bool) for name in values}
    for name, v in values.items():
        known = np.flatnonzero(np.isfinite(v))
        t, x = time[known], v[known]
        for flag, hit, detail in _held_readings(name, t, x, gap_ns, limits):
            bad[name][known[hit]] = True
            yield name, make_flag(flag, t[hit][0], t[hit][-1], int(hit.sum()), "left out", detail)
        fine = known[~bad[name][known]]
        for at in find_spikes(time[fine], v[fine], limits.spike.get(name, np.inf), gap_ns):
            moment = int(time[fine][at])
            bad[name][fine[at]] = True
            yield name, make_flag("spike", moment, moment, 1, "left out", _value(v[fine][at]))
        for at, change in find_steps(time, v, bad[name], limits.step.get(name, np.inf), gap_ns):
            detail = message("flag_detail.step", change=float(change), unit=house_unit(name))
            yield name, make_flag("step", time[at], time[at + 1], 2, "kept", detail)
    if "temp_c" in values and "rh_pct" in values:
        skip = bad["temp_c"] | bad["rh_pct"]
        for at, jump in find_dew_jumps(time, values, skip, limits.dew_jump_c, gap_ns):
            detail = message("flag_detail.dew_point", jump=float(jump))
            yield "rh_pct", make_flag("dew point jump", time[at], time[at + 1], 2, "kept", detail)


def make_flag(flag: str, start: Any, stop: Any, records: int, action: str, detail: object) -> Flag:
    """Make one flag of an interval [ns]."""
    return {
        "flag": flag,
        "start": int(start),
        "stop": int(stop),
        "records": records,
        "action": action,
        "detail": detail,
    }


def find_gaps(time: Ints, gap_ns: int) -> list[tuple[int, int]]:
    """Give the intervals between records that are too long to bridge."""
    at = np.flatnonzero(np.diff(time) > gap_ns)
    return [(int(time[i]), int(time[i + 1])) for i in at]


def runs_of(same: Bools) -> tuple[Ints, Ints]:
    """Give first and last position of the runs where neighbours are the same.

    Examples
    --------
    >>> runs_of(np.array([True, True, False, True]))
    (array([0, 3]), array([2, 4]))
    """
    edge = np.diff(np.concatenate(([0], same.astype(np.int8), [0])))
    return np.flatnonzero(edge == 1), np.flatnonzero(edge == -1)


def _held_readings(
    name: str, time: Ints, x: Floats, gap_ns: int, limits: FlagLimits
) -> Iterator[tuple[str, Bools, Message]]:
    """Give readings out of range, stuck, or saturated; each reading once."""
    if len(x) < 2:
        return
    joined = np.diff(time) <= gap_ns
    taken = np.zeros(len(x), dtype=bool)
    low, high = limits.possible.get(name, (-np.inf, np.inf))
    outside = (x < low) | (x > high)
    for first, last in _bouts(outside, joined):
        hit = _mask(len(x), first, last)
        taken |= hit
        yield "out of range", hit, _value(x[first])
    if name == "light_lux":
        return  # a lamp and the dark are steady
    for first, last in find_stuck(time, x, joined, limits):
        hit = _mask(len(x), first, last) & ~taken
        if hit.any():
            taken |= hit
            yield "stuck", hit, _value(x[first])
    if name == "rh_pct":
        wet = (x >= limits.saturated_rh) & ~taken
        for first, last in _bouts(wet, joined):
            if time[last] - time[first] >= limits.saturated_h * _HOUR:
                hit = _mask(len(x), first, last)
                yield "saturated", hit, _value(x[first])


def _value(reading: float) -> Message:
    return message("flag_detail.value", value=float(reading))


def _bouts(chosen: Bools, joined: Bools) -> Iterator[tuple[int, int]]:
    """Give runs of chosen readings that are joined in time."""
    if not chosen.any():
        return
    at = np.flatnonzero(chosen)
    apart = (np.diff(at) > 1) | ~joined[at[:-1]]
    firsts = at[np.concatenate(([True], apart))]
    lasts = at[np.concatenate((apart, [True]))]
    yield from zip(firsts.tolist(), lasts.tolist(), strict=True)


def _mask(n: int, first: int, last: int) -> Bools:
    mask = np.zeros(n, dtype=bool)
    mask[first : last + 1] = True
    return mask


def find_stuck(time: Ints, x: Floats, joined: Bools, limits: FlagLimits) -> list[tuple[int, int]]:
    """Give stays on one value that are far longer than that sensor's usual ones.

    A coarse sensor in a steady room stays on a value for long; so a stay must be longer than
    `stuck_h` and than `stuck_times` the 99th percentile of all its stays.
    """
    first, last = runs_of((np.diff(x) == 0) & joined)
    if not len(first):
        return []
    stay = time[last] - time[first]
    long = stay >= limits.stuck_h * _HOUR
    # the usual stay must not be judged by the long ones themselves
    usual = np.quantile(stay[~long], 0.99) if (~long).any() else 0.0
    stuck = long & (stay >= limits.stuck_times * usual)
    return [(int(a), int(b)) for a, b in zip(first[stuck], last[stuck], strict=True)]


def find_spikes(time: Ints, x: Floats, least: float, gap_ns: int) -> list[int]:
    """Give single readings that jump away from both neighbours, to the same side.

    The jump must be at least `least` and ten times the usual step of that sensor.
    """
    if len(x) < 5 or not np.isfinite(least):
        return []
    step = np.diff(x)
    size = max(least, 10.0 * 1.4826 * float(np.median(np.abs(step))))
    up, down = step[:-1], -step[1:]
    away = (np.minimum(np.abs(up), np.abs(down)) > size) & (np.sign(up) == np.sign(down))
    near = np.diff(time) <= min(gap_ns, _SUDDEN_NS)
    hit = np.flatnonzero(away & near[:-1] & near[1:]) + 1
    # coming back: the two neighbours agree much better than the spike departs
    back = np.abs(x[hit + 1] - x[hit - 1]) < 0.5 * size
    return [int(i) for i in hit[back]]


def find_steps(
    time: Ints, v: Floats, bad: Bools, least: float, gap_ns: int
) -> list[tuple[int, float]]:
    """Give changes from one record to the next that last half an hour on both sides."""
    known = np.flatnonzero(np.isfinite(v) & ~bad)
    t, x = time[known], v[known]
    if len(x) < 20 or not np.isfinite(least):
        return []
    jump = np.abs(np.diff(x))
    size = max(0.7 * least, 6.0 * 1.4826 * float(np.median(jump)))
    candidate = np.flatnonzero((jump > size) & (np.diff(t) <= min(gap_ns, _SUDDEN_NS)))
    if len(candidate) > _MOST_STEPS:  # a series that jumps all the time has no level
        return []
    out: list[tuple[int, float]] = []
    half = _HOUR // 2
    for i in candidate.tolist():
        if out and t[i] - time[out[-1][0]] < 2 * half:
            continue
        lo, hi = np.searchsorted(t, (t[i] - half, t[i + 1] + half), side="right")
        before, after = x[lo : i + 1], x[i + 1 : hi]
        if min(len(before), len(after)) < 5 or bad[known[i] : known[i + 1] + 1].any():
            continue
        change = float(np.median(after) - np.median(before))
        spread = max(float(np.ptp(before)), float(np.ptp(after)))
        if abs(change) >= least and abs(change) > 1.2 * spread:
            out.append((int(known[i]), change))
    return out


def find_dew_jumps(
    time: Ints, values: Mapping[str, Floats], skip: Bools, least: float, gap_ns: int
) -> list[tuple[int, float]]:
    """Give records where temperature jumps and humidity does not answer as air would.

    Air that warms without gain of vapour gets relatively drier: temperature and humidity
    move against each other and the dew point stays. A dew point that jumps together with the
    temperature, while no mist can follow it, points at the sensor.
    """
    temp, rh = values["temp_c"], values["rh_pct"]
    good = np.isfinite(temp) & np.isfinite(rh) & ~skip & (rh > 0)
    rise = np.diff(temp)
    near = (np.diff(time) <= min(gap_ns, _SUDDEN_NS)) & good[1:] & good[:-1]
    if not near.any():
        return []
    usual = 1.4826 * float(np.median(np.abs(rise[near])))
    at = np.flatnonzero(near & (np.abs(rise) > max(1.5, 6.0 * usual)))
    if not len(at):
        return []
    jump = dew_point_c(temp[at + 1], rh[at + 1]) - dew_point_c(temp[at], rh[at])
    odd = (np.abs(jump) >= least) & (np.sign(jump) == np.sign(rise[at]))
    return [(int(i), float(j)) for i, j in zip(at[odd], jump[odd], strict=True)]


def compare_sensors(
    climate: pd.DataFrame, limits: FlagLimits, *, shelves: bool | None = None
) -> list[Flag]:
    """Look for drift and lasting disagreement between sensors of one chamber.

    Sensors on shelves of their own are not compared; `shelves` says whether the log names any,
    where `climate` is only a part of it.
    """
    if "sensor" not in climate.columns:
        return []
    out: list[Flag] = []
    quantities = [("rh_pct", limits.drift_rh_pct, "%"), ("temp_c", limits.drift_temp_c, "°C")]
    if shelves is None:
        shelves = "shelf" in climate.columns and bool(climate["shelf"].notna().any())
    for chamber, part in climate.groupby("chamber", observed=True):
        names = sorted(part["sensor"].dropna().astype(str).unique())
        for quantity, least, unit in quantities:
            if len(names) < 2 or quantity not in part.columns or shelves:
                continue
            table = _daily(part, quantity)
            for other in [n for n in names[1:] if n in table and names[0] in table]:
                pair = (table[other] - table[names[0]]).dropna()
                for flag, detail in _judge_pair(pair, least, unit, names[0]):
                    start, stop = (int(pair.index[i].value) for i in (0, -1))
                    row = make_flag(flag, start, stop + 24 * _HOUR, len(pair), "kept", detail)
                    out.append(
                        row | {"chamber": str(chamber), "sensor": other, "quantity": quantity}
                    )
    return out


def _daily(part: pd.DataFrame, quantity: str) -> pd.DataFrame:
    """Give the daily median of each sensor, one column per sensor."""
    day = part["time"].dt.floor("D").dt.as_unit("ns")
    daily = part.groupby([day, part["sensor"].astype(str)], observed=True)[quantity].median()
    return daily.unstack()


def _judge_pair(
    pair: pd.Series, least: float, unit: str, other: str
) -> Iterator[tuple[str, Message]]:
    """Judge the daily difference of two sensors: drifting, or off by a constant."""
    if len(pair) < 4:
        return
    days = (pair.index - pair.index[0]).days.to_numpy(dtype=float)
    d = pair.to_numpy(dtype=float)
    slope, start = np.polyfit(days, d, 1)
    rest = d - (start + slope * days)
    se = float(np.sqrt(rest @ rest / (len(d) - 2) / ((days - days.mean()) ** 2).sum()))
    change = slope * (days[-1] - days[0])
    if abs(change) >= least and abs(slope) > 4 * se:
        detail = message(
            "flag_detail.drift", change=float(change), unit=unit, days=float(days[-1]), other=other
        )
        yield "drift", detail
    elif abs(float(np.median(d))) >= 1.5 * least:
        off = float(np.median(d))
        yield "disagreement", message("flag_detail.off", off=off, unit=unit, other=other)
