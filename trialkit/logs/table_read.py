"""Text tables → `RawTable`: a fast way for regular files, a tolerant one for the rest.

Both ways give the same rows; the fast one is taken only where nothing can go wrong (no quotation
mark left open, every row as wide as the heads).
"""

from __future__ import annotations

import csv
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from trialkit.logs.arrow import as_numpy
from trialkit.logs.dialect import Dialect, split_line
from trialkit.logs.raw import Broken, RawTable

_JOIN_LINES = 25
_MAX_TEXT = 200


def read_text_table(
    text: bytes, dialect: Dialect, name: str, *, cut_short: bool = False, pad_short: bool = False
) -> RawTable:
    """Read a text table into columns of text.

    Parameters
    ----------
    text : bytes
        UTF-8 with line feeds.
    dialect : Dialect
    name : str
        File name for the account.
    cut_short : bool
        Whether the file ends in the middle; its last line is then not trusted.
    pad_short : bool
        Whether a row that lacks its last fields counts as having them blank (a sheet typed by
        hand) or as broken (a logger that lost power).
    """
    body = _skip_lines(text, dialect.first_row - 1)
    broken: list[Broken] = []
    if cut_short and body:
        body, broken = _drop_last(body, dialect.first_row)
    table = _read_fast(body, dialect, name)
    if table is None:
        table = _read_slow(body, dialect, name, pad_short=pad_short)
    table.broken.extend(broken)
    return table


def _skip_lines(text: bytes, lines: int) -> bytes:
    at = 0
    for _ in range(lines):
        found = text.find(b"\n", at)
        if found < 0:
            return b""
        at = found + 1
    return text[at:]


def _drop_last(body: bytes, first_row: int) -> tuple[bytes, list[Broken]]:
    if body.endswith(b"\n"):
        return body, []
    start = body.rfind(b"\n") + 1
    last = body[start:].decode("utf-8", errors="replace")
    if not last.strip():
        return body[:start], []
    row = first_row + body.count(b"\n")
    reason = "the compressed file ends in the middle of this row"
    line = Broken(row, last[:_MAX_TEXT], "cut short", reason, "export the file again")
    return body[:start], [line]


def _read_fast(body: bytes, dialect: Dialect, name: str) -> RawTable | None:
    """Read with Arrow; None where the file is not regular enough to be sure of line numbers."""
    import pyarrow as pa
    import pyarrow.csv as pa_csv

    if not body.strip() or len(dialect.delimiter.encode()) != 1:
        return None
    if dialect.fields < 2 or b"\n\n" in body or body.startswith(b"\n"):
        return None  # blank lines would shift the line numbers
    quoted = b'"' in body
    if quoted and not _quotes_are_plain(body, dialect.delimiter):
        return None
    heads = [f"f{j}" for j in range(dialect.fields)]
    try:
        table = pa_csv.read_csv(
            pa.py_buffer(body),
            read_options=pa_csv.ReadOptions(column_names=heads, block_size=8 * 1024**2),
            parse_options=pa_csv.ParseOptions(
                delimiter=dialect.delimiter,
                quote_char='"' if quoted else False,
                newlines_in_values=False,
                ignore_empty_lines=False,
            ),
            convert_options=pa_csv.ConvertOptions(
                column_types=dict.fromkeys(heads, pa.string()), strings_can_be_null=False
            ),
        )
    except pa.ArrowInvalid:
        return None
    lines = body.count(b"\n") + (not body.endswith(b"\n"))
    if table.num_rows != lines:
        return None
    rows = np.arange(table.num_rows, dtype=np.int64) + dialect.first_row
    columns = {head: table.column(j) for j, head in enumerate(dialect.heads)}
    raw = RawTable(name, columns, rows, decimal=dialect.decimal, head_row=dialect.head_row)
    return _without_blank_rows(raw)


def _quotes_are_plain(body: bytes, delimiter: str) -> bool:
    """Whether quotation marks only stand around whole fields, so both ways agree."""
    mark = delimiter.encode()
    inside = body.replace(b'"' + mark + b'"', b"").replace(b'"\n"', b"")
    inside = inside.replace(b'"' + mark, b"\x01").replace(mark + b'"', b"\x01")
    inside = inside.replace(b'"\n', b"\x01").replace(b'\n"', b"\x01")
    if inside.strip(b'"').count(b'"'):
        return False
    marks = np.frombuffer(body, dtype=np.uint8)
    ends = np.flatnonzero(marks == 10)
    counts = np.cumsum(marks == 34, dtype=np.int64)
    at_ends = counts[ends] if len(ends) else np.zeros(0, dtype=np.int64)
    return bool(np.all(at_ends % 2 == 0)) and int(counts[-1]) % 2 == 0


