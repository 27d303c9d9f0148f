"""Wall clocks → UTC and back: zones, the doubled and the missing hour, days.

In the hour that comes twice the order of rows decides; where it cannot, the rows are set aside,
not guessed.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import pandas as pd

from trialkit.errors import LogError

NS = 1_000_000_000
#: Stands for "no time" among nanoseconds.
NO_TIME = np.iinfo(np.int64).min
_HALF_HOUR = 1800 * NS


@dataclass(frozen=True)
class Change:
    """One change of the clocks of a zone, in wall time (nanoseconds since 1970-01-01).

    Parameters
    ----------
    utc : int
        Moment of the change, UTC.
    before_s, after_s : int
        Seconds east of UTC before and after.
    """

    utc: int
    before_s: int
    after_s: int

    @property
    def forward(self) -> bool:
        """Whether the clocks go forward, so that an hour is missing."""
        return self.after_s > self.before_s

    @property
    def low(self) -> int:
        """First wall moment of the missing or doubled stretch."""
        return self.utc + min(self.before_s, self.after_s) * NS

    @property
    def high(self) -> int:
        """First wall moment after the missing or doubled stretch."""
        return self.utc + max(self.before_s, self.after_s) * NS


@lru_cache(maxsize=64)
def clock_changes(zone: dt.tzinfo, first_year: int, last_year: int) -> tuple[Change, ...]:
    """List the clock changes of a zone in a range of years.

    Examples
    --------
    >>> changes = clock_changes(ZoneInfo("Europe/Vienna"), 2031, 2031)
    >>> [str(np.datetime64(c.utc, "ns").astype("datetime64[m]")) for c in changes]
    ['2031-03-30T01:00', '2031-10-26T01:00']
    """
    out = []
    moment = dt.datetime(max(1900, first_year), 1, 1, tzinfo=dt.UTC)
    stop = dt.datetime(min(2200, last_year) + 1, 1, 1, tzinfo=dt.UTC)
    step = dt.timedelta(days=7)
    before = _offset(zone, moment)
    while moment < stop:
        following = moment + step
        after = _offset(zone, following)
        if after != before:
            low, high = moment, following
            while high - low > dt.timedelta(seconds=1):
                middle = (low + (high - low) // 2).replace(microsecond=0)
                if _offset(zone, middle) == before:
                    low = middle
                else:
                    high = middle
            out.append(Change(int(high.timestamp()) * NS, before, after))
            before = after
        moment = following
    return tuple(out)


def _offset(zone: dt.tzinfo, moment: dt.datetime) -> int:
    offset = moment.astimezone(zone).utcoffset()
    return int(offset.total_seconds()) if offset else 0


def find_zone(text: str) -> dt.tzinfo:
    """Give the zone of an IANA name, or of a fixed offset such as ``"+01:00"`` or ``"UTC+1"``.

    Raises
    ------
    LogError
        If there is no such zone.
    """
    fixed = re.fullmatch(r"(?:UTC|GMT)?([-+])(\d{1,2})(?::?(\d{2}))?", text.strip())
    if fixed:
        minutes = int(fixed[2]) * 60 + int(fixed[3] or 0)
        if minutes > 14 * 60 or int(fixed[3] or 0) > 59:
            raise LogError(
                f"unknown time zone {text!r}: no clock is more than 14 h from UTC, and an hour has "
                "60 minutes"
            )
        return dt.timezone(dt.timedelta(minutes=-minutes if fixed[1] == "-" else minutes))
    try:
        return ZoneInfo(text)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise LogError(
            f"unknown time zone {text!r} → use a name such as 'Europe/Vienna', or '+01:00'"
        ) from None


@dataclass(frozen=True)
class Localised:
    """Wall times put into their zone.

    Parameters
    ----------
    utc : ndarray of int64
        Nanoseconds since 1970 in UTC; not meaningful where `missing` or `unsure`.
    missing : ndarray of int
        Positions in the hour that does not exist.
    unsure : ndarray of int
        Positions in the hour that comes twice, where order does not tell which one.
    stayed : list of (Change, int)
        Changes that the clock did not follow, with the number of records that prove it.
    """

    utc: np.ndarray
    missing: np.ndarray
    unsure: np.ndarray
    stayed: list[tuple[Change, int]]


def localise(wall: np.ndarray, zone: dt.tzinfo, *, groups: np.ndarray | None = None) -> Localised:
    """Put wall times into a zone, reading the doubled hour from the order of the rows.

    Parameters
    ----------
    wall : ndarray of int64, shape (n,)
        Wall times [ns since 1970-01-01 00:00], in the order of the file.
    zone : tzinfo
    groups : ndarray of int, optional
        Series that each row belongs to (chamber and sensor); one series if None.

    Returns
    -------
    Localised
    """
    if not len(wall):
        return Localised(wall, np.zeros(0, int), np.zeros(0, int), [])
    years = np.array([wall.min(), wall.max()]).astype("datetime64[ns]").astype("datetime64[Y]")
    low, high = (years.astype(int) + 1970).tolist()
    changes = clock_changes(zone, low - 1, high + 1)
    if not changes:
        start = np.datetime64(int(wall.min()), "ns").astype("datetime64[s]").astype(object)
        offset = _offset(zone, start.replace(tzinfo=dt.UTC))
        return Localised(wall - offset * NS, np.zeros(0, int), np.zeros(0, int), [])
    # offset by the first reading: before the change, through the doubled stretch
    bounds = np.array([c.low if c.forward else c.high for c in changes])
    offsets = np.array([changes[0].before_s] + [c.after_s for c in changes], dtype=np.int64)
    utc = wall - offsets[np.searchsorted(bounds, wall, side="right")] * NS
    missing, unsure, stayed = [], [], []
    for change in changes:
        inside = np.flatnonzero((wall >= change.low) & (wall < change.high))
        if not len(inside):
            continue
        if change.forward:
            missing.append(inside)
            stayed.append((change, len(inside)))
            continue
        second, open_, held = _doubled(wall, inside, change, groups)
        utc[second] += (change.before_s - change.after_s) * NS
        unsure.append(open_)
        if held:
            stayed.append((change, held))
    none = np.zeros(0, int)
    return Localised(utc, np.concatenate([none, *missing]), np.concatenate([none, *unsure]), stayed)


def _doubled(
    wall: np.ndarray, inside: np.ndarray, change: Change, groups: np.ndarray | None
) -> tuple[np.ndarray, np.ndarray, int]:
    """Split rows of a doubled hour: second pass, undecided, and rows of a clock that stayed."""
    second, open_, held = [], [], 0
    for group in np.unique(groups[inside]) if groups is not None else [None]:
        rows = np.arange(len(wall)) if groups is None else np.flatnonzero(groups == group)
        if int(np.sign(np.diff(wall[rows])).sum()) < 0:
            rows = rows[::-1]  # a file with the newest record first
        series = wall[rows]
        usual = float(np.median(np.abs(np.diff(series)))) if len(rows) > 2 else 0.0
        at = np.flatnonzero((series >= change.low) & (series < change.high))
        for run in np.split(at, np.flatnonzero(np.diff(at) != 1) + 1):
            steps = np.diff(series[run])
            back = np.flatnonzero(
                (steps < -_HALF_HOUR // 2) | ((steps <= 0) & (usual >= _HALF_HOUR))
            )
            if len(back) == 1:
                second.append(rows[run[back[0] + 1 :]])
            elif len(back) == 0 and _unbroken(series, run, change, usual):
                held += len(run)  # one pass without a break: the clock went on as before
            else:
                open_.append(rows[run])
    none = np.zeros(0, int)
    return np.concatenate([none, *second]), np.concatenate([none, *open_]), held


def _unbroken(series: np.ndarray, run: np.ndarray, change: Change, usual: float) -> bool:
    """Whether a regular series runs once through the doubled hour without a break."""
    first, last = run[0] - 1, run[-1] + 1
    if first < 0 or last >= len(series) or not 0 < usual <= 0.25 * (change.high - change.low):
        return False
    return bool(np.all(np.abs(np.diff(series[first : last + 1])) <= 3 * usual))


def wall_times(ns: np.ndarray, zone: dt.tzinfo) -> np.ndarray:
    """Give moments [ns, UTC] as wall times of a zone [ns]."""
    stamps = pd.DatetimeIndex(ns.astype("datetime64[ns]")).tz_localize("UTC")
    local = stamps.tz_convert(zone).tz_localize(None)
    return np.asarray(local.to_numpy().astype("datetime64[ns]").astype(np.int64))


def local_days(ns: np.ndarray, zone: dt.tzinfo) -> np.ndarray:
    """Give the day in a zone as a number; -1 where there is no time."""
    known = ns != NO_TIME
    out = np.full(len(ns), -1, np.int64)
    if known.any():
        out[known] = wall_times(ns[known], zone) // (86400 * NS)
    return out


def day_text(ns: int, zone: dt.tzinfo) -> str:
    """Write the day of a moment in a zone."""
    return moment_of(ns).astimezone(zone).strftime("%Y-%m-%d")


def moment_of(ns: int) -> dt.datetime:
    """Give nanoseconds since 1970 as a moment (to the second)."""
    return dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(seconds=int(ns // 10**9))
