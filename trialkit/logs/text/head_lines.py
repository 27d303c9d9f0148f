"""The lines above a table's rows: its heads, units under them, groups above them."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

NUMBER = re.compile(r"^\s*[-+]?(\d[\d .,']*\d|\d|[.,]\d+)([eE][-+]?\d+)?\s*(%|°?[CFK])?\s*$")
DATE = re.compile(
    r"\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}|(?<![-+−\d])\d{1,2}:\d{2}"
)  # not the offset of a zone
_SEARCH = 60
_MOST_UNDER = 3
#: What stands in a line under the heads that says units or how a value was made.
_UNIT = re.compile(
    r"^[\[(]?\s*(deg\.?\s*[CFK]|°\s*[CFK]|[CFK]|℃|℉|degrees?\s*[CFK]?|celsius|fahrenheit|kelvin"
    r"|%(\s*r\.?[hf]\.?)?|r\.?[hf]\.?\s*%?|pct|percent|ppm|ppb|k?lux|lx|klx|fc|lum/ft²|w|kw|w/m.{0,3}|m?a|m?v|volts?"
    r"|[hkm]?pa|m?bar|mb|in\.?|inches|mm|cm|m|m/s|km/h|mph|kn(ots)?|deg|degt|°|g|kg|mg|oz|lbs?"
    r"|s|sec|seconds|min|minutes|h|hours?|g/m.{0,3}|kpa|[µu]mol.{0,12}|ts|rn|utc|gmt|local"
    r"|ye?a?r|yy+|mo(nth)?|dy|day|hr|mn|hh|dd|ss|nmi|ft|hpa"
    r"|[ymdhs:./\s-]{5,20}|date|time)\s*[\])]?$",
    re.IGNORECASE,
)
_MADE = frozenset({"", "-", "avg", "smp", "min", "max", "std", "tot", "mean", "sample", "average"})


@dataclass(frozen=True)
class Heads:
    """Where the heads of a table stand and what they say.

    Parameters
    ----------
    row : int or None
        Index of their line; None where the table has none.
    first : int
        Index of the first line that holds a record.
    width : int
        Fields in a row.
    names : tuple of str
        The heads, those of a group above them joined to those that would be alike without it.
    units : tuple of str
        Units in a line under the heads, one for each; empty where there is none.
    """

    row: int | None
    first: int
    width: int
    names: tuple[str, ...] = ()
    units: tuple[str, ...] = ()


def plain_cell(head: str) -> str:
    """Give a head as it is compared: without case, blanks and quotation marks around it."""
    return head.strip().strip('"').casefold()


def is_datum(cell: str) -> bool:
    """Whether a cell looks like a number, a date or a time of day.

    Examples
    --------
    >>> is_datum("21.5"), is_datum("14.01.2031 07:00"), is_datum("T1")
    (True, True, False)
    """
    return bool(NUMBER.match(cell) or DATE.search(cell))


def find_heads(rows: Sequence[tuple[int, list[str]]], wanted: set[str]) -> Heads:
    """Find the heads among the first lines of a table.

    Parameters
    ----------
    rows : sequence of (line, cells)
        The lines that are not blank.
    wanted : set of str
        Heads that are expected, as `plain_cell` gives them.
    """
    search = rows[:_SEARCH]
    counts = Counter(len(row) for _, row in rows)
    width = max(counts.items(), key=lambda item: (item[1] * (item[0] > 1), item[0]))[0]
    at = _named(search, wanted)
    if at is None:
        at = _likeliest(search, width)
    if at is None:
        return Heads(None, rows[0][0], width)
    under = lines_under(rows, at)
    first = rows[at + len(under)][0] + 1
    names = names_with_groups(rows, at)
    if names[0].startswith("#") and len(names[0]) > 1 and plain_cell(names[0]) not in wanted:
        names[0] = names[0].lstrip("# ")
    return Heads(rows[at][0], first, width, tuple(names), units_under(under, len(names)))


def _named(rows: Sequence[tuple[int, list[str]]], wanted: set[str]) -> int | None:
    """Find the line with most of the heads that are expected."""
    if not wanted or not rows:
        return None
    told = [{plain_cell(c) for c in row} | {plain_cell(row[0].lstrip("# "))} for _, row in rows]
    most, where = max((len(wanted & cells), -k) for k, cells in enumerate(told))
    return -where if most >= min(2, len(wanted)) else None


def _likeliest(rows: Sequence[tuple[int, list[str]]], width: int) -> int | None:
    """Find the line of words right above the first row of data; None where rows start at once."""
    fitting = [
        k
        for k, (_, row) in enumerate(rows)
        if abs(len(row) - width) <= 1 and (width < 2 or len(row) > 1)
    ]
    dated = sum(any(DATE.search(c) for c in rows[k][1]) for k in fitting)
    need_date = dated > 0.5 * len(fitting)
    first = next((k for k in fitting if _is_data(rows[k][1], need_date=need_date)), None)
    above = [k for k in fitting if first is None or k < first]
    if first is None:
        return next((k for k in above if any(c.strip() for c in rows[k][1])), None)
    for k in reversed(above):
        filled = [c for c in rows[k][1] if c.strip()]
        if not filled or (is_unit_line(rows[k][1]) and any(a < k for a in above)):
            continue
        if sum(is_datum(c) for c in filled) < (len(filled) if need_date else 1):
            return k
    return above[0] if above and any(c.strip() for c in rows[above[0]][1]) else None


def _is_data(row: Sequence[str], *, need_date: bool) -> bool:
    filled = [c for c in row if c.strip()]
    if need_date and not any(DATE.search(c) for c in filled):
        return False
    return sum(map(is_datum, filled)) >= max(1, len(filled) / 3)


def is_unit_line(row: Sequence[str]) -> bool:
    """Whether a line says units, or how values were made, and nothing else."""
    filled = [c.strip().strip('"#').strip() for c in row]
    told = [c for c in filled if c and c.casefold() not in _MADE]
    if not any(c and c != "-" for c in filled):
        return False
    known = [c for c in told if _UNIT.match(c)]
    return len(told) - len(known) <= len(told) // 4 and not any(map(is_datum, told))


def lines_under(rows: Sequence[tuple[int, list[str]]], at: int) -> list[list[str]]:
    """Give the lines under the heads that say units and the like, up to the first record."""
    under: list[list[str]] = []
    for _, row in rows[at + 1 : at + 1 + _MOST_UNDER]:
        if abs(len(row) - len(rows[at][1])) > 1 or not is_unit_line(row):
            break
        under.append(row)
    if at + 1 + len(under) >= len(rows):
        return []  # nothing would be left: they may be the only records
    return under


def units_under(under: Sequence[Sequence[str]], fields: int) -> tuple[str, ...]:
    """Give the units that lines under the heads say, one for each column; empty where none do."""
    for row in under:
        cells = [c.strip().strip('"#').strip("[]() ") for c in row]
        if any(c and c.casefold() not in _MADE for c in cells):
            return tuple((cells + [""] * fields)[:fields])
    return ()


def names_with_groups(rows: Sequence[tuple[int, list[str]]], at: int) -> list[str]:
    """Give the heads; where some are alike, with the groups that a line above them names."""
    names = [c.strip() for c in rows[at][1]]
    plain = [plain_cell(n) for n in names if n]
    if len(set(plain)) == len(plain) or at == 0 or rows[at - 1][0] + 1 != rows[at][0]:
        return names
    above = [c.strip() for c in rows[at - 1][1]]
    if len(above) < 2 or len(above) > len(names) or sum(map(bool, above)) < 2:
        return names
    counts = Counter(plain)
    group, out = "", []
    for j, name in enumerate(names):
        group = (above[j] if j < len(above) else "") or group
        twice = counts[plain_cell(name)] > 1
        out.append(f"{group} {name}".strip() if twice and name else name)
    return out if len(set(out)) > len(set(names)) else names


def name_heads(heads: Sequence[str], under: Sequence[Sequence[str]]) -> tuple[str, ...]:
    """Give every column a name of its own; make room for a column the heads forget."""
    heads = list(heads)
    counts = Counter(len(row) for row in under)
    if counts:
        width = counts.most_common(1)[0][0]
        if width == len(heads) + 1:
            rows = [row for row in under if len(row) == width]
            at_end = all(not row[-1].strip() for row in rows)
            heads = [*heads, ""] if at_end else ["", *heads]
    named: list[str] = []
    for j, head in enumerate(heads):
        name = head.strip().lstrip("\ufeff").strip() or f"column {j + 1}"
        base, k = name, 2
        while name in named:
            name, k = f"{base} ({k})", k + 1
        named.append(name)
    return tuple(named)
