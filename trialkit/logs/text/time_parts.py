"""Moments in several columns: year, month, day and hour; day of the year; date and time."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from trialkit.logs.text.arrow import as_numpy
from trialkit.logs.text.time_cells import NS, date_of_day, days_since_1970
from trialkit.logs.text.time_forms import CLOCK, HALF
from trialkit.logs.text.times import Moments, read_moments

_ROLES = {
    "year": "year yr yy yyyy jahr año ano année annee anno rok év ev jaar år vuosi yıl yil год",
    "month": "month mon mo monat mes mois mese miesiąc měsíc maand måned månad kuukausi ay месяц",
    "day": "day dy dd d tag día dia jour giorno dzień den dag päivä gün день dom",
    "day of year": "doy jday julian jd dayofyear yday yearday yrday jul jultag dayofyr ddd",
    "hour": "hour hr hh h std stunde hora heure ora godzina hodina uur tunti saat час",
    "minute": "minute min mn mi minuto minut minuut minuta minuutti dakika минута",
    "second": "second sec ss s sek sekunde segundo seconde secondo секунда",
    "clock": "hhmm hrmn hhmmss hourmin",
}
_WORDS = {word: role for role, words in _ROLES.items() for word in words.split()}
_DAY = 86_400 * NS
_SAMPLE = 200
_SURE, _NEARLY = 0.8, 0.9
_HALF_CLOCK = re.compile(r"^\d.*[AaPp]")
_CLOCK_WORDS = frozenset({"time", "zeit", "uhrzeit", "hora", "heure", "ora"})
_PLAIN = re.compile(r"^\d{1,8}([.,]\d+)?$")
_ORDER = ("year", "month", "day", "hour", "minute", "second")
_PARTS = frozenset((*_ORDER, "day of year", "clock"))


@dataclass(frozen=True)
class _Part:
    """One of the columns: its numbers (NaN where a cell is none), and whether all cells are one."""

    cells: Any
    values: np.ndarray
    numeric: bool


def read_parts(
    heads: Sequence[str],
    columns: Sequence[Any],
    *,
    day_first: bool | None = None,
    languages: Sequence[str] = (),
) -> Moments | None:
    """Read moments whose parts stand in columns of their own.

    What a column holds is told by its head (``Year``, ``DOY``, ``hh`` …), else by its numbers and
    their order, the largest part first.

    Parameters
    ----------
    heads : sequence of str
    columns : sequence of Arrow array
        Their cells, as text or numbers.
    day_first : bool or None
    languages : sequence of str
        See `read_moments`, for a date in one of the columns.

    Returns
    -------
    Moments or None
        None where the cells are not numbers of this kind; joined as text they may be moments.
    """
    parts = [_part(column) for column in columns]
    if not parts or not any(p.numeric for p in parts):
        return None
    if not _is_number_of(parts[0], 1900, 2200) and not _head_role(heads[0]) and len(parts) == 2:
        return _date_and_clock(parts, day_first, languages)
    roles = _roles(heads, parts)
    if roles is None:
        return _date_and_clock(parts, day_first, languages)
    return _compose(roles, len(parts[0].values))


def _part(column: Any) -> _Part:
    import pyarrow as pa
    import pyarrow.compute as pc

    kind = column.type
    if pa.types.is_integer(kind) or pa.types.is_floating(kind):
        values = as_numpy(pc.cast(column, pa.float64(), safe=False), float)
        return _Part(column, values, bool(np.isfinite(values).any()))
    if not pa.types.is_string(kind):
        return _Part(column, np.zeros(0), False)
    text = pc.fill_null(pc.utf8_trim_whitespace(column), "")
    sample = [c for c in text.slice(0, _SAMPLE).to_pylist() if c]
    if sample and not any(_PLAIN.match(c) for c in sample):
        return _Part(text, np.zeros(0), False)  # dates, times of day, words
    plain = pc.match_substring_regex(text, _PLAIN.pattern)
    sound = pc.replace_substring(pc.if_else(plain, text, pa.scalar(None, pa.string())), ",", ".")
    values = as_numpy(pc.cast(sound, pa.float64()), float)
    filled = int(pc.sum(pc.cast(pc.not_equal(text, ""), pa.int64())).as_py() or 0)
    return _Part(text, values, bool(filled and np.isfinite(values).sum() > 0.5 * filled))


def _is_number_of(part: _Part, low: float, high: float) -> bool:
    """Whether the numbers of a part lie between two, but for a few damaged ones."""
    sound = part.values[np.isfinite(part.values)]
    within = (sound >= low) & (sound <= high)
    return part.numeric and len(sound) > 0 and bool(within.mean() > _NEARLY)


def _head_role(head: str) -> str | None:
    words = re.findall(r"[^\W_]+", head.casefold())
    joined = "".join(words)
    if joined in _WORDS:
        return _WORDS[joined]
    if "year" in words and "day" in words:
        return "day of year"
    named = [_WORDS[w] for w in words if w in _WORDS]
    return named[0] if named else None


def _roles(heads: Sequence[str], parts: Sequence[_Part]) -> dict[str, _Part] | None:
    """Say which column is which part; None where that cannot be."""
    if not all(p.numeric for p in parts):
        return None
    named = [_head_role(h) for h in heads]
    for k, head in enumerate(heads):  # "mm" is a month before the hour and a minute after it
        if _is_mm(head):
            named[k] = "minute" if "hour" in named[:k] or "month" in named else "month"
    if len(set(named)) < len(named) or None in named or "year" not in named:
        named = list(_by_numbers(parts))
    if len(named) != len(parts):
        return None
    for k, role in enumerate(named):
        if role in ("hour", "minute") and not _is_number_of(parts[k], 0, 60):
            named[k] = "clock"  # an hour above sixty is a time of day such as 1330
        if role == "day" and not _is_number_of(parts[k], 0, 31) and "month" not in named:
            named[k] = "day of year"
    roles = {str(role): part for role, part in zip(named, parts, strict=True)}
    dated = {"year", "month", "day"} <= roles.keys() or {"year", "day of year"} <= roles.keys()
    return roles if dated and len(roles) == len(parts) and roles.keys() <= _PARTS else None


def _by_numbers(parts: Sequence[_Part]) -> list[str | None]:
    """Tell parts by their numbers: a year first, then month and day or the day of the year."""
    if not _is_number_of(parts[0], 1900, 2200):
        return [None]
    rest = list(parts[1:])
    dated = len(rest) > 1 and _is_number_of(rest[0], 1, 12) and _is_number_of(rest[1], 1, 31)
    head: list[str | None] = ["year", *(["month", "day"] if dated else ["day of year"])]
    clock = rest[2:] if dated else rest[1:]
    if len(clock) == 1 and not _is_number_of(clock[0], 0, 24):
        return [*head, "clock"]
    return [*head, *("hour", "minute", "second")[: len(clock)]]


def _compose(roles: dict[str, _Part], n: int) -> Moments:
    def whole(role: str, default: int = 0) -> np.ndarray:
        part = roles.get(role)
        if part is None:
            return np.full(n, default, np.int64)
        return np.where(np.isfinite(part.values), part.values, -1).astype(np.int64)

    year = whole("year")
    year = np.where((year >= 0) & (year < 100), year + 2000, year)
    fraction = np.zeros(n)
    if "day of year" in roles:
        of_year = roles["day of year"].values
        fraction = np.where(np.isfinite(of_year), of_year % 1, 0.0)
        month, day = date_of_day(year, whole("day of year"))
    else:
        month, day = whole("month"), whole("day")
    days, ok = days_since_1970(year, month, day)
    clock, sound = _clock(roles, whole, n)
    timed = {"hour", "clock"} & roles.keys()
    if not timed and fraction.any():
        clock = np.round(fraction * 86_400).astype(np.int64) * NS
        timed = {"hour"}
    ok &= sound
    for role in ("year", "month", "day", "day of year"):
        if role in roles:
            ok &= np.isfinite(roles[role].values)
    return Moments(
        wall=np.where(ok, days * _DAY + clock, 0),
        ok=ok,
        offset_s=None,
        aware=None,
        date_only=np.full(n, not timed),
        orders=frozenset(),
        undecided=np.zeros(0, np.int64),
        blank=np.all([~np.isfinite(p.values) for p in roles.values()], axis=0),
    )


def _clock(roles: dict[str, _Part], whole: Any, n: int) -> tuple[np.ndarray, np.ndarray]:
    """Give nanoseconds since midnight, and which times of day exist."""
    if "clock" in roles:
        digits = whole("clock")
        known = np.isfinite(roles["clock"].values)
        if digits.max(initial=0) > 2400:
            hour, minute, second = digits // 10_000, digits // 100 % 100, digits % 100
        else:
            hour, minute, second = digits // 100, digits % 100, np.zeros(n, np.int64)
        return _since_midnight(hour, minute, second, known)
    hour, minute, second = whole("hour"), whole("minute"), whole("second")
    known = np.ones(n, bool)
    for role in ("hour", "minute", "second"):
        if role in roles:
            known &= np.isfinite(roles[role].values)
    clock, ok = _since_midnight(hour, minute, second, known)
    for role, unit in (("hour", 3600), ("second", 1)):
        if role in roles:
            part = np.where(ok, roles[role].values % 1, 0.0)
            clock += np.round(part * unit * 1000).astype(np.int64) * (NS // 1000)
    return clock, ok


def _since_midnight(
    hour: np.ndarray, minute: np.ndarray, second: np.ndarray, known: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    ok = known & (hour >= 0) & (hour <= 24) & (minute >= 0) & (minute < 60)
    ok &= (second >= 0) & (second < 60) & ((hour < 24) | ((minute == 0) & (second == 0)))
    return np.where(ok, ((hour * 60 + minute) * 60 + second) * NS, 0), ok


def _date_and_clock(
    parts: Sequence[_Part], day_first: bool | None, languages: Sequence[str]
) -> Moments | None:
    """Read a date in one column and a time of day in figures (130, 0130, 13, 0.5625) beside it."""
    import pyarrow as pa

    if len(parts) != 2 or not pa.types.is_string(parts[0].cells.type):
        return None
    dates, clock = parts
    if not clock.numeric:
        return None
    moments = read_moments(dates.cells, day_first=day_first, languages=languages, serial=True)
    if not (moments.ok.any() or len(moments.undecided)) or not moments.date_only[moments.ok].all():
        return None
    values = np.where(np.isfinite(clock.values), clock.values, -1.0)
    if _is_number_of(clock, 0, 1) and (values % 1 > 0).any():  # a part of the day
        of_day = np.round(np.where(values >= 0, values, 0) * 86_400).astype(np.int64) * NS
        sound = values >= 0
    else:
        role = "hour" if _is_number_of(clock, 0, 24) and len(set(values)) > 1 else "clock"
        figures = {role: replace(clock, numeric=True)}
        n = len(values)

        def whole(name: str) -> np.ndarray:
            return values.astype(np.int64) if name in figures else np.zeros(n, np.int64)

        of_day, sound = _clock(figures, whole, n)
    ok = moments.ok & sound
    return replace(
        moments,
        wall=np.where(ok, moments.wall + of_day, 0),
        ok=ok,
        date_only=np.zeros(len(ok), bool),
    )


#: How columns without a head are called.
_NAMELESS = re.compile(r"column \d+$")


def find_clock(date: str, heads: Sequence[str], columns: Sequence[Any]) -> tuple[str, ...]:
    """Find the column with the time of day beside a column of dates, and its half of the day.

    Examples
    --------
    >>> import pyarrow as pa
    >>> cells = [pa.array([t]) for t in ("2031-01-14", "20.5", "07:30", "PM")]
    >>> find_clock("Date", ["Date", "Temp", "Time", "AM/PM"], cells)
    ('Time', 'AM/PM')
    """
    import pyarrow as pa

    texts = {h: c for h, c in zip(heads, columns, strict=True) if h != date}
    cells = {h: _filled(c) for h, c in texts.items() if pa.types.is_string(c.type)}
    clock = next((h for h, found in cells.items() if _share(CLOCK, found) > _SURE), None)
    if clock is not None:
        half = next((h for h, found in cells.items() if _share(HALF, found) > _SURE), None)
        return (clock,) if half is None or _share(_HALF_CLOCK, cells[clock]) else (clock, half)
    dates = columns[list(heads).index(date)]
    for head, column in texts.items():
        words = set(re.findall(r"[^\W_]+", head.casefold()))
        beside = list(heads).index(head) == list(heads).index(date) + 1
        told = _head_role(head) in ("hour", "clock") or words & _CLOCK_WORDS
        if told or (beside and _NAMELESS.match(head) and _are_clocks(column)):
            either = [read_parts((date, head), (dates, column), day_first=f) for f in (True, False)]
            if any(found is not None and found.ok.mean() > _SURE for found in either):
                return (head,)
    return ()


def _are_clocks(column: Any) -> bool:
    """Whether cells may all be times such as 0930, and are no year that stays the same."""
    import pyarrow as pa

    found = _filled(column) if pa.types.is_string(column.type) else []
    return len(set(found)) > 2 and all(re.fullmatch(r"\d{4}", cell) for cell in found)


def _filled(column: Any) -> list[str]:
    return [c.strip() for c in column.slice(0, _SAMPLE).to_pylist() if c and c.strip()]


def _share(pattern: re.Pattern[str], cells: Sequence[str]) -> float:
    return sum(bool(pattern.match(c)) for c in cells) / len(cells) if cells else 0.0


def _is_mm(head: str) -> bool:
    return head.strip().casefold() == "mm"


def find_time_parts(heads: Sequence[str], columns: Sequence[Any]) -> tuple[str, ...]:
    """Find columns that make up a moment together, by their heads, the largest part first.

    Examples
    --------
    >>> import pyarrow as pa
    >>> cells = [pa.array([t]) for t in ("2031", "20.5", "1", "14", "7")]
    >>> find_time_parts(["Year", "Temp", "Month", "Day", "Hour"], cells)
    ('Year', 'Month', 'Day', 'Hour')
    """
    roles: dict[str, str] = {}
    for head, column in sorted(zip(heads, columns, strict=True), key=lambda hc: _is_mm(hc[0])):
        role = _head_role(head)
        if _is_mm(head):  # a month, or minutes where another column holds the month
            role = "minute" if "month" in roles else "month"
        if role is not None and role not in roles and _part(column).numeric:
            roles[role] = head
    for order in (
        ("year", "month", "day", "clock"),
        _ORDER,
        ("year", "day of year", "clock"),
        ("year", "day of year", "hour", "minute", "second"),
    ):
        if all(r in roles for r in order[:3] if r not in ("clock", "hour")) and (
            "clock" not in order or "clock" in roles
        ):
            chosen = tuple(roles[r] for r in order if r in roles)
            cells = dict(zip(heads, columns, strict=True))
            if len(chosen) > 1:
                found = read_parts(chosen, [cells[h] for h in chosen])
                if found is not None and found.ok.mean() > _SURE:
                    return chosen
    return ()
