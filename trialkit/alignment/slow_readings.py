"""Readings too slow for the mist: what a log cannot tell of the air between its readings.

A logger that reads about as often as the mist comes meets every cycle at the same moments. Its
mean is then the humidity of those moments, which may lie anywhere in the swing of a cycle.

How far off it may be follows from the phases, the moments of the readings within the cycle of
the mist. For a course with one rise and one fall a cycle the error of its mean is at most its
swing times the largest difference, over all parts of a cycle, between the share of the readings
that fall there and the length of that part (Koksma's inequality on the circle; that difference
is Kuiper's statistic). The same difference bounds the error of the share of time beyond a limit.
The swing itself is at most what one pulse can do to the air.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.air import absolute_humidity_g_m3
from trialkit.alignment.cells import to_ns
from trialkit.alignment.measures import ExposureSettings
from trialkit.alignment.sums import record_weights
from trialkit.arrays import Floats, Ints
from trialkit.logs.climate.series import each_part
from trialkit.trial.sections import RigSection

#: Readings a cycle from which the line between them follows it: a step of the air is then put
#: wrong by an eighth of a cycle at most.
ENOUGH_A_CYCLE = 4
#: Share of a cycle's phases that may be missed before it is told.
TOLD_GAP = 0.26
#: A pause so many times the usual cycle is no cycle.
_PAUSE = 3.0
#: What the label of a fogger and a chamber's measures may be off by, as factors (common practice,
#: no source), and where mist output and volume were measured.
_LABEL_ERROR, _MEASURED_ERROR = 1.375, 1.1
#: Cooling by a gram of water that evaporates in a cubic metre of chamber [°C]: 2.45 kJ/g over a
#: third of the heat that air, walls and fittings hold, 10 kJ/(m³ K) (judged, no source).
_COOLING_C = 2.45 / (10.0 / 3)
#: A sensor has caught up with a change after so many times its lag (95 %).
_LAGS = 3.0

#: Columns that `judge_readings` gives, in order.
SLOW_COLUMNS: tuple[str, ...] = (
    "reading_s",
    "cycle_s",
    "phases_missed_pct",
    "rh_slow_pct",
    *(f"hours_{side}_band_{end}" for side in ("below", "in", "above") for end in ("least", "most")),
)


@dataclass(frozen=True)
class _Series:
    """Readings of one sensor: moments [ns], humidity [%], seconds that each stands for."""

    time: Ints
    rh: Floats
    weight: Floats

    def between(self, low: int, high: int) -> _Series:
        at = slice(*np.searchsorted(self.time, (low, high)))
        return _Series(self.time[at], self.rh[at], self.weight[at])

    @property
    def step_s(self) -> float:
        return float(np.median(np.diff(self.time).astype(float))) / 1e9


@dataclass(frozen=True)
class _Air:
    """What is known of one window of a chamber: swing of a cycle and lag of the sensor."""

    cycle_s: float
    swing: float
    lag_s: float | None


def judge_readings(
    climate: pd.DataFrame,
    mist: pd.DataFrame | None,
    runs: pd.DataFrame,
    *,
    rig: RigSection,
    settings: ExposureSettings,
) -> pd.DataFrame:
    """Say how far slow readings and a slow sensor leave the humidity of each window open.

    Parameters
    ----------
    climate : DataFrame
        `chamber, time` (UTC), `rh_pct`; `sensor` optional.
    mist : DataFrame or None
        `chamber, start, stop` (UTC): mist on.
    runs : DataFrame
        Windows with their exposures.
    rig : RigSection
        `mist_l_h` and `chamber_m3` bound the swing; `sensor_lag_s` the lag.
    settings : ExposureSettings

    Returns
    -------
    DataFrame
        Rows as `runs`: `reading_s, cycle_s` (usual), and where there are fewer than four readings
        a cycle `phases_missed_pct` (largest part of the cycle that the readings do not stand
        for), `rh_slow_pct` (largest error of the mean humidity by it [% points]; missing
        where nothing bounds the swing); `hours_…_least`, `hours_…_most` also where the lag of
        the sensor hides time beyond a limit.
    """
    out = {name: np.full(len(runs), np.nan) for name in SLOW_COLUMNS}
    if mist is None or not len(mist) or "rh_pct" not in climate.columns or not len(runs):
        return pd.DataFrame(out, index=runs.index)
    place = {label: k for k, label in enumerate(runs.index)}
    for chamber, part in runs.groupby("chamber", sort=False):
        each = _series_of(climate[climate["chamber"] == chamber], settings)
        here = mist[(mist["chamber"] == chamber) & mist["stop"].notna()].sort_values("start")
        on, off = to_ns(here["start"]), to_ns(here["stop"])
        for i, run in part[part["start"].notna() & part["stop"].notna()].iterrows():
            low, high = run["start"].value, run["stop"].value
            at = slice(*np.searchsorted(on, (low, high)))
            inside = [s.between(low, high) for s in each]
            inside = [s for s in inside if len(s.time) >= 3]
            if inside and at.stop - at.start >= 3:
                row = _judge(inside, on[at], off[at], run, rig, settings)
                for name, value in row.items():
                    out[name][place[i]] = value
    return pd.DataFrame(out, index=runs.index)


def too_slow(runs: pd.DataFrame) -> pd.Series:
    """Tell the windows whose readings miss so much of the mist's cycle that it is told."""
    if "phases_missed_pct" not in runs:
        return pd.Series(False, index=runs.index)
    return runs["phases_missed_pct"] > 100 * TOLD_GAP


