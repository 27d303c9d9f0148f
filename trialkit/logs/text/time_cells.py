"""Cells of one layout → the parts of a moment, all their digits at once.

Cells that differ only in their digits share one layout, so each layout is understood once and all
its cells are read together.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from trialkit.logs.text.calendar_words import english_month, settle_months, take_apart
from trialkit.logs.text.time_forms import (
    DAYS,
    EPOCH,
    FORMS,
    MONTH_NUMBERS,
    MONTH_WORDS,
    MONTHS,
    SHORT_EPOCH,
    YEARS,
)

#: Nanoseconds in a second.
NS = 1_000_000_000
#: Where 2201 begins [s since 1970]: later moments are no more read here than as dates.
_YEAR_2201 = 7_289_654_400
_MOST_LAYOUTS = 200
_BLOCK = 200_000
#: German names of months with a letter beyond ASCII: März, and the Austrian Jänner.
_GERMAN = re.compile("(m)ärz?|(j)än(?:ner)?", re.IGNORECASE)
_TWO_NUMBERS = re.compile(r"\d\D+\d")
_LETTER = re.compile("[A-Za-z]")


@dataclass
class Work:
    """Parts of the moments of a column, filled while its layouts are read."""

    y: np.ndarray
    a: np.ndarray  # month, or the first of two numbers in local order
    b: np.ndarray  # day, or the second
    local: np.ndarray  # whether a, b stand in local order
    clock_ns: np.ndarray  # since midnight, or since 1970 where is_epoch
    found: np.ndarray
    aware: np.ndarray
    offset: np.ndarray
    date_only: np.ndarray
    is_epoch: np.ndarray
    of_year: np.ndarray  # whether the day is counted from the start of the year
    #: Layouts with words that no form knows.
    strange: list[tuple[np.ndarray, np.ndarray]] = field(default_factory=list)


def make_work(n: int) -> Work:
    """Make room for the parts of `n` moments, none of them found."""
    flags: dict[str, Any] = {
        k: np.zeros(n, bool)
        for k in ("local", "found", "aware", "date_only", "is_epoch", "of_year")
    }
    return Work(
        y=np.zeros(n, np.int16),
        a=np.zeros(n, np.int16),
        b=np.zeros(n, np.int16),
        clock_ns=np.zeros(n, np.int64),
        offset=np.zeros(n, np.int32),
        **flags,
    )


def read_length(
    data: np.ndarray,
    offsets: np.ndarray,
    where: np.ndarray,
    size: int,
    work: Work,
    forms: list[re.Pattern[str]],
) -> None:
    """Read all cells of one length, layout by layout, in blocks that fit the processor."""
    alone = len(where) == len(offsets) - 1
    for start in range(0, len(where), _BLOCK):
        block = where[start : start + _BLOCK]
        if alone:
            at = offsets[0] + size * start
            grid = data[at : at + size * len(block)].reshape(-1, size)
        else:
            grid = data[offsets[block][:, None] + np.arange(size)]
        _read_grid(grid, block, work, forms)


def _read_grid(
    grid: np.ndarray, where: np.ndarray, work: Work, forms: list[re.Pattern[str]]
) -> None:
    digit = (grid >= 48) & (grid <= 57)
    layout = np.where(digit, np.uint8(48), grid)
    left = np.arange(len(where))
    tried = 0
    while len(left):
        first = left[0]
        if tried >= _MOST_LAYOUTS:  # hardly a log any more: one by one
            for i in left:
                _read_layout(grid[i : i + 1], where[i : i + 1], work, forms)
            return
        alike = (layout[left] == layout[first]).all(axis=1)
        same, left = left[alike], left[~alike]
        tried += 1
        _read_layout(grid[same], where[same], work, forms)


def _read_layout(
    grid: np.ndarray, where: np.ndarray, work: Work, forms: list[re.Pattern[str]]
) -> None:
    """Read cells of one layout: understand the first, take the digits of all."""
    sample = grid[0].tobytes().decode("utf-8", errors="replace")
    if len(sample) != grid.shape[1]:
        plain = _GERMAN.sub(lambda found: "mar" if found[1] else "jan", sample)
        if plain.isascii():
            _read_layout(_with_digits(plain, grid), where, work, forms)
        elif _TWO_NUMBERS.search(sample):
            work.strange.append((grid, where))
        return
    if (forms is FORMS and EPOCH.match(sample)) or (
        forms == [SHORT_EPOCH] and SHORT_EPOCH.match(sample)
    ):
        if not _read_date_hours(grid, where, work):
            _read_epoch(grid, where, work)
        return
    found = next((m for form in forms if (m := form.match(sample))), None)
    if found is None or not _read_date(found, grid, where, work):
        if _LETTER.search(sample) and _TWO_NUMBERS.search(sample):
            work.strange.append((grid, where))
        return
    work.found[where] = True
    _read_clock(found, grid, where, work)


def _read_date(found: re.Match[str], grid: np.ndarray, where: np.ndarray, work: Work) -> bool:
    """Take year, month and day of cells of one layout; False where its month is not known."""

    def number(names: tuple[str, ...]) -> np.ndarray | None:
        for name in names:
            if _has(found, name):
                return _digits(grid, *found.span(name))
        return None

    year = number(YEARS)
    if year is None:
        return False
    span = next(found.span(k) for k in YEARS if _has(found, k))
    year = year + 2000 if span[1] - span[0] == 2 else year
    work.y[where] = year
    first, of_year = number(("a",)), number(("j",))
    if first is not None:
        work.a[where], work.b[where], work.local[where] = first, number(("b",)), True
        return True
    if of_year is not None:
        work.a[where], work.b[where] = date_of_day(year, of_year)
        work.of_year[where] = True
        return True
    month = number(MONTH_NUMBERS)
    if month is None:
        name = next((found.group(k) for k in MONTH_WORDS if _has(found, k)), "")
        value = MONTHS.get(name.casefold(), 0)
        if not value:
            return False
        month = np.full(len(where), value)
    work.a[where], work.b[where] = month, number(DAYS)
    return True


def date_of_day(year: np.ndarray, day: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Give month and day of the month of a day of the year; day 0 where the year has no such day.

    Examples
    --------
    >>> date_of_day(np.array([2031, 2032, 2031]), np.array([60, 60, 366]))
    (array([3, 2, 1]), array([ 1, 29,  0]))
    """
    sound = (year >= 1900) & (year <= 2200) & (day >= 1) & (day <= 366)
    start = (np.where(sound, year, 1970) - 1970).astype("datetime64[Y]").astype("datetime64[D]")
    date = start + np.where(sound, day - 1, 0)
    sound &= date.astype("datetime64[Y]").astype(np.int64) + 1970 == year
    months = date.astype("datetime64[M]")
    of_month = (date - months.astype("datetime64[D]")).astype(np.int64) + 1
    return np.where(sound, months.astype(np.int64) % 12 + 1, 1), np.where(sound, of_month, 0)


