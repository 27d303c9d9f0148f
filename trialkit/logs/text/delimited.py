"""Text tables → `RawTable`: a fast way for regular lines, a tolerant one for the rest.

Both ways give the same rows; the fast one is taken only where nothing can go wrong (no quotation
mark left open, every row as wide as the heads).
"""

from __future__ import annotations

import csv
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from trialkit.logs.text.arrow import as_numpy
from trialkit.logs.text.dialect import Dialect, is_one_row, split_line
from trialkit.logs.text.raw_table import Broken, RawTable
from trialkit.wording import message

#: A quoted field goes on over at most so many further lines.
JOIN_LINES = 25
_MAX_TEXT = 200
_WORTH_SPLITTING = 10_000
#: Signs that separate fields, and how those that cannot be seen are named.
_MARKS = (";", "\t", "|", ",")
_SHOWN = {"\t": "Tab"}
_COMMENTS = ("#", "//", "!", "%", "*", ";", "'")


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
        table = _read_mixed(body, dialect, name, pad_short=pad_short)
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
    reason, remedy = message("row_reason.cut_short"), message("row_remedy.cut_short")
    line = Broken(row, last[:_MAX_TEXT], "cut short", reason, remedy)
    return body[:start], [line]


def _read_fast(body: bytes, dialect: Dialect, name: str) -> RawTable | None:
    """Read with Arrow; None where the file is not regular enough to be sure of line numbers."""
    if not body.strip() or len(dialect.delimiter.encode()) != 1:
        return None
    if dialect.fields < 2 or b"\n\n" in body or body.startswith(b"\n"):
        return None  # blank lines would shift the line numbers
    quoted = b'"' in body
    if quoted and not _quotes_are_plain(body, dialect.delimiter):
        return None
    columns = _arrow_columns(body, dialect, quoted=quoted)
    lines = body.count(b"\n") + (not body.endswith(b"\n"))
    if columns is None or len(columns[0]) != lines:
        return None
    rows = np.arange(lines, dtype=np.int64) + dialect.first_row
    return _without_blank_rows(_table(name, dialect, columns, rows, []))


def _arrow_columns(body: bytes, dialect: Dialect, *, quoted: bool) -> list[Any] | None:
    import pyarrow as pa
    import pyarrow.csv as pa_csv

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
    return [table.column(j) for j in range(dialect.fields)]


def _table(
    name: str, dialect: Dialect, columns: list[Any], rows: np.ndarray, broken: list[Broken]
) -> RawTable:
    named = dict(zip(dialect.heads, columns, strict=True))
    return RawTable(
        name,
        named,
        rows,
        broken,
        decimal=dialect.decimal,
        head_row=dialect.head_row,
        units=dict(dialect.units),
        zone_line=dialect.zone_line,
    )


def _read_mixed(body: bytes, dialect: Dialect, name: str, *, pad_short: bool) -> RawTable | None:
    """Read regular lines with Arrow and the odd ones one by one; None where most are odd.

    A line is odd if it has quotation marks, or another number of delimiters than the heads; after
    a mark that is not closed the next lines count as odd too, since they may belong to it.
    """
    if dialect.fields < 2 or len(dialect.delimiter.encode()) != 1 or len(body) < _WORTH_SPLITTING:
        return None
    starts, ends, odd = _odd_lines(body, dialect)
    if not odd.any() or odd.mean() > 0.3:
        return None
    edges = np.flatnonzero(np.diff(odd.astype(np.int8)) != 0) + 1
    runs = np.split(np.arange(len(odd)), edges)
    out = _Rows(dialect.fields, dialect.usual)
    regular = []
    for run in runs:
        piece = body[starts[run[0]] : ends[run[-1]] + 1]
        if odd[run[0]]:
            lines = piece.decode("utf-8", errors="replace").removesuffix("\n").split("\n")
            _take_lines(out, lines, dialect, dialect.first_row + int(run[0]), pad_short=pad_short)
        else:
            regular.append(piece)
    columns = _arrow_columns(b"".join(regular), dialect, quoted=False)
    sound = np.flatnonzero(~odd) + dialect.first_row
    if columns is None or len(columns[0]) != len(sound):
        return None
    return _without_blank_rows(_joined(name, dialect, columns, sound, out))


