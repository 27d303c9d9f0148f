"""SQLite databases → `RawTable`: one table, or the answer to one question, opened read-only.

The database is read from the bytes at hand, in memory, so that the file itself is never touched.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from contextlib import closing
from typing import Any

import numpy as np

from trialkit.errors import LogError
from trialkit.logs.text.head_lines import name_heads, plain_cell
from trialkit.logs.text.raw_table import RawTable

_MOST_ROWS = 20_000_000
_PIECE = 50_000
_STEPS = 10_000
_MOST_STEPS = 3_000_000_000  # of the database's machine: more than any sum over a log needs
_ALLOWED = (
    sqlite3.SQLITE_SELECT,
    sqlite3.SQLITE_READ,
    sqlite3.SQLITE_FUNCTION,
    sqlite3.SQLITE_RECURSIVE,
)
_FORBIDDEN = frozenset({"load_extension", "fts3_tokenizer", "readfile", "writefile", "edit"})


def read_database(
    data: bytes, name: str, *, table: str | None, query: str | None, expected: Iterable[str]
) -> RawTable:
    """Read a table of a database, or what a question to it gives.

    Parameters
    ----------
    data : bytes
        The database.
    name : str
        File name for messages.
    table, query : str or None
        What the trial file names; without either, the only table that has the expected heads.
    expected : iterable of str

    Raises
    ------
    LogError
        If the database is damaged, several tables could be meant, or the question is none that
        only reads.
    """
    try:
        with closing(_open(data)) as base:
            tables = _tables(base)
            if query is None:
                chosen = _choose(tables, table, name, {plain_cell(e) for e in expected})
                query = f"SELECT * FROM {_quoted(chosen)}"
            base.set_authorizer(_may)
            left = [_MOST_STEPS // _STEPS]
            base.set_progress_handler(lambda: _count_down(left), _STEPS)
            return _rows(base.execute(query), name)
    except (sqlite3.Error, sqlite3.Warning, ValueError, OverflowError) as problem:
        what = str(problem).splitlines()[0][:200] if str(problem) else type(problem).__name__
        raise LogError(
            f"{name}: the database cannot be read ({what}) → correct table or query in the trial "
            "file, or export the table as CSV"
        ) from None


def _open(data: bytes) -> sqlite3.Connection:
    base = sqlite3.connect(":memory:", isolation_level=None)
    if data[18:20] == b"\x02\x02":  # written with a log beside it: in memory there is none
        data = data[:18] + b"\x01\x01" + data[20:]
    base.deserialize(data)
    base.execute("PRAGMA query_only = 1")
    base.execute("PRAGMA trusted_schema = 0")
    base.text_factory = lambda b: b.decode("utf-8", errors="replace")
    return base


def _may(action: int, first: str | None, second: str | None, *_: object) -> int:
    """Allow what reads and nothing else."""
    if action == sqlite3.SQLITE_FUNCTION and str(second).casefold() in _FORBIDDEN:
        return sqlite3.SQLITE_DENY
    return sqlite3.SQLITE_OK if action in _ALLOWED else sqlite3.SQLITE_DENY


def _count_down(left: list[int]) -> int:
    left[0] -= 1
    return int(left[0] < 0)


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _tables(base: sqlite3.Connection) -> dict[str, list[str]]:
    """Give the tables and views with their columns."""
    found = base.execute(
        "SELECT name FROM sqlite_master WHERE type IN ('table', 'view') "
        "AND name NOT LIKE 'sqlite_%' ORDER BY rowid"
    ).fetchall()
    return {
        str(name): [str(c[1]) for c in base.execute(f"PRAGMA table_info({_quoted(str(name))})")]
        for (name,) in found
    }


def _choose(tables: dict[str, list[str]], table: str | None, name: str, wanted: set[str]) -> str:
    if table is not None:
        hits = [t for t in tables if t.casefold() == table.casefold()]
        if hits:
            return hits[0]
        raise LogError(f"{name}: has no table {table!r} → its tables: {_listed(tables)}")
    if not tables:
        raise LogError(f"{name}: the database holds no table → export it again")
    fits = {t: len(wanted & {plain_cell(c) for c in cs}) for t, cs in tables.items()}
    best = [t for t, n in fits.items() if n == max(fits.values()) and n > 0]
    if len(tables) == 1 or len(best) == 1:
        return next(iter(best or tables))
    raise LogError(
        f"{name}: which table holds the log? → add table = {next(iter(tables))!r}, one of: "
        f'{_listed(tables)}; or a query = "SELECT …"'
    )


def _listed(tables: dict[str, Sequence[str]] | dict[str, list[str]]) -> str:
    shown = [f"{t} ({', '.join(list(cs)[:8])})" for t, cs in list(tables.items())[:8]]
    return "; ".join(shown)[:400]


def _rows(cursor: sqlite3.Cursor, name: str) -> RawTable:
    import pyarrow as pa

    if cursor.description is None:
        raise LogError(f"{name}: the query gives no table → begin it with SELECT")
    heads = name_heads([str(column[0]) for column in cursor.description], ())
    pieces: list[list[Any]] = [[] for _ in heads]
    n = 0
    while batch := cursor.fetchmany(_PIECE):
        n += len(batch)
        if n > _MOST_ROWS:
            raise LogError(f"{name}: more than {_MOST_ROWS:,} rows → name fewer in a query")
        for k, column in enumerate(zip(*batch, strict=True)):
            pieces[k].append(pa.array([_cell(v) for v in column], type=pa.string()))
    columns = {
        head: pa.chunked_array(piece, type=pa.string())
        for head, piece in zip(heads, pieces, strict=True)
    }
    rows = np.arange(1, n + 1, dtype=np.int64)
    return RawTable(name, columns, rows, decimal=".", head_row=0)


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return repr(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, bytes):
        return value.decode("utf-8", errors="replace")
    return str(value)
