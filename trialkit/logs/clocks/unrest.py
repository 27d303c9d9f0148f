"""Clocks that were wrong from the first day: the room's unrest as witness.

Doors, weather and heating move the air of a room at no fixed hour, and every logger in it feels
them at the same moment. A logger that feels them whole hours before or after all the others shows
another time than they do. What comes every day at the same hour (lamps, heating by a timer, the
sun) is taken out first: chambers may well differ in it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from trialkit.arrays import Floats, Ints

_MINUTE = 60_000_000_000
_BIN_MIN = 30
_PER_DAY = 1440 // _BIN_MIN
_FARTHEST = 14 * 60 // _BIN_MIN  # lags looked at [bins]
_NEAR = 0.7  # lags closer than so many bins are the same [bins]
_AGREE = 1.0  # loggers that bear witness agree among themselves to so many bins [bins]
_APART = 2  # what lies so far from the peak is no part of it [bins]
FEWEST_DAYS = 6
_MOST_DAYS = 1830
_BLOCKS = 3
_PARTS = 4
_LEAST_Z = 6.0  # of the highest correlation: with unrest in common it is far above
_SECOND = 0.7
_AT_ONCE = 0.4  # a peak elsewhere counts only where so little of it is felt at once
_PROFILE_DAYS = 3
_CLIP = 4.0


@dataclass(frozen=True)
class Offset:
    """A logger whose clock is whole hours off those of the others.

    Parameters
    ----------
    unit : int
        Number of the logger, in the order given.
    hours : int
        How much later than the others it shows the same unrest [h]; below 0 is earlier.
    peers : int
        How many other loggers agree on it.
    """

    unit: int
    hours: int
    peers: int


def find_offsets(
    times: Sequence[Ints], temps: Sequence[Floats], loggers: Sequence[int]
) -> list[Offset]:
    """Find clocks that are whole hours off those of most loggers of the same days.

    Parameters
    ----------
    times : sequence of ndarray of int64
        Moments of the records of each piece of a log [ns UTC].
    temps : sequence of ndarray
        Their temperatures [°C].
    loggers : sequence of int
        Which logger each piece is of; pieces of one logger are no witness for each other.

    Returns
    -------
    list of Offset
        Empty where the loggers have no unrest in common, fewer than three share their days,
        records are more than half an hour apart, or the logs span more than five years.

    Notes
    -----
    Temperatures are averaged over half an hour, and the changes from one average to the next taken,
    less their mean at the same hour of the three days before and after. For two loggers whose
    chambers follow the room with delays of their own, however different, these changes correlate
    most at no lag: the correlation of two decays, each beginning at once, is highest there.
    A pair counts where its highest correlation within 14 hours is well above all others. A clock
    is off where it is the same whole number of hours behind two or more loggers that agree among
    themselves, these are more than half of those that share its days and more than agree with it,
    and each third of the days and each quarter of the day says so. Visits that go from chamber to
    chamber are felt late too, but not by night, and the room is then felt at once besides.
    """
    if len(set(loggers)) < 3:
        return []
    span = max(int(t.max()) for t in times) - min(int(t.min()) for t in times)
    if span > _MOST_DAYS * 1440 * _MINUTE:
        return []
    unrest = _unrest(times, temps)
    made = np.fft.rfft(unrest, _fast_length(unrest.shape[1] + _FARTHEST), axis=1)
    lag = np.full((len(times), len(times)), np.nan)
    shared = np.zeros(len(times), dtype=int)
    for i in range(len(times)):
        for j in range(i + 1, len(times)):
            if loggers[i] != loggers[j] and _overlap(unrest[i], unrest[j]) is not None:
                shared[[i, j]] += 1
                lag[i, j] = _clear_lag(unrest[i], unrest[j], made[i], made[j])
                lag[j, i] = -lag[i, j]
    return list(_outvoted(lag, shared, unrest, loggers))


def _unrest(times: Sequence[Ints], temps: Sequence[Floats]) -> Floats:
    """Give changes of temperature that no hour of the day explains; 0 where nothing is known."""
    day = 1440 * _MINUTE
    first = min(int(t.min()) for t in times) // day * day
    days = (max(int(t.max()) for t in times) - first) // day + 1
    out = np.zeros((len(times), days * _PER_DAY))
    for row, (time, temp) in enumerate(zip(times, temps, strict=True)):
        known = np.isfinite(temp)
        at = (time[known] - first) // (_BIN_MIN * _MINUTE)
        counts = np.bincount(at, minlength=out.shape[1])
        sums = np.bincount(at, weights=temp[known], minlength=out.shape[1])
        with np.errstate(invalid="ignore"):
            change = np.diff(sums / np.where(counts > 0, counts, np.nan), prepend=np.nan)
        out[row] = _without_profile(change.reshape(days, _PER_DAY)).ravel()
    return out


def _without_profile(change: Floats) -> Floats:
    """Subtract the mean at the same hour of the days around, and cut what is too large."""
    known = np.isfinite(change)
    filled = np.where(known, change, 0.0)
    sums, counts = _around(filled) - filled, _around(known.astype(float)) - known
    known &= counts > 0
    rest = np.where(known, filled - sums / np.maximum(counts, 1), 0.0)
    if not known.any():
        return rest
    size = _CLIP * 1.4826 * float(np.median(np.abs(rest[known])))
    return np.clip(rest, -size, size)


def _around(values: Floats) -> Floats:
    """Sum over the days from three before to three after."""
    total = np.cumsum(np.pad(values, ((_PROFILE_DAYS + 1, _PROFILE_DAYS), (0, 0))), axis=0)
    return np.asarray(total[2 * _PROFILE_DAYS + 1 :] - total[: -2 * _PROFILE_DAYS - 1])


def _overlap(one: Floats, two: Floats) -> tuple[int, int] | None:
    """Give the bins in which both have records, if they are days enough."""
    both = np.flatnonzero((one != 0) & (two != 0))
    if len(both) < FEWEST_DAYS * _PER_DAY // 2:
        return None
    long_enough = both[-1] - both[0] >= (FEWEST_DAYS - 0.5) * _PER_DAY
    return (int(both[0]), int(both[-1]) + 1) if long_enough else None


def _fast_length(n: int) -> int:
    """Give the least even length from `n` with small factors only, which transforms fast."""
    powers = (2 ** np.arange(1, 32))[:, None, None] * (3 ** np.arange(4))[:, None]
    lengths = powers * (5 ** np.arange(3))
    return int(lengths[lengths >= n].min())


def _clear_lag(one: Floats, two: Floats, made: Floats, other: Floats) -> float:
    """Give how much later `one` shows what `two` shows [bins]; NaN where it is not clear."""
    raw = np.fft.irfft(made * np.conj(other), 2 * (len(made) - 1))
    score = np.concatenate((raw[-_FARTHEST:], raw[: _FARTHEST + 1]))
    both_one, both_two = one[two != 0], two[one != 0]
    energy = float(np.sqrt((both_one @ both_one) * (both_two @ both_two)))
    if energy <= 0:
        return float("nan")
    score /= energy
    best = int(np.argmax(score))
    rest = score.copy()
    rest[max(0, best - _APART + 1) : best + _APART] = 0.0
    clear = score[best] * np.sqrt(len(both_one)) >= _LEAST_Z
    clear = clear and float(rest.max()) <= _SECOND * score[best]
    if abs(best - _FARTHEST) > 1:  # what both feel at once is no matter of clocks
        clear = clear and float(score[_FARTHEST]) <= _AT_ONCE * score[best]
    return best - _FARTHEST + _between_bins(score, best) if clear else float("nan")


def _between_bins(score: Floats, best: int) -> float:
    """Give where between bins the top of the parabola through the highest three lies."""
    if not 0 < best < len(score) - 1:
        return 0.0
    before, top, after = score[best - 1 : best + 2].tolist()
    return float(0.5 * (before - after) / (before - 2 * top + after))


def _outvoted(
    lag: Floats, shared: Ints, unrest: Floats, loggers: Sequence[int]
) -> Iterator[Offset]:
    """Give the pieces that are whole hours off a majority that agrees within itself."""
    for i in range(len(lag)):
        clear = np.flatnonzero(np.isfinite(lag[i]))
        if not len(clear):
            continue
        hours = round(float(np.median(lag[i, clear])) * _BIN_MIN / 60)
        expected = hours * 60 / _BIN_MIN
        others = clear[np.abs(lag[i, clear] - expected) <= _NEAR]
        with_it = int((np.abs(lag[i, clear]) <= _NEAR).sum())
        if hours == 0 or len({loggers[j] for j in others}) < 2 or len(others) <= with_it + 1:
            continue
        if 2 * len(others) <= shared[i]:  # most must say so, not only be silent
            continue
        among = lag[np.ix_(others, others)]
        if (np.abs(among[np.isfinite(among)]) > _AGREE).any() or not np.isfinite(among).any():
            continue
        if sum(_lasts(unrest[i], unrest[j], expected) for j in others) * 2 > len(others):
            yield Offset(i, hours, len(others))


def _lasts(one: Floats, two: Floats, expected: float) -> bool:
    """Whether each third of the common days, and each part of the day, shows the same lag.

    Visits go from chamber to chamber, and might pass for a clock; but nobody visits at all hours.
    """
    span = _overlap(one, two)
    if span is None:
        return False
    at = np.arange(*span)
    lags = np.arange(-_FARTHEST, _FARTHEST + 1)
    padded = np.pad(two, _FARTHEST)
    windows = np.lib.stride_tricks.sliding_window_view(padded, len(at))
    behind = windows[span[0] + _FARTHEST - lags]
    third = (at - span[0]) * _BLOCKS // len(at)
    hour = at % _PER_DAY * _PARTS // _PER_DAY
    for part in [*(third == k for k in range(_BLOCKS)), *(hour == k for k in range(_PARTS))]:
        score = behind @ np.where(part, one[span[0] : span[1]], 0.0)
        if abs(float(lags[np.argmax(score)]) - expected) > 1:
            return False
    return True
