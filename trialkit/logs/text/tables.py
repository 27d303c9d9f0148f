"""Text → tables: aligned with blanks or delimited, one for each order of heads in the file."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from trialkit.logs.text.aligned import cut_at, is_blank_aligned, with_tabs
from trialkit.logs.text.delimited import read_text_table
from trialkit.logs.text.dialect import choose_delimiter, find_dialect, sample_lines
from trialkit.logs.text.head_lines import plain_cell
from trialkit.logs.text.heads_again import find_heads_again
from trialkit.logs.text.raw_table import RawTable
from trialkit.wording import finding

#: Words of the trial file for a table aligned with blanks.
_BLANKS = (" ", "blanks")


@dataclass(frozen=True)
class Told:
    """What the trial file tells of how text tables are written.

    Parameters
    ----------
    delimiter : str or None
        Sign between fields; ``"blanks"`` for a table aligned with blanks.
    decimal : {".", ","} or None
    widths : tuple of int
        Widths of the columns, for tables of fixed widths.
    expected : tuple of str
        Heads that the trial file names, and those known without being named.
    """

    delimiter: str | None = None
    decimal: str | None = None
    widths: tuple[int, ...] = ()
    expected: tuple[str, ...] = ()


def read_text_tables(
    text: bytes, encoding: str, name: str, told: Told, *, cut_short: bool, pad_short: bool
) -> list[RawTable]:
    """Read the tables of a text: one, or several where heads come again with other names.

    Parameters
    ----------
    text : bytes
        UTF-8 with line feeds.
    encoding, name : str
    told : Told
    cut_short, pad_short : bool
        See `read_text_table`.

    Raises
    ------
    LogError
        If no table can be made out.
    """
    table, delimiter, form = _read_one(text, encoding, name, told, cut_short, pad_short)
    again = find_heads_again(table, form, delimiter, told.expected)
    if not again:
        return [table]
    tables: list[RawTable] = []
    starts = [1, *again]
    lines = text.split(b"\n")
    for start, stop in zip(starts, [*again, len(lines) + 1], strict=True):
        piece = b"\n".join(lines[start - 1 : stop - 1])
        if not piece.strip():
            continue
        last = stop > len(lines)
        one, _, _ = _read_one(piece, encoding, name, told, cut_short and last, pad_short)
        _move_down(one, start - 1)
        if one.decimal is None:
            one.decimal = table.decimal
        one.zone_line = one.zone_line or table.zone_line
        _add(tables, one, name)
    tables[0].findings.append(
        finding("head_again", "note", file=name, count=len(again), rows=again[:6])
    )
    return tables


def _read_one(
    text: bytes, encoding: str, name: str, told: Told, cut_short: bool, pad_short: bool
) -> tuple[RawTable, str, bytes]:
    """Read a text as one table; give its delimiter and the text with delimiters too."""
    wanted = {plain_cell(e) for e in told.expected}
    lines = sample_lines(text)
    delimiter = told.delimiter
    if told.widths:
        text, delimiter = cut_at(text, told.widths), "\t"
    elif delimiter in _BLANKS or (
        not delimiter and is_blank_aligned(lines, choose_delimiter(lines, None, wanted))
    ):
        text, delimiter = with_tabs(text, lines) or text, "\t"
    dialect = find_dialect(
        text, encoding, name, delimiter=delimiter, decimal=told.decimal, expected=told.expected
    )
    table = read_text_table(text, dialect, name, cut_short=cut_short, pad_short=pad_short)
    return table, dialect.delimiter, text


def _move_down(table: RawTable, lines: int) -> None:
    """Count the rows of a piece of a file from the first line of the file."""
    table.rows = table.rows + np.int64(lines)
    table.broken = [replace(b, row=b.row + lines) for b in table.broken]
    table.head_row += lines * (table.head_row > 0)


def _add(tables: list[RawTable], one: RawTable, name: str) -> None:
    """Add a table; where an earlier one has the same heads in any order, its rows go below it."""
    import pyarrow as pa

    mine = {plain_cell(h): h for h in one.columns}
    for other in tables:
        heads = {plain_cell(h): h for h in other.columns}
        if heads.keys() != mine.keys() or other.units != one.units:
            continue
        for plain, head in heads.items():
            pieces = [*_chunks(other.columns[head]), *_chunks(one.columns[mine[plain]])]
            other.columns[head] = pa.chunked_array(pieces, type=pa.string())
        other.rows = np.concatenate([other.rows, one.rows])
        other.broken += one.broken
        return
    if tables:
        one.name = f"{name}[row {one.head_row}]"
    tables.append(one)


def _chunks(column: object) -> Sequence[object]:
    chunks: Iterable[object] | None = getattr(column, "chunks", None)
    return [column] if chunks is None else list(chunks)
