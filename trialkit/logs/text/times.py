"""Written moments → numbers: the forms in which loggers and people write a time.

A column is read by its layouts: cells that differ only in their digits share one layout, so each
layout is understood once and all its cells are read together.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import numpy as np

from trialkit.logs.text.arrow import one_piece

_MONTH_WORDS = """january february march april may june july august september october november
december"""
_MONTHS = {name: i for i, name in enumerate(_MONTH_WORDS.split(), 1)}
_MONTHS |= {name[:3]: i for name, i in _MONTHS.items()}
_MONTHS |= {"sept": 9, "mär": 3, "mai": 5, "okt": 10, "dez": 12, "märz": 3, "juni": 6, "juli": 7}
_CLOCK = (
    r"(?P<H>\d{1,2}):(?P<M>\d{2})(?::(?P<S>\d{2})(?:[.,](?P<f>\d{1,9}))?)?"
    r"(?:\s*(?P<ap>[AaPp])\.?\s?[Mm]\.?)?"
    r"(?:\s*(?P<z>Z|UTC|GMT|[-+]\d{2}:?\d{2}|[-+]\d{2}))?"
)
_YMD = r"(?P<Y>\d{4})(?P<s1>[-/.])(?P<m>\d{1,2})(?P=s1)(?P<d>\d{1,2})"
_ABY = r"(?P<a>\d{1,2})(?P<s2>[-/.])(?P<b>\d{1,2})(?P=s2)(?P<Y2>\d{4}|\d{2})"
_DNY = (
    r"(?P<d3>\d{1,2})(?:\.(?=\s))?(?P<s3>[- ./])\s?(?P<mon>[^\W\d]{3,9})\.?(?P=s3)\s?"
    r"(?P<Y3>\d{4}|\d{2})"
)
_NDY = r"(?P<mon4>[^\W\d]{3,9})\.?\s(?P<d4>\d{1,2}),?\s(?P<Y4>\d{4})"
_COMPACT = r"(?P<Y5>\d{4})(?P<m5>\d{2})(?P<d5>\d{2})"
_COMPACT_CLOCK = r"(?P<H>\d{2})(?P<M>\d{2})(?:(?P<S>\d{2}))?(?P<z>Z|[-+]\d{2}:?\d{2})?"
_GLUE = r"(?:[T_ ]|,\s?|\s+|\sat\s)"
_FORMS = [re.compile(f"^(?:{date})(?:{_GLUE}{_CLOCK})?$") for date in (_YMD, _ABY, _DNY, _NDY)] + [
    re.compile(f"^{_COMPACT}(?:[T_ ]?{_COMPACT_CLOCK})?$"),
    re.compile(f"^{_COMPACT}{_GLUE}{_CLOCK}$"),
    re.compile(f"^{_CLOCK}{_GLUE}(?:{_YMD}|{_ABY}|{_DNY})$"),
]
_EPOCH = re.compile(r"^\d{10}(?:\.\d+)?$|^\d{13}$")
_SHORT_EPOCH = re.compile(r"^\d{1,9}(?:\.\d+)?$")
_MOST_LAYOUTS = 200
_BLOCK = 200_000
_CODES = {
    "Y": r"(?P<Y>\d{4})",
    "y": r"(?P<Y2>\d{2})",
    "m": r"(?P<m>\d{1,2})",
    "d": r"(?P<d>\d{1,2})",
    "H": r"(?P<H>\d{1,2})",
    "I": r"(?P<H>\d{1,2})",
    "M": r"(?P<M>\d{1,2})",
    "S": r"(?P<S>\d{1,2})",
    "f": r"(?P<f>\d{1,9})",
    "p": r"(?P<ap>[AaPp])\.?\s?[Mm]\.?",
    "b": r"(?P<mon>[^\W\d]{3,9})\.?",
    "B": r"(?P<mon>[^\W\d]{3,9})\.?",
    "z": r"(?P<z>Z|[-+]\d{2}:?\d{2}|[-+]\d{2})",
    "Z": r"(?P<z>Z|UTC|GMT)",
    "%": "%",
}
_NS = 1_000_000_000


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
    """

    wall: np.ndarray
    ok: np.ndarray
    offset_s: np.ndarray | None
    aware: np.ndarray | None
    date_only: np.ndarray
    orders: frozenset[str]
    undecided: np.ndarray
    blank: np.ndarray


