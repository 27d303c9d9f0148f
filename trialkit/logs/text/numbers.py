"""Cells → numbers: decimal signs, units written in cells, and the many words for nothing."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import numpy as np

from trialkit.logs.text.arrow import as_numpy, encode_cells
from trialkit.units import convert, unit_word

#: Words and signs that mean "no value".
BLANKS = frozenset(
    {
        "",
        "-",
        "--",
        "---",
        "----",
        "–",
        "—",
        "na",
        "n/a",
        "#n/a",
        "nan",
        "null",
        "none",
        "nil",
        "missing",
        ".",
        "..",
        "?",
    }
)
_CELL = re.compile(
    r"^([-+−]?)\s*([\d][\d.,'’ \u00a0\u202f]*|[.,]\d+)([eE][-+]?\d+)?\s*(.*)$", re.DOTALL | re.ASCII
)
#: Marks of thousands beside point and comma: in the whole part, each before three digits.
_GAPS = "'’ \u00a0\u202f"
_IN_THOUSANDS = re.compile(rf"\d{{1,3}}([{_GAPS}])\d{{3}}(?:\1\d{{3}})*(?=[.,]|$)")
_PLAIN = r"^[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?$"


@dataclass(frozen=True)
class Numbers:
    """A column read as numbers.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
        In the house unit; NaN where there is nothing or nothing readable.
    unreadable : ndarray of int
        Positions of cells that hold something that is not a number.
    with_unit : ndarray of int
        Positions of cells that hold a number in a unit or with a decimal sign other than usual.
    cells : dict
        Position → the cell as it stands in the file, for the two lists above.
    """

    values: np.ndarray
    unreadable: np.ndarray
    with_unit: np.ndarray
    cells: dict[int, str]


def read_numbers(cells: Any, house: str, *, unit: str | None, decimal: str | None) -> Numbers:
    """Read a column of cells as numbers in the house unit.

    Parameters
    ----------
    cells : Arrow array of text or numbers, shape (n,)
    house : str
        The house unit; empty where the values have none.
    unit : str or None
        Unit of the values; None for the house unit.
    decimal : {".", ","} or None
        Decimal sign.

    Returns
    -------
    Numbers
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    kind = cells.type
    if pa.types.is_floating(kind) or pa.types.is_integer(kind):
        values = as_numpy(pc.cast(cells, pa.float64(), safe=False), float)
        return _finite(_convert(values, house, unit), values)
    if not pa.types.is_string(kind):
        cells = pc.cast(cells, pa.string())
    text = pc.utf8_trim_whitespace(cells)
    if decimal == ",":
        # a point is then a thousands sign; such cells are left to the careful way
        text = pc.if_else(pc.match_substring(text, "."), text, pc.replace_substring(text, ",", "."))
        plain = pc.and_(
            pc.match_substring_regex(text, _PLAIN), pc.invert(pc.match_substring(cells, "."))
        )
    else:
        try:
            values = as_numpy(pc.cast(text, pa.float64()), float)
            return _finite(_convert(values, house, unit), values)
        except pa.ArrowInvalid:
            plain = pc.match_substring_regex(text, _PLAIN)
    plain = pc.fill_null(plain, False)
    sound = pc.if_else(plain, text, pa.scalar(None, pa.string()))
    try:
        values = as_numpy(pc.cast(sound, pa.float64()), float)
    except pa.ArrowInvalid:  # some versions refuse numbers beyond the largest
        values = np.array([np.nan if v is None else float(v) for v in sound.to_pylist()])
    values = np.asarray(_convert(values, house, unit), dtype=float)
    odd = np.flatnonzero(~as_numpy(plain, bool) | np.isinf(values))
    return _read_odd(values, odd, cells, house, unit=unit, decimal=decimal)