def _series_of(part: pd.DataFrame, settings: ExposureSettings) -> list[_Series]:
    names = (
        part["sensor"].astype("string").fillna("")
        if "sensor" in part
        else pd.Series("", part.index)
    )
    out = []
    good = part["rh_pct"].notna() & part["time"].notna()
    part, names = (part, names) if good.all() else (part[good], names[good])
    for _, one in each_part(part, [names]):
        time, first = np.unique(to_ns(one["time"]), return_index=True)
        gap = np.append(np.diff(time), 0)
        seconds = np.where(gap <= settings.max_gap_ns, gap / 1e9, 0.0)
        rh = one["rh_pct"].to_numpy(dtype=float)[first]
        out.append(_Series(time, rh, record_weights(seconds)))
    return out


def _judge(
    each: list[_Series],
    on: Ints,
    off: Ints,
    run: pd.Series,
    rig: RigSection,
    settings: ExposureSettings,
) -> dict[str, float]:
    """Judge one window."""
    apart = np.diff(on).astype(float)
    usual = float(np.median(apart))
    apart = apart[apart <= _PAUSE * usual]
    cycle_s = float(np.median(apart)) / 1e9
    rh = float(np.average(np.concatenate([s.rh for s in each])))
    pulse_s = float(np.median((off - on).astype(float))) / 1e9
    air = _Air(cycle_s, most_swing_pct(rig, pulse_s, float(run["temp_c"]), rh), rig.sensor_lag_s)
    step_s = max(s.step_s for s in each)
    row = {"reading_s": step_s, "cycle_s": cycle_s}
    slow = step_s * ENOUGH_A_CYCLE > cycle_s * (1 + 1e-6)
    missed = 0.0
    if slow:
        missed = float(np.mean([phases_missed(*_phases(s, on, usual)) for s in each]))
        row["phases_missed_pct"] = 100 * missed
        row["rh_slow_pct"] = _mean_error(each, air.swing, missed)
    if slow or (air.lag_s is not None and _LAGS * air.lag_s > cycle_s / ENOUGH_A_CYCLE):
        row |= _hours(each, air, missed if slow else None, run, settings)
    return row


def _phases(series: _Series, on: Ints, usual: float) -> tuple[Floats, Floats]:
    """Give where in its cycle each reading lies, 0 to 1, and the seconds it stands for."""
    k = np.searchsorted(on, series.time, side="right") - 1
    inside = (k >= 0) & (k < len(on) - 1)
    k = k[inside]
    length = on[k + 1] - on[k]
    phase, weight = (series.time[inside] - on[k]) / length, series.weight[inside]
    cycle = length <= _PAUSE * usual
    return phase[cycle], weight[cycle]


def phases_missed(phase: Floats, weight: Floats) -> float:
    """Give the largest difference between an arc of the cycle and the share of readings in it.

    Parameters
    ----------
    phase : ndarray
        Where in the cycle each reading lies, 0 to 1.
    weight : ndarray
        How much each counts.

    Returns
    -------
    float
        0 for readings spread evenly, 1 for readings that all meet the same moment (also where
        there are none).

    Notes
    -----
    Kuiper's statistic: the largest excess plus the largest lack of the distribution of phases
    against the even one; the same from wherever the cycle is counted.

    Examples
    --------
    >>> phases_missed(np.array([0.0, 0.25, 0.5, 0.75]), np.ones(4))
    0.25
    """
    if not phase.size or not weight.sum() > 0:
        return 1.0
    order = np.argsort(phase, kind="stable")
    share = np.cumsum(weight[order]) / weight.sum()
    before = np.concatenate(([0.0], share[:-1]))
    return float(min(1.0, (share - phase[order]).max() + (phase[order] - before).max()))


def most_swing_pct(rig: RigSection, pulse_s: float, temp_c: float, rh_pct: float) -> float:
    """Give the most that one pulse of mist can raise the humidity by [% points].

    Parameters
    ----------
    rig : RigSection
        `mist_l_h`, `chamber_m3`; `measured` may list them.
    pulse_s : float
        Length of a pulse [s].
    temp_c, rh_pct : float
        Air [°C, %].

    Returns
    -------
    float
        All the pulse's water as vapour and little heat from the walls, with the error of the
        rig's numbers; missing where they are not given. In a cycle that repeats, humidity swings
        by no more than that: what else adds vapour (crop, wet walls, incoming air) is steady.

    Examples
    --------
    >>> rig = RigSection(mist_l_h=0.4, chamber_m3=1.8)
    >>> round(most_swing_pct(rig, 20.0, 15.0, 90.0), 1)
    21.4
    """
    if rig.mist_l_h is None or rig.chamber_m3 is None or not math.isfinite(temp_c):
        return math.nan
    known = {"mist_l_h", "chamber_m3"} <= set(rig.measured)
    error = _MEASURED_ERROR if known else _LABEL_ERROR
    grams = error * 1000 * rig.mist_l_h * pulse_s / 3600 / rig.chamber_m3
    cooler = max(temp_c - _COOLING_C * grams, -20.0)
    held = float(absolute_humidity_g_m3(temp_c, 100.0)) * rh_pct / 100
    return float(100 * (held + grams) / absolute_humidity_g_m3(cooler, 100.0) - rh_pct)


