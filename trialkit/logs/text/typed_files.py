"""Workbooks, Parquet and JSON lines → `RawTable`."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from trialkit.errors import LogError
from trialkit.logs.text.arrow import as_numpy
from trialkit.logs.text.databases import read_database
from trialkit.logs.text.dialect import decode, judge_decimal
from trialkit.logs.text.files import MAX_BYTES, Member
from trialkit.logs.text.head_lines import (
    lines_under,
    name_heads,
    names_with_groups,
    plain_cell,
    units_under,
)
from trialkit.logs.text.raw_table import Broken, RawTable
from trialkit.logs.text.workbook_grids import read_grids
from trialkit.wording import finding, message

MAX_ROWS = 60_000_000
_MAX_COLUMNS = 2000
#: Most text that the columns of one file may hold, whole, and beyond a short name in each cell.
_MAX_TEXT, _MAX_LONG_TEXT, _SHORT = 1024**3, 256 * 1024**2, 32
_MAX_DEPTH_TEXT = 200


def read_other(
    member: Member,
    *,
    decimal: str | None,
    expected: Iterable[str],
    table: str | None = None,
    query: str | None = None,
) -> list[RawTable]:
    """Read a file that is not a text table.

    Parameters
    ----------
    member : Member
    decimal : {".", ","} or None
    expected : iterable of str
        Heads that the trial file names, and those known without being named.
    table, query : str or None
        The sheet of a workbook or table of a database, or the question to a database.

    Raises
    ------
    LogError
        If it is damaged or larger than is read at once.
    """
    if member.format == "parquet":
        return [_read_parquet(member)]
    if member.format == "jsonl":
        return [_read_json(member, decimal)]
    if member.format == "sqlite":
        base = read_database(
            member.data, member.name, table=table, query=query, expected=list(expected)
        )
        return [base]
    return _read_workbook(member, decimal, list(expected), table)


def _read_parquet(member: Member) -> RawTable:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        source = pq.ParquetFile(pa.BufferReader(member.data))
        meta = source.metadata
        size = sum(meta.row_group(i).total_byte_size for i in range(meta.num_row_groups))
        if meta.num_rows > MAX_ROWS or size > MAX_BYTES:
            raise LogError(
                f"{member.name}: {meta.num_rows:,} rows are more than are read into memory at once "
                "→ compute exposures straight from the file, or split it"
            )
        if len(source.schema_arrow.names) > _MAX_COLUMNS:
            raise LogError(f"{member.name}: has more than {_MAX_COLUMNS} columns")
        table = _table_of(member, source.schema_arrow)
    except (pa.ArrowException, OSError, ValueError, KeyError, OverflowError) as problem:
        first = str(problem).splitlines()[0] if str(problem) else type(problem).__name__
        raise LogError(
            f"{member.name}: is not a sound Parquet file ({first}) → write it again"
        ) from None
    heads = name_heads(table.column_names, ())
    columns = {head: _plain_column(table.column(j)) for j, head in enumerate(heads)}
    rows = np.arange(1, table.num_rows + 1, dtype=np.int64)
    return RawTable(member.name, columns, rows, head_row=0)


def _table_of(member: Member, schema: Any) -> Any:
    """Read a Parquet file piece by piece, before any text is written out in full.

    A text that repeats takes next to nothing in the file; what it would take is counted.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    words = [f.name for f in schema if _is_text(f.type)]
    source = pq.ParquetFile(pa.BufferReader(member.data), read_dictionary=words)
    pieces, whole, long = [], 0, 0
    for piece in source.iter_batches(65_536):
        for column in piece.columns:
            lengths = _text_lengths(column)
            whole += int(lengths.sum()) + 4 * len(lengths)
            long += int(np.maximum(lengths - _SHORT, 0).sum())
        if whole > _MAX_TEXT or long > _MAX_LONG_TEXT:
            raise LogError(
                f"{member.name}: unpacks to more than {whole / 1e6:.0f} MB of text from "
                f"{len(member.data) / 1e6:.2f} MB, so it was not read → leave out columns of text "
                "that are not needed, or split the file"
            )
        pieces.append(piece)
    return pa.Table.from_batches(pieces, schema=pieces[0].schema if pieces else source.schema_arrow)


def _is_text(kind: Any) -> bool:
    import pyarrow as pa

    kind = kind.value_type if pa.types.is_dictionary(kind) else kind
    return bool(
        pa.types.is_string(kind)
        or pa.types.is_large_string(kind)
        or pa.types.is_binary(kind)
        or pa.types.is_large_binary(kind)
    )


