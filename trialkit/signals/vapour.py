"""Pulses of mist and the vapour that followed each of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from trialkit.air.kernels import saturation
from trialkit.arrays import Floats, Ints

HOUR = 3_600_000_000_000
MINUTE = 60_000_000_000
#: How long after a pulse its vapour is looked for [ns].
ANSWER_NS = 150 * 10**9
#: Moment [ns], vapour pressure [kPa] and humidity [%] of the records of a sensor.
Air = tuple[Ints, Floats, Floats]


@dataclass(frozen=True)
class Pulses:
    """Pulses of a chamber: on and off [ns], response [kPa], humidity around [%]."""

    on: Ints
    off: Ints
    response: Floats
    rh: Floats

    def between(self, lo: int, hi: int) -> Pulses:
        """Give the pulses from position `lo` up to, not with, `hi`."""
        part = slice(lo, hi)
        return Pulses(self.on[part], self.off[part], self.response[part], self.rh[part])

    @property
    def seconds(self) -> Floats:
        """Length of each pulse [s]."""
        return np.asarray((self.off - self.on) / 1e9)

    @property
    def usual(self) -> float:
        """Usual response [kPa]; NaN where there are too few."""
        known = self.response[np.isfinite(self.response)]
        return float(np.median(known)) if len(known) >= 20 else np.nan

    @property
    def noise(self) -> float:
        """Spread of single responses [kPa], robust."""
        known = self.response[np.isfinite(self.response)]
        if len(known) < 20:
            return np.nan
        return float(1.4826 * np.median(np.abs(known - np.median(known))))

    @property
    def judged(self) -> bool:
        """Whether the usual response stands out of the noise over an hour or so."""
        return bool(self.usual > 0.5 * self.noise) and self.usual > 0

    def summary(self) -> dict[str, Any]:
        """Give number, usual length and usual response of the pulses, and what could be seen."""
        answered = np.isfinite(self.response)
        return {
            "pulses": len(self.on),
            "answered": int(answered.sum()),
            "around_rh_pct": float(np.nanmedian(self.rh)) if answered.any() else np.nan,
            "pulse_s": float(np.median(self.seconds)) if len(self.on) else np.nan,
            "response_kpa": self.usual,
            "judged": self.judged,
        }


def to_ns(times: pd.Series) -> Ints:
    """Give moments as nanoseconds since 1970 UTC."""
    stamps = pd.DatetimeIndex(pd.to_datetime(times, utc=True))
    return np.asarray(stamps.as_unit("ns").asi8, dtype=np.int64)


def vapour_of(climate: pd.DataFrame) -> list[Air]:
    """Give moment, vapour pressure [kPa] and humidity of the sound records of each sensor."""
    if not {"temp_c", "rh_pct"} <= set(climate.columns) or not len(climate):
        return []
    temp = climate["temp_c"].to_numpy(dtype=float, na_value=np.nan)
    rh = climate["rh_pct"].to_numpy(dtype=float, na_value=np.nan)
    good = np.isfinite(temp) & np.isfinite(rh) & climate["time"].notna().to_numpy(bool)
    good &= (np.abs(temp) < 90) & (rh >= 0)
    time = to_ns(climate["time"])
    sensor = np.zeros(len(climate), dtype=np.int64)
    if "sensor" in climate.columns:
        sensor = pd.factorize(climate["sensor"])[0]
    out = []
    for number in np.unique(sensor[good]):
        rows = np.flatnonzero(good & (sensor == number))
        moments, first = np.unique(time[rows], return_index=True)
        rows = rows[first]
        out.append((moments, np.asarray(saturation(temp[rows]) * rh[rows] / 100), rh[rows]))
    return out


def responses(on: Ints, off: Ints, airs: Sequence[Air], shift: int = 0) -> tuple[Floats, Floats]:
    """Give the lift of the vapour pressure after each pulse and the humidity before it.

    Parameters
    ----------
    on, off : ndarray
        Begin and end of each pulse [ns].
    airs : sequence of Air
        Records of each sensor; their answers are averaged.
    shift : int
        Nanoseconds by which the pulses are moved first.

    Returns
    -------
    lift, humidity : ndarray
        [kPa], [%]; NaN where no sensor has records around the pulse.
    """
    sums = np.zeros((2, len(on)))
    count = np.zeros(len(on))
    for air in airs:
        for total, part in zip(sums, _of_sensor(on + shift, off + shift, *air), strict=True):
            total += np.nan_to_num(part)
        count += np.isfinite(part)
    count[count == 0] = np.nan
    return sums[0] / count, sums[1] / count


def _of_sensor(
    on: Ints, off: Ints, time: Ints, vapour: Floats, rh: Floats
) -> tuple[Floats, Floats]:
    """Give lift and humidity by one sensor."""
    lift, around = np.full(len(on), np.nan), np.full(len(on), np.nan)
    if not len(on):
        return lift, around
    until = np.minimum(off + ANSWER_NS, np.append(on[1:], np.iinfo(np.int64).max))
    before = np.searchsorted(time, on, side="right") - 1
    last = np.searchsorted(time, until, side="right")
    sums = np.concatenate(([0.0], np.cumsum(vapour)))
    n = last - before - 1
    ok = (before >= 0) & (n > 0)
    ok &= on - time[np.maximum(before, 0)] <= 5 * MINUTE
    i, j = before[ok], last[ok]
    lift[ok] = (sums[j] - sums[i + 1]) / n[ok] - vapour[i]
    around[ok] = rh[i]
    return lift, around


def rolling_response(pulses: Pulses, half_ns: int) -> tuple[Floats, Floats]:
    """Give the mean response of the pulses near each pulse, and how many they are."""
    known = np.isfinite(pulses.response)
    sums = np.concatenate(([0.0], np.cumsum(np.where(known, pulses.response, 0.0))))
    count = np.concatenate(([0], np.cumsum(known)))
    lo = np.searchsorted(pulses.on, pulses.on - half_ns, side="left")
    hi = np.searchsorted(pulses.on, pulses.on + half_ns, side="right")
    n = (count[hi] - count[lo]).astype(float)
    with np.errstate(invalid="ignore", divide="ignore"):
        return (sums[hi] - sums[lo]) / n, n


def loss_seen_pct(pulses: Pulses, half_ns: int, low_share: float, sure: float) -> float:
    """Give the share of pulses near which a loss of all response would be told [%].

    Parameters
    ----------
    pulses : Pulses
    half_ns : int
        Pulses nearer than this count together [ns].
    low_share, sure : float
        A mean response under this share of the usual one counts as lost, if it is also lower by
        so many standard errors.

    Returns
    -------
    float
        0 where the usual response does not stand out of the noise.
    """
    if not len(pulses.on) or not pulses.judged:
        return 0.0
    _, n = rolling_response(pulses, half_ns)
    with np.errstate(invalid="ignore", divide="ignore"):
        error = pulses.noise / np.sqrt(n)
    # lost means near nothing: its mean must fall under both limits in spite of its own error
    seen = (n >= 4) & (pulses.usual > sure * error) & (2 * error < low_share * pulses.usual)
    return float(100 * np.mean(seen))


def largest_sum(values: Floats) -> tuple[int, int]:
    """Give the stretch (first, one past the last) whose sum is largest.

    Notes
    -----
    One pass: the largest difference of cumulative sums, later minus earlier.

    Examples
    --------
    >>> largest_sum(np.array([-1.0, 2.0, -1.0, 3.0, -5.0]))
    (1, 4)
    """
    total = np.concatenate(([0.0], np.cumsum(values)))
    rise = total[1:] - np.minimum.accumulate(total[:-1])
    last = int(np.argmax(rise)) + 1
    return int(np.argmin(total[:last])), last
