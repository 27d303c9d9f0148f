"""Tables aligned with blanks, or of fixed widths → the same lines with tabs between the fields.

Lines keep their numbers. A line that does not fit the columns stays as it is, so that it is set
aside as a row of another width and never lands in the wrong column.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from trialkit.logs.text.dialect import split_line
from trialkit.logs.text.head_lines import DATE, NUMBER, is_datum, is_unit_line
from trialkit.logs.text.time_forms import CLOCK, HALF

_SAMPLE = 200
_EVEN = 0.8
_MOST_HEADS = 3
_RULE = re.compile(r"^[\s\-=_+|*~]{3,}$")
_YEAR = re.compile(r"^(19|20|21)\d\d$")

Token = tuple[int, int, str]


@dataclass(frozen=True)
class _Columns:
    """Where the columns stand: start and stop of each, which of them are joined to the one before.

    Where `spans` is empty, columns are told by their order alone.
    """

    number: int
    spans: tuple[tuple[int, int], ...]
    joined: frozenset[int] = frozenset()


def with_tabs(text: bytes, lines: Sequence[str]) -> bytes | None:
    """Give the text of a table aligned with blanks with tabs between its fields.

    Parameters
    ----------
    text : bytes
        UTF-8 with line feeds.
    lines : sequence of str
        Its first lines.

    Returns
    -------
    bytes or None
        None where the lines are no such table.
    """
    data = [line for line in lines if _is_data(line)][:_SAMPLE]
    if len(data) < 2 and not (data and len(data[0].split()) > 2):
        return None
    columns = _find_columns(data)
    if columns is None:
        return None
    first = next(i for i, line in enumerate(lines) if _is_data(line))
    top, columns = _heads(lines, first, columns, data)
    whole = text.decode("utf-8", errors="replace").split("\n")
    out = [*top, *(_cut(line, columns) for line in whole[first:])]
    return "\n".join(out).encode("utf-8", errors="replace")


def is_blank_aligned(lines: Sequence[str], mark: str) -> bool:
    """Whether blanks part the lines of a table more evenly than another delimiter does."""
    data = [line for line in lines if _is_data(line)][:_SAMPLE]
    if not data or _is_parted(lines, mark):
        return False
    cells = [split_line(line, mark) for line in data]
    counts = Counter(len(c) for c in cells)
    width = counts.most_common(1)[0][0]
    mixed = sum(any(map(_holds_several, row)) for row in cells)
    if width > 1 and mixed < 0.5 * len(data):
        return False
    return _find_columns(data) is not None


def _is_parted(lines: Sequence[str], mark: str) -> bool:
    """Whether another delimiter parts most lines evenly, whatever one line among them does."""
    rows = [split_line(line, mark) for line in lines[:_SAMPLE] if line.strip()]
    clean = Counter(len(row) for row in rows if not any(map(_holds_several, row)))
    width, often = max(clean.items(), key=lambda item: (item[1], item[0]), default=(1, 0))
    return width > 1 and 2 * often > len(rows)


def _holds_several(cell: str) -> bool:
    """Whether a field holds several numbers that are not parts of one moment."""
    tokens = cell.split()
    if len(tokens) < 2:
        return False
    dated = [k for k, t in enumerate(tokens) if DATE.search(t)]
    numbers = [k for k, t in enumerate(tokens) if NUMBER.match(t) and t[0] not in "+-"]
    if dated:
        after = [k for k in numbers if k > dated[-1]]
        return len(after) > 1 or any(not _YEAR.match(tokens[k]) for k in after)
    return len(numbers) > 1 and not any(c.isalpha() for c in cell)


def cut_at(text: bytes, widths: Sequence[int]) -> bytes:
    r"""Give the text of a table of fixed widths with tabs between its fields.

    Examples
    --------
    >>> cut_at(b"20310114 -3.2-99.9", [8, 5, 5])
    b'20310114\t-3.2\t-99.9'
    """
    edges = [0]
    for width in widths:
        edges.append(edges[-1] + width)
    out = []
    for line in text.decode("utf-8", errors="replace").split("\n"):
        if not line.strip() or len(line.rstrip()) > edges[-1] or "\t" in line:
            out.append(line)  # longer than the widths say: it does not fit
            continue
        cells = [line[a:b].strip() for a, b in pairwise(edges)]
        out.append("\t".join(cells))
    return "\n".join(out).encode("utf-8", errors="replace")


def _is_data(line: str) -> bool:
    tokens = line.split()
    if len(tokens) < 2 or line.lstrip().startswith(("#", "!", "*")):
        return False
    return sum(map(is_datum, tokens)) >= max(2, len(tokens) / 3)


def _tokens(line: str) -> list[Token]:
    return [(m.start(), m.end(), m.group()) for m in re.finditer(r"\S+", line)]


def _find_columns(data: Sequence[str]) -> _Columns | None:
    """Find the columns by the blanks that all lines share, else by the number of words."""
    counts = Counter(len(line.split()) for line in data)
    number, often = counts.most_common(1)[0]
    spans = _spans(data)
    even = often >= _EVEN * len(data)
    if len(data) > 1 and len(spans) >= max(3 - even, number if even else max(counts)):
        fitting = sum(_fits(line, spans) for line in data)
        if fitting == len(data):
            return _Columns(len(spans), spans)
    if number < 2 or not even:
        return None
    if number == 2 and any(DATE.search(d) for d in data) and not any("  " in d for d in data):
        return None  # one column of dates with times of day
    return _Columns(number, ())


def _spans(data: Sequence[str]) -> tuple[tuple[int, int], ...]:
    width = max(map(len, data))
    used = [False] * (width + 1)
    for line in data:
        for start, stop, _ in _tokens(line.replace("\t", " ")):
            used[start:stop] = [True] * (stop - start)
    edges = np.flatnonzero(np.diff(np.array([False, *used, False]).astype(np.int8)))
    return tuple((int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True))


def _fits(line: str, spans: Sequence[tuple[int, int]]) -> bool:
    return _place(_tokens(line), spans) is not None


def _place(tokens: Sequence[Token], spans: Sequence[tuple[int, int]]) -> list[str] | None:
    """Put words into the columns they stand over; None where one stands over two, or two in one."""
    cells = [""] * len(spans)
    if len(tokens) == len(spans):
        return [word for _, _, word in tokens]
    for start, stop, word in tokens:
        over = [k for k, (a, b) in enumerate(spans) if start < b and stop > a]
        if len(over) != 1 or cells[over[0]]:
            return None
        cells[over[0]] = word
    return cells


def _cut(line: str, columns: _Columns) -> str:
    tokens = _tokens(line)
    if not tokens or _RULE.match(line):
        return "" if tokens and len(tokens[0][2]) > 2 else line
    if line.lstrip().startswith("#"):
        return line
    if columns.spans:
        cells = _place(tokens, columns.spans)
    else:
        cells = [w for _, _, w in tokens] if len(tokens) == columns.number else None
    if len(tokens) == columns.number - len(columns.joined) and not any(
        is_datum(t[2]) for t in tokens
    ):
        return "\t".join(t[2] for t in tokens)  # heads that come again
    if cells is None:
        return line.strip()
    return "\t".join(_join(cells, columns.joined))


def _join(cells: Sequence[str], joined: frozenset[int]) -> list[str]:
    out: list[str] = []
    for k, cell in enumerate(cells):
        if k in joined:
            out[-1] = f"{out[-1]} {cell}".strip()
        else:
            out.append(cell)
    return out


def _heads(
    lines: Sequence[str],
    first: int,
    columns: _Columns,
    data: Sequence[str],
) -> tuple[list[str], _Columns]:
    """Give the lines above the records, those of the heads with tabs between the heads."""
    top = list(lines[:first])
    block: list[int] = []  # lines that may be heads, the lowest first
    for i in range(first - 1, -1, -1):
        if not top[i].strip():
            if block:
                break
            continue
        if _RULE.match(top[i]):
            top[i] = ""
            continue
        if len(block) == _MOST_HEADS:
            break
        block.append(i)
    words = {i: top[i].replace("#", " ", 1).split() for i in block}
    columns = _join_clocks(columns, data, words)
    number = columns.number - len(columns.joined)
    whole = [i for i in block if len(words[i]) == number]
    named = [i for i in whole if not is_unit_line(words[i])]
    if columns.spans and block and (not whole or any(_has_twins(words[i]) for i in named[:1])):
        heads = [i for i in sorted(block) if i in named or not is_unit_line(words[i])]
        stacked = _stack([lines[i] for i in heads], columns)
        if stacked is not None:
            for i in heads:
                top[i] = ""
            top[heads[-1]] = "\t".join(stacked)
            whole = [i for i in whole if i not in heads]
    for i in whole:
        top[i] = "\t".join(words[i])
    return top, columns


def _has_twins(words: Sequence[str]) -> bool:
    return len(set(words)) < len(words)


def _join_clocks(columns: _Columns, data: Sequence[str], words: dict[int, list[str]]) -> _Columns:
    """Join a time of day to the date before it where the heads have one word for both."""
    rows = [
        _place(_tokens(line), columns.spans) if columns.spans else line.split() for line in data
    ]
    cells = [row for row in rows if row is not None and len(row) == columns.number]
    kinds = []
    for k in range(columns.number):
        column = [row[k] for row in cells]
        half = all(HALF.match(c) for c in column)
        clock = all(CLOCK.match(c) for c in column)
        date = all(DATE.search(c) and ":" not in c for c in column)
        kinds.append("half" if half else "clock" if clock else "date" if date else "")
    pairs = [
        k
        for k in range(1, columns.number)
        if (kinds[k], kinds[k - 1]) in (("clock", "date"), ("half", "clock"))
    ]
    for missing in (pairs, [k for k in pairs if kinds[k] == "half"]):
        for found in words.values():
            if missing and len(found) == columns.number - len(missing) > 0:
                return _Columns(columns.number, columns.spans, frozenset(missing))
    return columns


def _stack(heads: Sequence[str], columns: _Columns) -> list[str] | None:
    """Read heads that stand over their columns, in one line or in several."""
    parts: list[list[str]] = [[] for _ in columns.spans]
    for line in heads:
        placed = [_nearest(token, columns.spans) for token in _tokens(line.replace("#", " ", 1))]
        if len(placed) < 2 or None in placed:
            continue
        for (_, _, word), k in zip(_tokens(line.replace("#", " ", 1)), placed, strict=True):
            parts[k or 0].append(word)
    if not any(parts):
        return None
    names = [" ".join(p) for p in parts]
    return _join(names, columns.joined)


def _nearest(token: Token, spans: Sequence[tuple[int, int]]) -> int | None:
    """Give the column that a head stands over, or the nearest one within its own width."""
    start, stop, _ = token
    shared = [min(stop, b) - max(start, a) for a, b in spans]
    best = max(range(len(spans)), key=lambda k: shared[k])
    return best if shared[best] > -3 else None
