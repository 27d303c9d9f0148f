"""What the process of its own writes of a workbook, run here without its bounds of memory."""

from __future__ import annotations

import datetime as dt
import io
import json
import sys
from types import SimpleNamespace

import pytest

from tests.logs import binary_files
from trialkit.logs.text import workbook_child

resource = pytest.importorskip("resource", reason="bounds of memory as Unix has them")


@pytest.mark.parametrize(
    ("cell", "plain"),
    [
        (None, None), ("a", "a"), (1.5, 1.5), (7, 7), (True, True), ("", ""),
        (dt.timedelta(minutes=90), ["span", 5400.0]),
        (dt.datetime(2031, 1, 14, 7), ["datetime", "2031-01-14T07:00:00"]),
        (dt.date(2031, 1, 14), ["date", "2031-01-14"]), (dt.time(7, 8), ["time", "07:08:00"]),
    ],
)  # fmt: skip
def test_cells_as_json_can_hold_them(cell: object, plain: object) -> None:
    assert workbook_child._plain(cell) == plain


def written(
    monkeypatch: pytest.MonkeyPatch, data: bytes, *, bounds: bool = True
) -> tuple[list[object], list[tuple[int, tuple[int, int]]]]:
    """Run it on a workbook; give what it writes, and the bounds that it asks for."""
    asked: list[tuple[int, tuple[int, int]]] = []

    def limit(what: int, most: tuple[int, int]) -> None:
        if not bounds:
            raise ValueError("no such bound")
        asked.append((what, most))

    out = io.StringIO()
    monkeypatch.setattr(resource, "setrlimit", limit)
    monkeypatch.setattr(sys, "argv", ["child", "12345"])
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(buffer=io.BytesIO(data)))
    monkeypatch.setattr(sys, "stdout", out)
    workbook_child.main()
    return json.loads(out.getvalue()), asked


def test_sheets_are_written_without_the_empty_rows_at_their_end(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    book = binary_files.workbook({"log": [["time", "t"], [], ["x", 1.5], [""], ["", ""]],
                                  "empty": []})  # fmt: skip
    sheets, asked = written(monkeypatch, book)
    assert sheets == [["log", [["time", "t"], ["", ""], ["x", 1.5]]], ["empty", []]]
    assert asked == [(resource.RLIMIT_AS, (12345, 12345)), (resource.RLIMIT_CORE, (0, 0))]


def test_a_system_without_such_bounds_reads_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    book = binary_files.workbook({"log": [["time"], ["x"]]})
    assert written(monkeypatch, book, bounds=False)[0] == [["log", [["time"], ["x"]]]]