def _odd_lines(body: bytes, dialect: Dialect) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give where each line starts and ends, and which lines are odd."""
    marks = np.frombuffer(body, dtype=np.uint8)
    ends = np.flatnonzero(marks == 10)
    if not body.endswith(b"\n"):
        ends = np.append(ends, len(body))
    starts = np.concatenate([[0], ends[:-1] + 1])

    def each(code: int) -> np.ndarray:
        upto = np.searchsorted(np.flatnonzero(marks == code), ends)
        return np.diff(upto, prepend=0)

    quotes = each(34)
    odd = (each(ord(dialect.delimiter)) != dialect.fields - 1) | (quotes > 0)
    for line in np.flatnonzero(quotes % 2 == 1):
        odd[line : line + JOIN_LINES + 1] = True
    return starts, ends, odd


def _joined(
    name: str, dialect: Dialect, columns: list[Any], sound: np.ndarray, out: _Rows
) -> RawTable:
    """Put the lines read one by one among the regular ones."""
    import pyarrow as pa
    import pyarrow.compute as pc

    rows = np.concatenate([sound, np.asarray(out.rows, dtype=np.int64)])
    order = pa.array(np.argsort(rows, kind="stable"))
    merged = []
    for j, column in enumerate(columns):
        extra = pa.array([cells[j] for cells in out.cells], type=pa.string())
        both = pa.chunked_array([*column.chunks, extra])
        merged.append(pc.take(both, order) if len(out.rows) else column)
    return _table(name, dialect, merged, np.sort(rows), out.broken)


def _quotes_are_plain(body: bytes, delimiter: str) -> bool:
    """Whether quotation marks only stand around whole fields, so both ways agree."""
    mark = delimiter.encode()
    inside = body.replace(b'"' + mark + b'"', b"").replace(b'"\n"', b"")
    inside = inside.replace(b'"' + mark, b"\x01").replace(mark + b'"', b"\x01")
    inside = inside.replace(b'"\n', b"\x01").replace(b'\n"', b"\x01")
    if inside.strip(b'"').count(b'"'):
        return False
    marks = np.frombuffer(body, dtype=np.uint8)
    ends = np.append(np.flatnonzero(marks == 10), len(body))
    upto = np.searchsorted(np.flatnonzero(marks == 34), ends)
    return bool(np.all(upto % 2 == 0))


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
    usual: int = 0
    cells: list[list[str]] = field(default_factory=list)
    rows: list[int] = field(default_factory=list)
    broken: list[Broken] = field(default_factory=list)


def _read_slow(body: bytes, dialect: Dialect, name: str, *, pad_short: bool) -> RawTable:
    """Read line by line."""
    import pyarrow as pa

    out = _Rows(dialect.fields, dialect.usual)
    lines = body.decode("utf-8", errors="replace").split("\n")
    _take_lines(out, lines, dialect, dialect.first_row, pad_short=pad_short)
    columns = [
        pa.array([cells[j] for cells in out.cells], type=pa.string()) for j in range(dialect.fields)
    ]
    return _table(name, dialect, columns, np.asarray(out.rows, dtype=np.int64), out.broken)


def _take_lines(
    out: _Rows, lines: list[str], dialect: Dialect, first: int, *, pad_short: bool
) -> None:
    """Take lines apart one by one; `first` is the number of the first."""
    i = 0
    while i < len(lines):
        number = first + i
        line = lines[i]
        i += 1
        if not line.strip():
            continue
        if line.count('"') % 2:
            joined = _join(lines, i)
            if joined is None or not is_one_row(joined[0], dialect.delimiter):
                _take_open_quote(out, line, number, dialect.delimiter)
                continue
            line, i = joined
        _take(out, line, number, dialect.delimiter, pad_short=pad_short)


def _join(lines: list[str], following: int) -> tuple[str, int] | None:
    """Join the lines up to the one that may close a quoted field; None if none does."""
    text = lines[following - 1]
    for j in range(following, min(following + JOIN_LINES, len(lines))):
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
    reason, remedy = message("row_reason.open_quotation"), message("row_remedy.open_quotation")
    out.broken.append(Broken(number, line[:_MAX_TEXT], "open quotation mark", reason, remedy))


def _take(out: _Rows, line: str, number: int, mark: str, *, pad_short: bool) -> None:
    try:
        fields = split_line(line, mark)
    except csv.Error:
        fields = line.split(mark)
    found = len(fields)
    if not any(cell.strip() for cell in fields):
        return
    other = _other_mark(line, mark, found, out.fields, pad_short=pad_short)
    if other:
        signs = {"mark": _SHOWN.get(other, other), "usual": _SHOWN.get(mark, mark)}
        reason = message("row_reason.other_delimiter", **signs)
        remedy = message("row_remedy.other_delimiter", **signs)
        rule = "wrong number of columns"
        out.broken.append(Broken(number, line[:_MAX_TEXT], rule, reason, remedy))
        return
    if found > out.fields and not any(cell.strip() for cell in fields[out.fields :]):
        fields = fields[: out.fields]
    elif (pad_short and 1 < found < out.fields) or found == out.usual:
        fields = fields + [""] * (out.fields - found)
    if len(fields) == out.fields:
        out.cells.append(fields)
        out.rows.append(number)
        return
    if line.lstrip().startswith(_COMMENTS):
        rule, reason, remedy = (
            "comment line",
            message("row_reason.comment"),
            message("row_remedy.comment"),
        )
    else:
        rule = "wrong number of columns"
        reason = message("row_reason.wrong_columns", count=found, fields=out.fields)
        remedy = message("row_remedy.wrong_columns")
    out.broken.append(Broken(number, line[:_MAX_TEXT], rule, reason, remedy))


def _other_mark(line: str, mark: str, found: int, wanted: int, *, pad_short: bool) -> str:
    """Name the sign that splits a row as the heads are split, where the usual one does not."""
    if found > 2 or found >= wanted or line.lstrip().startswith(_COMMENTS):
        return ""  # a decimal comma may split it once
    short = pad_short and found == 1
    for other in _MARKS:
        pieces = line.count(other) + 1
        if other != mark and (pieces == wanted or (short and 2 < pieces < wanted)):
            return other
    return ""