@dataclass
class _Work:
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


def _work(n: int) -> _Work:
    flags = {k: np.zeros(n, bool) for k in ("local", "found", "aware", "date_only", "is_epoch")}
    return _Work(
        y=np.zeros(n, np.int16),
        a=np.zeros(n, np.int16),
        b=np.zeros(n, np.int16),
        clock_ns=np.zeros(n, np.int64),
        offset=np.zeros(n, np.int32),
        **flags,
    )


def compile_format(text: str) -> re.Pattern[str]:
    """Turn a time format such as ``"%d.%m.%Y %H:%M"`` into a pattern.

    Raises
    ------
    ValueError
        If it has a code that is not known, one twice, or no date.

    Examples
    --------
    >>> bool(compile_format("%d.%m.%Y").match("13.01.2031"))
    True
    """
    out, i = "", 0
    while i < len(text):
        if text[i] == "%" and i + 1 < len(text):
            code = text[i + 1]
            if code not in _CODES:
                raise ValueError(f"the code %{code} is not known here")
            out, i = out + _CODES[code], i + 2
        else:
            out, i = out + (r"\s+" if text[i] == " " else re.escape(text[i])), i + 1
    try:
        form = re.compile(f"^{out}$")
    except re.error:
        raise ValueError("the same part of a time appears twice") from None
    names = form.groupindex
    if not ("Y" in names or "Y2" in names) or "d" not in names or not {"m", "mon"} & set(names):
        raise ValueError("it needs a year, a month and a day")
    return form


def read_moments(
    cells: Any, *, day_first: bool | None = None, form: re.Pattern[str] | None = None
) -> Moments:
    """Read a column of written times.

    Parameters
    ----------
    cells : Arrow array of text, shape (n,)
    day_first : bool or None
        Whether 03/04/2031 is the third of April; None to judge it from the column.
    form : pattern or None
        The only form to accept, from `compile_format`.

    Returns
    -------
    Moments
    """
    data, offsets = _buffers(cells)
    n = len(offsets) - 1
    work = _work(n)
    forms = _FORMS if form is None else [form]
    length = np.diff(offsets)
    for size in np.unique(length):
        if 0 < size <= 64:
            _read_length(data, offsets, np.flatnonzero(length == size), int(size), work, forms)
    if work.is_epoch.any():  # a reset clock counts from zero: seconds with fewer digits
        for size in np.unique(length[~work.found]):
            if 0 < size <= 64:
                where = np.flatnonzero((length == size) & ~work.found)
                _read_length(data, offsets, where, int(size), work, [_SHORT_EPOCH])
    orders = _orders(work)
    if day_first is None and len(orders) == 1:
        day_first = "day first" in orders
    undecided = np.zeros(0, np.int64)
    if work.local.any():
        if day_first is None:
            undecided = np.flatnonzero(work.local & work.found & (work.a != work.b))
        elif day_first:
            swap = work.local
            work.a, work.b = np.where(swap, work.b, work.a), np.where(swap, work.a, work.b)
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