def _mean_error(each: list[_Series], swing: float, missed: float) -> float:
    """Give the largest error of the mean humidity by the phases that are missed [% points]."""
    if not math.isfinite(swing):
        return math.nan
    rh = np.concatenate([s.rh for s in each])
    up = float(np.mean(np.minimum(rh + swing, np.maximum(rh, 100.0)) - rh))
    down = float(np.mean(rh - np.maximum(rh - swing, 0.0)))
    return min(swing * missed, max(up, down))


def _hours(
    each: list[_Series],
    air: _Air,
    missed: float | None,
    run: pd.Series,
    settings: ExposureSettings,
) -> dict[str, float]:
    """Give the least and most hours below, in and above the band."""
    low, high = settings.band_low_rh, settings.band_high_rh
    rh = np.concatenate([s.rh for s in each])
    weight = np.concatenate([s.weight for s in each])
    if low is None or high is None or not weight.sum() > 0:
        return {}
    unsure = np.concatenate([_unsure(s, air, missed) for s in each])
    open_share = 1.0
    if missed is not None:
        lag = 0.0 if air.lag_s is None else _LAGS * air.lag_s / air.cycle_s
        open_share = min(1.0, missed + lag)
    dry, damp = rh - unsure, rh + unsure
    surely = {"below": damp < low, "in": (dry >= low) & (damp <= high), "above": dry > high}
    maybe = {"below": dry < low, "in": (damp >= low) & (dry <= high), "above": damp > high}
    seen = {"below": rh < low, "in": (rh >= low) & (rh <= high), "above": rh > high}
    covered = float(run["window_h"]) * float(run["rh_coverage_pct"]) / 100
    out = {}
    for side in seen:
        least, share, most = (
            float(np.average(kind[side], weights=weight)) for kind in (surely, seen, maybe)
        )
        line = float(run[f"hours_{side}_band"]) / covered if covered > 0 else share
        ends = (
            max(least, min(line, share) - open_share),
            min(most, max(line, share) + open_share),
        )
        out[f"hours_{side}_band_least"] = covered * max(0.0, min(*ends, line))
        out[f"hours_{side}_band_most"] = covered * min(1.0, max(*ends, line))
    return out


def _unsure(series: _Series, air: _Air, missed: float | None) -> Floats:
    """Give how far the air around each reading may lie from it [% points]."""
    if missed is not None:
        swing = air.swing if math.isfinite(air.swing) else 100.0
        return np.full(len(series.rh), swing)
    # quick readings of a slow sensor: the air is ahead of it by the lag times its slope
    lag = 0.0 if air.lag_s is None else air.lag_s
    k = max(1, round(lag / series.step_s))
    reach = np.arange(len(series.rh))
    first, last = np.maximum(reach - k, 0), np.minimum(reach + k, len(reach) - 1)
    slopes = []
    for a, b in ((first, reach), (reach, last)):
        seconds = np.maximum((series.time[b] - series.time[a]) / 1e9, 1e-9)
        slopes.append(np.where(b > a, np.abs(series.rh[b] - series.rh[a]) / seconds, 0.0))
    return np.asarray(lag * np.maximum(*slopes))


def better_interval_min(reading_s: float, cycle_s: float) -> tuple[float, float]:
    """Give an interval of readings that follows a cycle, and a slow one that meets all of it.

    Parameters
    ----------
    reading_s, cycle_s : float
        Interval of readings and cycle of the mist [s].

    Returns
    -------
    quick, slow : float
        A quarter of the cycle, in whole minutes where it is longer than one; and the whole
        number of minutes near the interval in use whose readings over a day are spread most
        evenly over the cycle [min].

    Examples
    --------
    >>> better_interval_min(600, 600)
    (2.0, 9.0)
    """
    quarter = cycle_s / ENOUGH_A_CYCLE / 60
    quick = float(math.floor(quarter)) if quarter >= 1 else quarter
    usual = max(1, round(reading_s / 60))
    tried = range(max(1, usual // 2), 2 * usual + 3)

    def missed(minutes: int) -> float:
        moments = np.arange(0.0, 86400.0, 60.0 * minutes)
        return phases_missed(moments % cycle_s / cycle_s, np.ones(len(moments)))

    return quick, float(min(tried, key=lambda m: (round(missed(m), 2), abs(m - usual))))