def days_since_1970(
    year: np.ndarray, month: np.ndarray, day: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Give days since 1970, 0 where there is no such date, and which dates exist.

    Examples
    --------
    >>> days_since_1970(np.array([1970, 2031]), np.array([1, 2]), np.array([2, 30]))
    (array([1, 0]), array([ True, False]))
    """
    ok = (year >= 1900) & (year <= 2200) & (month >= 1) & (month <= 12) & (day >= 1)
    months = np.where(ok, (year - 1970) * 12 + month - 1, 0)
    first = months.astype("datetime64[M]").astype("datetime64[D]")
    length = (months + 1).astype("datetime64[M]").astype("datetime64[D]") - first
    ok &= day <= length.astype(np.int64)
    return np.where(ok, first.astype(np.int64) + day - 1, 0), ok


def _has(found: re.Match[str], name: str) -> bool:
    return name in found.re.groupindex and found.group(name) is not None


def _read_clock(found: re.Match[str], grid: np.ndarray, where: np.ndarray, work: Work) -> None:
    if not _has(found, "H"):
        work.date_only[where] = True
        return
    hour = _digits(grid, *found.span("H"))
    minute = _digits(grid, *found.span("M"))
    second = _digits(grid, *found.span("S")) if _has(found, "S") else np.zeros_like(hour)
    bad = (minute > 59) | (second > 59) | (hour > 24)
    bad |= (hour == 24) & ((minute > 0) | (second > 0))  # 24:00 ends the day, nothing is after it
    if _has(found, "ap"):
        bad |= (hour < 1) | (hour > 12)
        hour = hour % 12 + (12 if found.group("ap").lower() == "p" else 0)
    clock = ((hour * 60 + minute) * 60 + second) * NS
    if _has(found, "f"):
        start, stop = found.span("f")
        part = _digits(grid, start, stop) * 10 ** (9 - (stop - start))
        bad |= (hour == 24) & (part > 0)
        clock += part
    work.clock_ns[where] = clock
    work.found[where[bad]] = False
    if _has(found, "z"):
        work.aware[where] = True
        if found.group("z")[0] in "+-":
            start, stop = found.span("z")
            # the sign is part of the layout, so it is the same in all these cells
            sign = -1 if found.group("z")[0] == "-" else 1
            hours = _digits(grid, start + 1, start + 3)
            minutes = _digits(grid, stop - 2, stop) if stop - start > 3 else 0
            seconds = hours * 3600 + minutes * 60
            work.offset[where] = sign * seconds
            # no clock is farther from UTC than 14 h
            work.found[where[(seconds > 14 * 3600) | (minutes > 59)]] = False


def _digits(grid: np.ndarray, start: int, stop: int) -> np.ndarray:
    value = np.zeros(len(grid), np.int64)
    for j in range(start, stop):
        value = value * 10 + (grid[:, j].astype(np.int64) - 48)
    return value


def _read_epoch(grid: np.ndarray, where: np.ndarray, work: Work) -> None:
    """Read seconds since 1970 (UTC), or thousandths, millionths, billionths of seconds."""
    text = grid[0].tobytes().decode()
    whole = text.partition(".")[0]
    finer = {13: 3, 16: 6, 19: 9}.get(len(whole), 0)  # digits after those of whole seconds
    unit = NS // 10**finer
    sound = _digits(grid, 0, len(whole) - finer) < _YEAR_2201
    grid, where = grid[sound], where[sound]
    ns = _digits(grid, 0, len(whole)) * unit
    part = min(9, len(text) - len(whole) - 1)
    if part > 0:
        ns += _digits(grid, len(whole) + 1, len(whole) + 1 + part) * unit // 10**part
    work.clock_ns[where] = ns
    work.is_epoch[where] = True
    work.found[where] = True
    work.aware[where] = True


def _read_date_hours(grid: np.ndarray, where: np.ndarray, work: Work) -> bool:
    """Read ten digits as year, month, day and hour if all of them can be that.

    Seconds since 1970 hardly ever can: a month, a day and an hour must come out of each.
    """
    if grid.shape[1] != 10:
        return False
    year, month, day, hour = (_digits(grid, *ab) for ab in ((0, 4), (4, 6), (6, 8), (8, 10)))
    sound = (year >= 1970) & (year <= 2200) & (month >= 1) & (month <= 12)
    sound &= (day >= 1) & (day <= 31) & (hour <= 24)
    if not sound.all():
        return False
    work.y[where], work.a[where], work.b[where] = year, month, day
    work.clock_ns[where] = hour * (3600 * NS)
    work.found[where] = True
    return True


def read_strange(work: Work, forms: list[re.Pattern[str]], languages: Sequence[str]) -> list[str]:
    """Read layouts with words: months, weekdays and halves of the day of any language.

    Returns the names that are several months.
    """
    strange, work.strange = work.strange, []
    if not strange:  # the words of all languages take a second and 120 MB
        return []
    if forms is not FORMS and not any(k in forms[0].groupindex for k in MONTH_WORDS):
        return []
    taken = []
    for grid, where in strange[:_MOST_LAYOUTS]:
        spelled = take_apart(grid[0].tobytes().decode("utf-8", errors="replace"))
        if spelled is not None:
            taken.append((grid, where, spelled))
    months, unsure = settle_months([s.month for _, _, s in taken], languages)
    halves = any(spelled.half for _, _, spelled in taken)
    for grid, where, spelled in taken:
        if halves and not spelled.half and ":" in spelled.plain:
            continue  # beside cells that say the half of the day, nothing tells which it means
        if spelled.month and spelled.month not in months:
            continue
        name = english_month(months[spelled.month]) if spelled.month else ""
        plain = spelled.plain.replace("\0", name)
        if plain.isascii():
            _read_layout(_with_digits(plain, grid), where, work, forms)
    return unsure


def _with_digits(plain: str, grid: np.ndarray) -> np.ndarray:
    """Write cells of one layout in another that has the same digits in the same order."""
    layout = np.frombuffer(plain.encode(), np.uint8)
    out = np.tile(layout, (len(grid), 1))
    old = (grid[0] >= 48) & (grid[0] <= 57)
    out[:, (layout >= 48) & (layout <= 57)] = grid[:, old]
    return out