def _finite(values: np.ndarray, raw: np.ndarray) -> Numbers:
    """Turn infinities into unreadable cells."""
    wrong = np.flatnonzero(np.isinf(values))
    values = np.array(values, dtype=float)
    values[wrong] = np.nan
    return Numbers(values, wrong, np.zeros(0, np.int64), {int(i): str(raw[i]) for i in wrong})


def _convert(values: Any, house: str, unit: str | None) -> Any:
    return values if unit is None else convert(values, unit, house)


def _read_odd(
    values: np.ndarray,
    odd: np.ndarray,
    cells: Any,
    house: str,
    *,
    unit: str | None,
    decimal: str | None,
) -> Numbers:
    """Read the cells that are not plain numbers one by one (each different text once)."""
    import pyarrow as pa
    import pyarrow.compute as pc

    texts, codes = encode_cells(pc.take(cells, pa.array(odd)))
    read = [_read_cell(text, house, unit=unit, decimal=decimal) for text in texts]
    results = np.array([r[0] for r in read] or [np.nan], dtype=float)
    states = np.array([r[1] for r in read] or [0])
    if len(odd):
        values[odd] = results[codes]
    state = states[codes] if len(odd) else np.zeros(0, int)
    unreadable, with_unit = odd[state == 2], odd[state == 1]
    told = {int(i): texts[c] for i, c, s in zip(odd, codes, state, strict=True) if s}
    return Numbers(values, unreadable, with_unit, told)


def _read_cell(
    text: str, house: str, *, unit: str | None, decimal: str | None
) -> tuple[float, int]:
    """Read one cell; give its value and 0 (fine), 1 (its own unit or sign) or 2 (unreadable)."""
    bare = text.strip()
    if bare.casefold() in BLANKS:
        return np.nan, 0
    found = _CELL.match(bare)
    if not found:
        return np.nan, 2
    sign, digits, power, rest = found.groups()
    own = None
    if rest.strip():
        own = unit_word(rest, house)
        if own is None:
            return np.nan, 2
    number, odd_sign = _digits(digits, decimal)
    if number is None:
        return np.nan, 2
    value = float(number + (power or "")) * (-1 if sign in ("-", "−") else 1)
    if not np.isfinite(value):
        return np.nan, 2
    converted = float(_convert(value, house, own or unit))
    other = own is not None and not _same_unit(own, unit, house)
    return converted, 1 if other or odd_sign else 0


def _same_unit(own: str | None, unit: str | None, house: str) -> bool:
    return bool(_convert(3.0, house, own) == _convert(3.0, house, unit))


def _digits(digits: str, decimal: str | None) -> tuple[str | None, bool]:
    """Give digits in computer form, and whether their decimal sign is not the file's.

    None where they can be read two ways (1,234: a thousand or a bit over one?) or none.
    """
    digits = digits.strip()
    if parted := _IN_THOUSANDS.match(digits):
        digits = parted[0].replace(parted[1], "") + digits[parted.end() :]
    marks = {c for c in digits if c in ".,"}
    if re.search(rf"[{_GAPS}]", digits):
        return None, False
    if not marks:
        return digits, False
    grouped = {m: bool(re.fullmatch(rf"\d{{1,3}}(\{m}\d{{3}})+", digits)) for m in marks}
    if len(marks) == 2:
        last = max(marks, key=digits.rindex)
        first = "," if last == "." else "."
        whole, _, part = digits.rpartition(last)
        if not re.fullmatch(rf"\d{{1,3}}(\{first}\d{{3}})+", whole) or not part.isdigit():
            return None, False
        return whole.replace(first, "") + "." + part, decimal not in (None, last)
    mark = marks.pop()
    if digits.count(mark) > 1:
        wrong = not grouped[mark] or mark == decimal
        return (None, False) if wrong else (digits.replace(mark, ""), False)
    if grouped[mark] and mark != decimal:
        if mark == "." and decimal is None:
            return digits, False
        return (digits.replace(mark, ""), False) if decimal else (None, False)
    return digits.replace(mark, "."), decimal not in (None, mark)
