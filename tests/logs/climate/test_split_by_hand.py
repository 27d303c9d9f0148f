"""Files cut by chamber: which are cut, and what a row is, counted by hand."""

from __future__ import annotations

import gzip
import io
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from trialkit.logs.climate import large, split_file
from trialkit.logs.climate.split_file import _Shape, _units, _whose, is_splittable

#: Without the moment of packing: tests are named by it, alike in each process.
PACKED = gzip.compress(b"time", mtime=0)


@pytest.mark.parametrize(
    ("start", "size", "cut"),
    [
        (b"time,temp_c", 800, False), (b"time,temp_c", 801, True),
        (PACKED, 100, False), (PACKED, 101, True),
        (b"PK", 801, False), (b"PAR1", 801, False), (b"{", 801, False), (b"a\x00b", 801, False),
    ],
)  # fmt: skip
def test_text_is_cut_above_a_size_and_packed_text_above_an_eighth_of_it(
    start: bytes, size: int, cut: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """800 bytes here: packed, from 100 (text packs to about an eighth)."""
    monkeypatch.setattr(split_file, "SPLIT_BYTES", 800)
    path = tmp_path / "log"
    path.write_bytes(start[:size].ljust(size, b"7"))
    assert is_splittable(path) == cut


def test_what_cannot_be_opened_is_not_cut(tmp_path: Path) -> None:
    assert not is_splittable(tmp_path / "gone.csv")


def test_rows_over_several_lines_and_marks_that_are_never_closed() -> None:
    rows = [
        (b"1,T1,wet\n", 1, b"T1"),
        (b'2,T2,"in\ntwo lines"\n', 2, b"T2"),
        (b'3,T1,5" bag\n', 1, b"T1"),
        (b'4,T2,6" bag\n', 1, b"T2"),
        (b'5,"T3",7\n', 1, b"T3"),
        (b'6,"T1,8\n', 1, b"T1"),
        (b'7,"T, ""2""",9\n', 1, b'T, "2"'),
        (b"8\n", 1, b""),
        (b'9,T2,"at\nthe\nend"', 3, b"T2"),
    ]
    shape = _Shape(b"", 1, ",", 1, frozenset())
    found = list(_units(io.BytesIO(b"".join(line for line, _, _ in rows)), ","))
    assert found == [(line, count) for line, count, _ in rows]
    assert [_whose(line, shape) for line, _ in found] == [cell for _, _, cell in rows]


def test_a_climate_log_is_large_above_the_limit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of 30 bytes in two files; without chambers, or without a log, nothing is cut by chamber."""
    for name in ("a.csv", "b.csv"):
        (tmp_path / name).write_bytes(b"x" * 15)
    spec = SimpleNamespace(files=["*.csv"])
    trial = SimpleNamespace(
        folder=tmp_path, logs={"environment": spec}, levels={"chamber": ("T1",)}
    )
    for limit, is_it in ((30, False), (29, True)):
        monkeypatch.setattr(large, "LARGE_BYTES", limit)
        assert large.is_large(trial) is is_it
    trial.levels = {"batch": ("1",)}
    assert not large.is_large(trial)
    trial.levels, trial.logs = {"chamber": ("T1",)}, {}
    assert not large.is_large(trial)
    trial.logs = {"environment": SimpleNamespace(files=["gone.csv"])}
    assert not large.is_large(trial)


@pytest.mark.parametrize(
    "rows", [[3, 4, 5, 6], [7], [3, 5, 6], [3, 5, 4, 6], [4, 3], [], [2, 4, 4, 5]]
)
def test_line_numbers_are_the_same_however_they_are_kept(rows: list[int]) -> None:
    """Those that follow each other are kept as the first one and how many they are."""
    account = SimpleNamespace(rows=np.array(rows, dtype=np.int64))
    large._lighten(account)
    assert account.rows[np.arange(len(rows))].tolist() == rows
    assert len(account.rows) == len(rows)
    even = bool(rows) and rows == list(range(rows[0], rows[0] + len(rows)))
    assert isinstance(account.rows, large.EvenRows) is even


def test_pieces_of_a_file_tell_a_change_of_clocks_together() -> None:
    """What other files said before stays as it is."""
    stayed = [("a", "spring", 5), ("b", "spring", 1), ("b", "autumn", 2), ("b", "spring", 3)]
    large._merge_stayed(stayed, 1)
    assert stayed == [("a", "spring", 5), ("b", "spring", 4), ("b", "autumn", 2)]