def _read_length(
    data: np.ndarray,
    offsets: np.ndarray,
    where: np.ndarray,
    size: int,
    work: _Work,
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
    grid: np.ndarray, where: np.ndarray, work: _Work, forms: list[re.Pattern[str]]
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
    grid: np.ndarray, where: np.ndarray, work: _Work, forms: list[re.Pattern[str]]
) -> None:
    """Read cells of one layout: understand the first, take the digits of all."""
    sample = grid[0].tobytes().decode("utf-8", errors="replace")
    if len(sample) != grid.shape[1]:
        for row, position in zip(grid, where, strict=True):  # rare: months with accents
            text = row.tobytes().decode("utf-8", errors="replace")
            _read_single(text, int(position), work, forms)
        return
    if (_EPOCH.match(sample) and forms is _FORMS) or forms == [_SHORT_EPOCH]:
        if forms is _FORMS or _SHORT_EPOCH.match(sample):
            _read_epoch(grid, where, work)
        return
    found = next((m for form in forms if (m := form.match(sample))), None)
    if found is None:
        return

    def number(*names: str) -> np.ndarray | None:
        for name in names:
            if name in found.re.groupindex and found.group(name) is not None:
                return _digits(grid, *found.span(name))
        return None

    year = number("Y", "Y2", "Y3", "Y4", "Y5")
    if year is None:
        return
    span = next(found.span(k) for k in ("Y", "Y2", "Y3", "Y4", "Y5") if _has(found, k))
    work.y[where] = year + 2000 if span[1] - span[0] == 2 else year
    first = number("a")
    if first is not None:
        second = number("b")
        work.a[where], work.b[where], work.local[where] = first, second, True
    else:
        month = number("m", "m5")
        name = next((found.group(k) for k in ("mon", "mon4") if _has(found, k)), None)
        if month is None:
            value = _MONTHS.get((name or "").casefold(), 0)
            if not value:
                return
            month = np.full(len(where), value)
        work.a[where], work.b[where] = month, number("d", "d3", "d4", "d5")
    work.found[where] = True
    _read_clock(found, grid, where, work)


def _has(found: re.Match[str], name: str) -> bool:
    return name in found.re.groupindex and found.group(name) is not None


def _read_clock(found: re.Match[str], grid: np.ndarray, where: np.ndarray, work: _Work) -> None:
    if not _has(found, "H"):
        work.date_only[where] = True
        return
    hour = _digits(grid, *found.span("H"))
    minute = _digits(grid, *found.span("M"))
    second = _digits(grid, *found.span("S")) if _has(found, "S") else np.zeros_like(hour)
    bad = (minute > 59) | (second > 59) | (hour > 23)
    if _has(found, "ap"):
        bad |= (hour < 1) | (hour > 12)
        hour = hour % 12 + (12 if found.group("ap").lower() == "p" else 0)
    clock = ((hour * 60 + minute) * 60 + second) * _NS
    if _has(found, "f"):
        start, stop = found.span("f")
        clock += _digits(grid, start, stop) * 10 ** (9 - (stop - start))
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


def _read_epoch(grid: np.ndarray, where: np.ndarray, work: _Work) -> None:
    """Read seconds or milliseconds since 1970 (UTC)."""
    text = grid[0].tobytes().decode()
    whole = text.partition(".")[0]
    value = _digits(grid, 0, len(whole))
    ns = value * (_NS if len(whole) <= 10 else 1_000_000)
    part = min(9, len(text) - len(whole) - 1)
    if part > 0:
        ns += _digits(grid, len(whole) + 1, len(whole) + 1 + part) * 10 ** (9 - part)
    work.clock_ns[where] = ns
    work.is_epoch[where] = True
    work.found[where] = True
    work.aware[where] = True


def _read_single(text: str, position: int, work: _Work, forms: list[re.Pattern[str]]) -> None:
    plain = text
    for name, value in _MONTHS.items():
        if not name.isascii() and name in text.casefold():
            english = next(k for k, v in _MONTHS.items() if v == value and len(k) == 3)
            plain = re.sub(name, english, text, flags=re.IGNORECASE)
    if plain.isascii():
        grid = np.frombuffer(plain.encode(), np.uint8)[None, :]
        _read_layout(grid, np.array([position]), work, forms)


def _orders(work: _Work) -> set[str]:
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


def _to_ns(work: _Work, rows: slice) -> tuple[np.ndarray, np.ndarray]:
    """Turn parts of a time into nanoseconds since 1970; say which make a real date."""
    year, month, day = (v[rows].astype(np.int64) for v in (work.y, work.a, work.b))
    epoch, found = work.is_epoch[rows], work.found[rows]
    dated = found & ~epoch & (month >= 1) & (month <= 12) & (day >= 1)
    dated &= (year >= 1900) & (year <= 2200)
    months = np.where(dated, (year - 1970) * 12 + month - 1, 0)
    first = months.astype("datetime64[M]").astype("datetime64[D]")
    length = ((months + 1).astype("datetime64[M]").astype("datetime64[D]") - first).astype(int)
    dated &= day <= length
    days = np.where(dated, first.astype(np.int64) + day - 1, 0)
    return days * (86400 * _NS) + work.clock_ns[rows], dated | (found & epoch)
