"""Bounds of what reads workbooks and databases: as docs/reliability.md states them."""

from __future__ import annotations

import datetime as dt
import re
import subprocess
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from tests.logs import binary_files
from trialkit.errors import LogError
from trialkit.logs.text import databases, files, typed_files, workbook_grids
from trialkit.logs.text.databases import _cell, _count_down, _listed, read_database

MIB = 1024**2


def asked(monkeypatch: pytest.MonkeyPatch, data: bytes, unpacked: int) -> tuple[int, float]:
    """Give the memory and the time that reading a workbook would be allowed."""
    seen: dict[str, Any] = {}

    def run(command: list[str], **given: Any) -> Any:
        seen.update(given, command=command)
        return SimpleNamespace(returncode=0, stdout=b"[]", stderr=b"")

    monkeypatch.setattr(subprocess, "run", run)
    assert workbook_grids.read_grids(data, "x.xlsx", unpacked=unpacked) == []
    return int(seen["command"][-1]), seen["timeout"]


def test_a_workbook_may_take_800_mib_and_six_bytes_a_byte_and_a_minute_and_a_second_a_megabyte(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert asked(monkeypatch, b"", 0) == (800 * MIB, 60.0)
    assert asked(monkeypatch, b"x" * 100, 5_000_000) == (800 * MIB + 30_000_000, 65.0)
    assert asked(monkeypatch, b"x" * 100, 10) == (800 * MIB + 600, pytest.approx(60.00001))


def test_the_bounds_are_those_that_the_documentation_states() -> None:
    text = Path(__file__).parents[3].joinpath("docs/reliability.md").read_text(encoding="utf-8")
    [stated] = re.findall(r"Limits: .*?(?=\n\n|trial\s)", text, re.DOTALL)
    told = [int(n) for n in re.findall(r"(\d+)(?: [GM]iB| times its size| bytes)", stated)]
    assert told == [
        files.MAX_BYTES // 1024**3, files.SUSPECT_BYTES // MIB, files.MAX_RATIO,
        typed_files._MAX_LONG_TEXT // MIB, typed_files._SHORT,
        workbook_grids.SPARE_BYTES // MIB,
    ]  # fmt: skip
    assert files.MAX_BYTES % 1024**3 == files.SUSPECT_BYTES % MIB == 0
    assert typed_files._MAX_LONG_TEXT % MIB == workbook_grids.SPARE_BYTES % MIB == 0
    assert typed_files._MAX_TEXT == files.MAX_BYTES  # of text in memory


@pytest.mark.parametrize(
    ("code", "error", "says"),
    [(1, b"MemoryError", "cell far from the others"), (1, b"memory allocation", "cell far"),
     (-9, b"capacity overflow", "cell far"), (1, b"odd", "not a sound workbook")],
)  # fmt: skip
def test_how_the_end_of_the_reader_is_told(
    code: int, error: bytes, says: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    done = SimpleNamespace(returncode=code, stdout=b"", stderr=error)
    monkeypatch.setattr(subprocess, "run", lambda *_, **__: done)
    with pytest.raises(LogError, match=says):
        workbook_grids.read_grids(b"", "x.xlsx", unpacked=0)


@pytest.mark.parametrize(
    ("written", "cell"),
    [
        (None, ""), ("a", "a"), (1.5, 1.5), (True, True),
        (["span", 90.0], dt.timedelta(seconds=90)),
        (["datetime", "2031-01-14T07:08:09"], dt.datetime(2031, 1, 14, 7, 8, 9)),
        (["date", "2031-01-14"], dt.date(2031, 1, 14)), (["time", "07:08:00"], dt.time(7, 8)),
    ],
)  # fmt: skip
def test_cells_come_back_as_the_kind_they_were(written: object, cell: object) -> None:
    assert workbook_grids._cell(written) == cell


# ------------------------------------------------------------------ databases


def base(rows: int) -> bytes:
    return binary_files.database("CREATE TABLE log (t TEXT, v REAL)",
                                 rows={"log": [(f"r{k}", k / 2) for k in range(rows)]})  # fmt: skip


def read(data: bytes, **given: Any) -> Any:
    return read_database(data, "x.db", table=given.get("table"), query=given.get("query"),
                         expected=["t"])  # fmt: skip


@pytest.mark.parametrize("piece", [1, 2, 5, 6])
def test_rows_are_numbered_through_however_they_are_fetched(
    piece: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(databases, "_PIECE", piece)
    raw = read(base(5))
    assert raw.columns["v"].to_pylist() == ["0", "0.5", "1", "1.5", "2"]
    assert (raw.rows.tolist(), raw.head_row, raw.decimal) == ([1, 2, 3, 4, 5], 0, ".")
    assert read(base(5), query="SELECT * FROM log WHERE v > 9").n == 0


@pytest.mark.parametrize(("most", "sound"), [(5, True), (4, False)])
def test_how_many_rows_of_a_database_are_read(
    most: int, sound: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(databases, "_MOST_ROWS", most)
    monkeypatch.setattr(databases, "_PIECE", 3)
    if sound:
        assert read(base(5)).n == 5
    else:
        with pytest.raises(LogError, match="more than 4 rows"):
            read(base(5))


def test_a_question_that_takes_too_many_steps_is_stopped(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(databases, "_MOST_STEPS", 50_000)
    endless = (
        "WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM c) SELECT count(*) FROM c"
    )
    with pytest.raises(LogError, match="interrupted"):
        read(base(1), query=endless)
    assert read(base(3), query="SELECT count(*) AS n FROM log").columns["n"].to_pylist() == ["3"]


def test_steps_are_counted_down_to_nought() -> None:
    left = [2]
    assert [_count_down(left) for _ in range(4)] == [0, 0, 1, 1]


@pytest.mark.parametrize(
    "query",
    ["DELETE FROM log", "CREATE TABLE x (a)", "ATTACH 'y.db' AS y", "PRAGMA user_version",
     "SELECT load_extension('x')", "not a question", ""],
)  # fmt: skip
def test_only_questions_that_read_are_allowed(query: str) -> None:
    with pytest.raises(LogError, match=r"cannot be read|gives no table"):
        read(base(1), query=query)


def test_a_database_written_with_a_log_beside_it_is_read() -> None:
    """Bytes 18 and 19 are 2 in that mode (SQLite file format, section 1.3)."""
    data = base(2)
    with_log = data[:18] + b"\x02\x02" + data[20:]
    assert read(with_log).n == 2
    with pytest.raises(LogError, match="cannot be read"):
        read(data[:18] + b"\x03\x03" + data[20:])


@pytest.mark.parametrize(
    ("value", "text"),
    [(None, ""), (3.0, "3"), (3.5, "3.5"), (1e15, "1000000000000000.0"),
     (-9e14, "-900000000000000"),
     (float("inf"), "inf"), (float("nan"), "nan"), (b"T1\xff", "T1\ufffd"), (7, "7"), ("a", "a")],
)  # fmt: skip
def test_cells_of_a_database(value: object, text: str) -> None:
    assert _cell(value) == text


def test_eight_tables_of_eight_columns_are_listed_and_four_hundred_letters() -> None:
    tables = {f"t{k}": [f"c{j}" for j in range(9)] for k in range(9)}
    shown = _listed(tables)
    assert shown.count(";") == 7
    assert "c7" in shown
    assert "c8" not in shown
    assert "t8" not in shown
    assert len(_listed({"t" * 500: ["c"]})) == 400