def _text_lengths(column: Any) -> np.ndarray:
    """Give the length of each cell's text in bytes; nothing for other kinds."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if not _is_text(column.type):
        return np.zeros(0, dtype=np.int64)
    if not pa.types.is_dictionary(column.type):
        return as_numpy(pc.fill_null(pc.binary_length(column), 0), np.int64)
    each = as_numpy(pc.fill_null(pc.binary_length(column.dictionary), 0), np.int64)
    used = as_numpy(pc.drop_null(column.indices), np.int64)
    if len(used) and not 0 <= used.min() <= used.max() < len(each):
        raise ValueError("it names texts that it does not hold")
    lengths: np.ndarray = each[used]
    return lengths


def _sound_text(column: Any) -> Any:
    """Give a column of text whose damaged bytes are replaced, as in a text file."""
    import pyarrow as pa

    try:
        column.validate(full=True)
        return column
    except pa.ArrowInvalid:
        raw = column.cast(pa.binary()).to_pylist()
        fixed = [None if v is None else v.decode("utf-8", errors="replace") for v in raw]
        return pa.chunked_array([pa.array(fixed, pa.string())])


def _plain_column(column: Any) -> Any:
    """Give a column as text, numbers or times; other kinds as text."""
    import pyarrow as pa
    import pyarrow.compute as pc

    kind = column.type
    if pa.types.is_dictionary(kind):
        return _plain_column(pc.cast(column, kind.value_type))
    if pa.types.is_string(kind):
        return _sound_text(column)
    if (
        pa.types.is_floating(kind)
        or pa.types.is_integer(kind)
        or pa.types.is_timestamp(kind)
        or pa.types.is_date(kind)
    ):
        return pc.cast(column, pa.float64()) if pa.types.is_float16(kind) else column
    try:
        return _sound_text(pc.cast(column, pa.string(), safe=not _is_text(kind)))
    except (pa.ArrowException, pa.ArrowNotImplementedError):
        listed = column.to_pylist()
        return pa.array([None if v is None else _cell_text(str(v)) for v in listed], pa.string())


def _read_json(member: Member, decimal: str | None) -> RawTable:
    """Read one JSON object per line, or a list of objects."""
    text, _, findings = decode(member.data, member.name)
    records, rows, broken = _json_records(text.decode("utf-8", errors="replace"), member)
    heads: dict[str, None] = {}
    for record in records:
        heads.update(dict.fromkeys(record))
        if len(heads) > _MAX_COLUMNS:
            raise LogError(
                f"{member.name}: the records have more than {_MAX_COLUMNS} different names"
            )
    if not heads:
        raise LogError(f"{member.name}: holds no JSON records → export it again")
    columns = {
        name: _text_column(record.get(head) for record in records)
        for name, head in zip(name_heads(list(heads), ()), heads, strict=True)
    }
    return RawTable(
        member.name,
        columns,
        np.array(rows, dtype=np.int64),
        broken,
        decimal=decimal or ".",
        findings=findings,
        head_row=0,
    )


def _json_records(
    text: str, member: Member
) -> tuple[list[dict[str, Any]], list[int], list[Broken]]:
    start = text.lstrip()
    if start.startswith("["):
        try:
            whole = json.loads(text)
        except (ValueError, RecursionError):
            raise LogError(
                f"{member.name}: is not valid JSON → export it again, one record per line"
            ) from None
        items = list(enumerate(whole, 1)) if isinstance(whole, list) else []
    else:
        items = [(i, line) for i, line in enumerate(text.split("\n"), 1) if line.strip()]
    records, rows, broken = [], [], []
    for row, item in items:
        record = _json_object(item)
        if record is None:
            shown = str(item)[:_MAX_DEPTH_TEXT]
            last = member.cut_short and row == items[-1][0]
            rule = "cut short" if last else "not a record"
            reason, remedy = message("row_reason.not_a_record"), message("row_remedy.not_a_record")
            broken.append(Broken(row, shown, rule, reason, remedy))
        else:
            records.append(_flat(record))
            rows.append(row)
    return records, rows, broken


def _flat(record: dict[str, Any]) -> dict[str, Any]:
    """Give a record with those inside it beside the rest, their names joined with points."""
    if not any(isinstance(v, dict) for v in record.values()):
        return record
    out: dict[str, Any] = {}
    for name, value in record.items():
        if isinstance(value, dict) and value and len(out) < _MAX_COLUMNS:
            inner = {k: v for k, v in value.items() if not isinstance(v, dict)}
            deeper = {
                f"{k}.{kk}": vv
                for k, v in value.items()
                if isinstance(v, dict)
                for kk, vv in v.items()
            }
            for k, v in (inner | deeper).items():
                out.setdefault(f"{name}.{k}", v)
        else:
            out[name] = value
    return out


def _json_object(item: Any) -> dict[str, Any] | None:
    if isinstance(item, dict):
        return item
    if not isinstance(item, str):
        return None
    try:
        value = json.loads(item)
    except (ValueError, RecursionError):
        return None
    return value if isinstance(value, dict) else None


def _text_column(values: Iterable[Any]) -> Any:
    import pyarrow as pa

    return pa.array([_cell_text(v) for v in values], type=pa.string())


def _cell_text(value: Any) -> str:
    """Write a cell as text that reads back to the same value."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dt.datetime):
        return value.isoformat(sep=" ")
    if isinstance(value, (dt.date, dt.time)):
        return value.isoformat()
    if isinstance(value, dt.timedelta):
        seconds = round(abs(value.total_seconds()))
        sign = "-" if value.days < 0 else ""
        return f"{sign}{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
    if isinstance(value, float):
        return repr(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    text = value if isinstance(value, str) else str(value)
    return text.encode("utf-8", errors="replace").decode("utf-8")


def _read_workbook(
    member: Member, decimal: str | None, expected: list[str], chosen: str | None
) -> list[RawTable]:
    """Read the sheets of a workbook; where the trial file names heads, those that have them."""
    sheets = []
    grids = read_grids(member.data, member.name, unpacked=member.unpacked)
    if chosen is not None and all(name.casefold() != chosen.casefold() for name, _ in grids):
        listed = ", ".join(repr(name) for name, _ in grids[:12])
        raise LogError(f"{member.name}: has no sheet {chosen!r} → its sheets: {listed}")
    for name, grid in grids:
        if chosen is not None and name.casefold() != chosen.casefold():
            continue
        table = _sheet_table(f"{member.name}[{name}]", grid, decimal, expected)
        if table is not None:
            sheets.append(table)
    if not sheets:
        raise LogError(f"{member.name}: no sheet holds a table → export it again")
    if len(sheets) == 1:
        sheets[0].name = member.name
        return sheets
    wanted = {plain_cell(e) for e in expected}
    fits = [s for s in sheets if wanted & {plain_cell(h) for h in s.columns}]
    if fits and len(fits) < len(sheets):
        left = [s.name for s in sheets if s not in fits]
        fits[0].findings.append(finding("sheet_left", "note", form="no_heads", sheets=left))
    return fits or sheets


def _sheet_table(
    name: str, grid: list[list[Any]], decimal: str | None, expected: Sequence[str]
) -> RawTable | None:
    rows = [[_cell_text(v).strip() for v in line] for line in grid]
    head = _head_line(rows, {plain_cell(e) for e in expected})
    if head is None:
        return None
    filled = [(i, row) for i, row in enumerate(rows) if any(row)]
    at = next(k for k, (i, _) in enumerate(filled) if i == head)
    under = lines_under(filled, at)
    first = filled[at + len(under)][0]
    body = [(i + 1, row) for i, row in filled if i > first]
    heads = name_heads(names_with_groups(filled, at), ())
    units = units_under(under, len(heads))
    used = [j for j in range(len(heads)) if rows[head][j] or any(row[j] for _, row in body)]
    texts = [grid[i - 1][j] for i, _ in body[:500] for j in used]
    decimal = decimal or judge_decimal(v.strip() for v in texts if isinstance(v, str))
    if decimal == ",":  # numbers typed as text have commas; write the true numbers like them
        for i, row in body:
            for j in used:
                if isinstance(grid[i - 1][j], float):
                    row[j] = row[j].replace(".", ",")
    columns = {heads[j]: _text_column(row[j] for _, row in body) for j in used}
    numbers = np.array([i for i, _ in body], dtype=np.int64)
    said = {heads[j]: units[j] for j in used if units and units[j]}
    return RawTable(name, columns, numbers, decimal=decimal, head_row=head + 1, units=said)


def _head_line(rows: list[list[str]], wanted: set[str]) -> int | None:
    """Find the line of the heads: the one with most named heads, else the first full line."""
    search = [(i, row) for i, row in enumerate(rows[:60]) if any(row)]
    if not search:
        return None
    if wanted:
        most, where = max((len(wanted & {plain_cell(c) for c in row}), -i) for i, row in search)
        if most:
            return -where
    width = max(sum(bool(c) for c in row) for _, row in search)
    return next(i for i, row in search if sum(bool(c) for c in row) >= max(1, width - 1))