def _without_blank_rows(raw: RawTable) -> RawTable:
    """Leave out rows in which every field is blank: they are spacing, not records."""
    import pyarrow.compute as pc

    first = next(iter(raw.columns.values()))
    blank = pc.equal(pc.utf8_trim_whitespace(first), "")
    if not pc.any(blank).as_py():
        return raw
    for column in list(raw.columns.values())[1:]:
        blank = pc.and_(blank, pc.equal(pc.utf8_trim_whitespace(column), ""))
    if not pc.any(blank).as_py():
        return raw
    full = pc.invert(blank)
    mask = as_numpy(full, bool)
    raw.columns = {head: column.filter(full) for head, column in raw.columns.items()}
    raw.rows = raw.rows[mask]
    return raw


@dataclass
class _Rows:
    """Rows gathered by the tolerant way."""

    fields: int
    cells: list[list[str]] = field(default_factory=list)
    rows: list[int] = field(default_factory=list)
    broken: list[Broken] = field(default_factory=list)


def _read_slow(body: bytes, dialect: Dialect, name: str, *, pad_short: bool) -> RawTable:
    import pyarrow as pa

    out = _Rows(dialect.fields)
    lines = body.decode("utf-8", errors="replace").split("\n")
    i = 0
    while i < len(lines):
        number = dialect.first_row + i
        line = lines[i]
        i += 1
        if not line.strip():
            continue
        if line.count('"') % 2:
            joined = _join(lines, i)
            if joined is None:
                _take_open_quote(out, line, number, dialect.delimiter)
                continue
            line, i = joined
        _take(out, line, number, dialect.delimiter, pad_short=pad_short)
    columns: dict[str, Any] = {
        head: pa.array([cells[j] for cells in out.cells], type=pa.string())
        for j, head in enumerate(dialect.heads)
    }
    rows = np.asarray(out.rows, dtype=np.int64)
    return RawTable(
        name, columns, rows, out.broken, decimal=dialect.decimal, head_row=dialect.head_row
    )


def _join(lines: list[str], following: int) -> tuple[str, int] | None:
    """Join the lines of a quoted field that runs over several; None if it is never closed."""
    text = lines[following - 1]
    for j in range(following, min(following + _JOIN_LINES, len(lines))):
        text += "\n" + lines[j]
        if lines[j].count('"') % 2:
            return text, j + 1
    return None


def _take_open_quote(out: _Rows, line: str, number: int, mark: str) -> None:
    fields = line.split(mark)
    if len(fields) == out.fields:  # the mark is part of a note, such as 5" bag
        out.cells.append([cell.strip('"') for cell in fields])
        out.rows.append(number)
        return
    reason = "a quotation mark in this row is not closed"
    out.broken.append(
        Broken(number, line[:_MAX_TEXT], "open quotation mark", reason, "close or remove the mark")
    )


def _take(out: _Rows, line: str, number: int, mark: str, *, pad_short: bool) -> None:
    try:
        if "\n" in line:
            fields = next(csv.reader(line.splitlines(keepends=True), delimiter=mark), [])
        else:
            fields = split_line(line, mark)
    except csv.Error:
        fields = line.split(mark)
    found = len(fields)
    if not any(cell.strip() for cell in fields):
        return
    if found > out.fields and not any(cell.strip() for cell in fields[out.fields :]):
        fields = fields[: out.fields]
    elif pad_short and 1 < found < out.fields:
        fields = fields + [""] * (out.fields - found)
    if len(fields) == out.fields:
        out.cells.append(fields)
        out.rows.append(number)
        return
    reason = f"{found} field{'s' * (found != 1)} where the heads have {out.fields}"
    remedy = "compare the row with its neighbours; a text with the delimiter in it needs quotes"
    out.broken.append(Broken(number, line[:_MAX_TEXT], "wrong number of columns", reason, remedy))
