"""Written moments → numbers: the forms in which loggers and people write a time.

A column is read by its layouts: cells that differ only in their digits share one layout, so each
layout is understood once and all its cells are read together.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from trialkit.logs.text.arrow import one_piece
from trialkit.logs.text.time_cells import (
    NS,
    Work,
    days_since_1970,
    make_work,
    read_length,
    read_strange,
)
from trialkit.logs.text.time_forms import FORMS, SERIAL, SHORT_EPOCH

_BLOCK = 200_000
_FIRST_SERIAL, _LAST_SERIAL = 25_569, 80_000  # 1970 and 2119


@dataclass(frozen=True)
class Moments:
    """Times as written, before any zone is applied.

    Parameters
    ----------
    wall : ndarray of int64, shape (n,)
        Nanoseconds since 1970-01-01 00:00 as the cell shows them; 0 where not `ok`.
    ok : ndarray of bool
    offset_s : ndarray of int32 or None
        Seconds east of UTC written in the cell; None where no cell has any.
    aware : ndarray of bool or None
        Which cells carry an offset; None where none does.
    date_only : ndarray of bool
        Which cells hold a date without a clock time.
    orders : set of {"day first", "month first"}
        Proofs of the order found in cells such as 25/03/2031.
    undecided : ndarray of int
        Positions of cells whose day and month could be swapped and nothing tells which.
    blank : ndarray of bool
        Which cells are empty.
    serial : bool
        Whether the cells are days as spreadsheets count them.
    unsure_months : tuple of str
        Names that are one month in one language and another in another, where nothing tells.
    """

    wall: np.ndarray
    ok: np.ndarray
    offset_s: np.ndarray | None
    aware: np.ndarray | None
    date_only: np.ndarray
    orders: frozenset[str]
    undecided: np.ndarray
    blank: np.ndarray
    serial: bool = False
    unsure_months: tuple[str, ...] = ()


def read_moments(
    cells: Any,
    *,
    day_first: bool | None = None,
    form: re.Pattern[str] | None = None,
    serial: bool = False,
    languages: Sequence[str] = (),
) -> Moments:
    """Read a column of written times.

    Parameters
    ----------
    cells : Arrow array of text, shape (n,)
    day_first : bool or None
        Whether 03/04/2031 is the third of April; None to judge it from the column.
    form : pattern or None
        The only form to accept, from `compile_format`.
    serial : bool
        Whether a column of nothing but day counts of a spreadsheet is one of moments.
    languages : sequence of str
        The only languages of month names; all that Babel knows by default.

    Returns
    -------
    Moments
    """
    data, offsets = _buffers(cells)
    n = len(offsets) - 1
    work = make_work(n)
    forms = FORMS if form is None else [form]
    length = np.diff(offsets)
    for size in np.unique(length):
        if 0 < size <= 64:
            read_length(data, offsets, np.flatnonzero(length == size), int(size), work, forms)
    unsure = read_strange(work, forms, languages)
    is_serial = serial and form is None and _read_serial(data, offsets, work)
    # a reset clock counts from zero: seconds with fewer digits
    if work.is_epoch.any() and not is_serial:
        for size in np.unique(length[~work.found]):
            if 0 < size <= 64:
                where = np.flatnonzero((length == size) & ~work.found)
                read_length(data, offsets, where, int(size), work, [SHORT_EPOCH])
    _leave_odd_days(work)
    orders, undecided = _settle_order(work, day_first)
    wall, ok = np.zeros(n, np.int64), np.zeros(n, bool)
    for start in range(0, n, _BLOCK):
        rows = slice(start, start + _BLOCK)
        wall[rows], ok[rows] = _to_ns(work, rows)
    ok[undecided] = False
    wall[~ok] = 0
    aware = work.aware if work.aware.any() else None
    return Moments(
        wall=wall,
        ok=ok,
        offset_s=work.offset if aware is not None else None,
        aware=aware,
        date_only=work.date_only,
        orders=frozenset(orders),
        undecided=undecided,
        blank=length == 0,
        serial=is_serial,
        unsure_months=tuple(unsure),
    )


def _buffers(cells: Any) -> tuple[np.ndarray, np.ndarray]:
    """Give the bytes and offsets of a text array, blanks around the cells removed."""
    import pyarrow as pa
    import pyarrow.compute as pc

    text = pc.fill_null(pc.utf8_trim_whitespace(cells), "")
    text = pc.cast(one_piece(text), pa.large_string())
    _, offset_buffer, data_buffer = text.buffers()
    if offset_buffer is None or len(text) == 0:
        return np.zeros(0, np.uint8), np.zeros(len(text) + 1, np.int64)
    offsets = np.frombuffer(offset_buffer, np.int64)[text.offset : text.offset + len(text) + 1]
    data = np.zeros(0, np.uint8) if data_buffer is None else np.frombuffer(data_buffer, np.uint8)
    return data, offsets


def _read_serial(data: np.ndarray, offsets: np.ndarray, work: Work) -> bool:
    """Read days as spreadsheets count them, if the column holds nothing else."""
    if work.found.any():
        return False
    texts = [
        data[a:b].tobytes().decode("utf-8", errors="replace").replace(",", ".")
        for a, b in pairwise(offsets)
        if b > a
    ]
    if not texts or not all(SERIAL.match(t) for t in texts):
        return False
    days = np.array([float(t) for t in texts])
    if days.min() < _FIRST_SERIAL or days.max() > _LAST_SERIAL:
        return False
    digits = max(len(t.partition(".")[2]) for t in texts)
    where = np.flatnonzero(np.diff(offsets) > 0)
    minutes = np.round(days * 1440) * 60  # to the minute where the cells cannot say otherwise
    seconds = np.round(days * 86400)
    exact = np.abs(minutes - days * 86400) <= 86400 * 10.0**-digits / 2
    seconds = np.where(exact, minutes, seconds) - _FIRST_SERIAL * 86400
    work.clock_ns[where] = seconds.astype(np.int64) * NS
    work.is_epoch[where] = True
    work.found[where] = True
    work.date_only[where] = bool(digits == 0)
    return True


def _leave_odd_days(work: Work) -> None:
    """Leave out days of the year among dates, or dates among days of the year: slips of the pen.

    2031-112 in a column of dates is rather 2 November with a dash lost than 22 April.
    """
    counted, dated = work.found & work.of_year, work.found & ~work.of_year & ~work.is_epoch
    if counted.any() and dated.any():
        odd = counted if counted.sum() <= dated.sum() else dated
        work.found[odd] = False


def _settle_order(work: Work, day_first: bool | None) -> tuple[set[str], np.ndarray]:
    """Put month and day in order; give the proofs of it, and the cells that nothing settles."""
    orders = _orders(work)
    undecided = np.zeros(0, np.int64)
    if day_first is None and len(orders) == 1:
        day_first = "day first" in orders
    if work.local.any():
        if day_first is None:
            undecided = np.flatnonzero(work.local & work.found & (work.a != work.b))
        elif day_first:
            swap = work.local
            work.a, work.b = np.where(swap, work.b, work.a), np.where(swap, work.a, work.b)
    return orders, undecided


def _orders(work: Work) -> set[str]:
    """Find cells that prove the order of day and month."""
    local = work.local & work.found
    first = local & (work.a > 12) & (work.a <= 31) & (work.b <= 12)
    second = local & (work.b > 12) & (work.b <= 31) & (work.a <= 12)
    out = set()
    if first.any():
        out.add("day first")
    if second.any():
        out.add("month first")
    return out


def _to_ns(work: Work, rows: slice) -> tuple[np.ndarray, np.ndarray]:
    """Turn parts of a time into nanoseconds since 1970; say which make a real date."""
    year, month, day = (v[rows].astype(np.int64) for v in (work.y, work.a, work.b))
    epoch, found = work.is_epoch[rows], work.found[rows]
    days, real = days_since_1970(year, month, day)
    dated = found & ~epoch & real
    return np.where(dated, days, 0) * (86400 * NS) + work.clock_ns[rows], dated | (found & epoch)
