"""Heads that come again inside a file: a logger was restarted, or files were joined."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from trialkit.logs.text.arrow import as_numpy
from trialkit.logs.text.dialect import split_line
from trialkit.logs.text.head_lines import DATE, is_datum, is_unit_line, plain_cell
from trialkit.logs.text.numbers import BLANKS
from trialkit.logs.text.on_off import is_state
from trialkit.logs.text.raw_table import RawTable

_SAMPLE = 200
_MOST = 5000
_AHEAD = 4
_LONGEST = 100_000
_MOST_WORDS = 5  # in one head; more are a sentence


def find_heads_again(
    table: RawTable, text: bytes, delimiter: str, wanted: Iterable[str]
) -> list[int]:
    """Give the lines (the first is 1) inside a table that are heads, not records.

    A line is a head if none of its cells looks like a number or a date and either its cells are
    heads already known, in any order, or all of them are words and a record follows.

    Parameters
    ----------
    table : RawTable
        The whole file read as one table.
    text : bytes
        The text it was read from.
    delimiter : str
    wanted : iterable of str
        Further heads that are expected.
    """
    first = {plain_cell(h).lstrip("# ") for h in table.columns}
    known = first | {plain_cell(h).lstrip("# ") for h in wanted}
    suspects = sorted({*_odd_rows(table, known), *(b.row for b in table.broken)})
    if not suspects:
        return []
    lines = text.split(b"\n")
    dated = any(DATE.search(cell) for row in _first_cells(table) for cell in row)
    found = []
    for line in suspects:
        if line <= table.head_row or line > len(lines):
            continue
        cells = _cells(lines[line - 1], delimiter)
        whole = first <= {plain_cell(c) for c in cells}  # all heads of the table, in any order
        like = whole or _is_known(cells or _cells(lines[line - 1], None), known)
        remark = lines[line - 1].lstrip().startswith(b"#")
        like = like or (not remark and _is_words(cells, len(table.columns)))
        ahead = lines[line : line + _AHEAD]
        if like and (whole or _record_follows(ahead, delimiter, dated=dated)):
            found.append(line)
    return found


def _cells(line: bytes, delimiter: str | None) -> list[str]:
    """Give the cells of a line, none where the delimiter is not in it; without one, its words."""
    if len(line) > _LONGEST:
        return []
    text = line.decode("utf-8", errors="replace")
    cells = text.split() if delimiter is None else split_line(text, delimiter)
    if len(cells) == 1 and delimiter is not None:
        return []
    if cells and cells[0].startswith("#"):
        cells[0] = cells[0].lstrip("# ")
    return [c.strip().strip('"').strip() for c in cells]


def _first_cells(table: RawTable) -> list[list[str]]:
    columns = [c.slice(0, 20).to_pylist() for c in table.columns.values()]
    return [[str(c or "") for c in row] for row in zip(*columns, strict=True)]


def _odd_rows(table: RawTable, known: set[str]) -> list[int]:
    """Give the lines of rows without a digit where other rows have one, as few as can be looked at.

    One column is enough: in a line of heads every cell is a word.
    """
    import pyarrow.compute as pc

    column = _digit_column(table)
    if column is None:
        return []
    where = np.flatnonzero(_begins_otherwise(column))
    if len(where) > _MOST:  # quotation marks, blanks and signs before the digits
        where = np.flatnonzero(_begins_otherwise(pc.utf8_ltrim(column, characters=' "-+.#')))
    if len(where) > _MOST:
        cells = column.take(where).to_pylist()
        where = np.array([w for w, c in zip(where, cells, strict=True) if plain_cell(c) in known])
    return [int(line) for line in table.rows[where.astype(np.int64)][:_MOST]]


def _begins_otherwise(column: Any) -> np.ndarray:
    """Say which cells begin with another sign than a digit."""
    import pyarrow.compute as pc

    beside = pc.or_(pc.less(column, "0"), pc.greater_equal(column, ":"))
    return as_numpy(pc.fill_null(beside, False), bool)


def _digit_column(table: RawTable) -> Any:
    """Give a column whose first cells nearly all begin with a digit."""
    for column in table.columns.values():
        sample = [str(c or "").lstrip(' "-+.') for c in column.slice(0, _SAMPLE).to_pylist()]
        filled = [c for c in sample if c]
        if filled and sum(c[0].isdigit() for c in filled) >= 0.9 * len(filled):
            return column
    return next(iter(table.columns.values()), None) if table.n else None


def _is_known(cells: Sequence[str], known: set[str]) -> bool:
    words = [c for c in cells if c]
    if any(is_datum(c) and plain_cell(c) not in known for c in words):
        return False
    hits = sum(plain_cell(c) in known for c in words)
    return hits >= max(2, len(words) / 2) or (len(words) == hits == len(cells) == 1)


def _is_words(cells: Sequence[str], fields: int) -> bool:
    words = [c for c in cells if c]
    if len(words) < max(2, fields - 1) or len(set(words)) < len(words):
        return False
    return all(
        any(ch.isalpha() for ch in c)
        and not is_datum(c)
        and c.casefold() not in BLANKS
        and not is_state(c)
        and len(c.split()) <= _MOST_WORDS
        for c in words
    )


def _record_follows(lines: Sequence[bytes], delimiter: str, *, dated: bool) -> bool:
    for line in lines:
        cells = _cells(line, delimiter) or _cells(line, None)
        if not any(cells) or is_unit_line(cells):
            continue
        return sum(map(is_datum, cells)) >= 2 and (not dated or any(DATE.search(c) for c in cells))
    return False
