"""A log too large for memory: files cut by chamber, parts on disk, the log as a whole; by hand."""

from __future__ import annotations

import gzip
import io
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from trialkit.logs.climate import chamber_store, split_file
from trialkit.logs.climate.chamber_store import ChamberStore
from trialkit.logs.climate.copies import Case
from trialkit.logs.climate.outline import Outline, join_outlines, outline_of
from trialkit.logs.climate.records import Part
from trialkit.logs.climate.scratch_parts import ScratchCases, ScratchParts
from trialkit.logs.climate.split_file import _cut, _Shape, _units, likely_bytes
from trialkit.logs.ledger import Account

HEADS = frozenset({b"n", b"chamber", b"note"})
SHAPE = _Shape(b"n,chamber,note\n", 2, ",", 1, HEADS)

# ------------------------------------------------------------------ cut by chamber


def cut(text: bytes, folder: Path, shape: _Shape = SHAPE) -> list[tuple[bytes, list[int]]] | None:
    done = _cut(io.BytesIO(text), shape, folder)
    if done is None:
        return None
    return [(body.read_bytes(), np.fromfile(rows, np.int64).tolist()) for body, rows in done[0]]


def test_each_chamber_gets_its_lines_with_their_numbers(tmp_path: Path) -> None:
    text = b'n,chamber,note\n1,T1,a\n2,T2,"two\nlines"\n3,T1,b\n4\n5,T2,c\n'
    assert cut(text, tmp_path) == [
        (b"1,T1,a\n3,T1,b\n", [2, 5]), (b'2,T2,"two\nlines"\n5,T2,c\n', [3, 4, 7]), (b"4\n", [6])
    ]  # fmt: skip


def test_lines_above_the_rows_are_passed_over(tmp_path: Path) -> None:
    shape = _Shape(b"", 4, ",", 1, HEADS)
    assert cut(b"a\nb\nn,chamber,note\n1,T1,a\n", tmp_path, shape) == [(b"1,T1,a\n", [4])]


@pytest.mark.parametrize(
    ("line", "head"),
    [(b"n,chamber,note", True), (b'note, "n" ,x', True), (b"n,x,y", False), (b"x,y", False),
     (b"n,n", False)],
)  # fmt: skip
def test_two_heads_in_a_line_are_heads_again(line: bytes, head: bool, tmp_path: Path) -> None:
    assert SHAPE.is_head(line) == head
    text = b"n,chamber,note\n1,T1,a\n" + line + b"\n2,T1,b\n"
    assert (cut(text, tmp_path) is None) == head


def test_beyond_so_many_pieces_the_others_share_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Here two: the third and fourth name go together."""
    monkeypatch.setattr(split_file, "_MOST_PIECES", 2)
    text = b"n,chamber,note\n1,A,\n2,B,\n3,C,\n4,D,\n5,A,\n"
    assert cut(text, tmp_path) == [
        (b"1,A,\n5,A,\n", [2, 6]), (b"2,B,\n", [3]), (b"3,C,\n4,D,\n", [4, 5])
    ]  # fmt: skip


def test_a_packed_file_that_ends_too_early_is_cut_short(tmp_path: Path) -> None:
    packed = gzip.compress(b"n,chamber,note\n" + b"1,T1,abc\n" * 5000, mtime=0)
    for data, short in ((packed[:-12], True), (packed, False)):
        with gzip.open(io.BytesIO(data)) as lines:
            done = _cut(lines, SHAPE, tmp_path)  # type: ignore[arg-type]
        assert done is not None
        assert done[1] is short


def test_numbers_of_many_lines_are_kept_in_parts(tmp_path: Path) -> None:
    """More than are held in memory at once (2 to the power of 15)."""
    n = 2**15 + 3
    [(_, rows)] = cut(b"n,chamber,note\n" + b"1,T1,\n" * n, tmp_path) or []
    assert rows == list(range(2, n + 2))


@pytest.mark.parametrize(("further", "joined"), [(25, True), (26, False)])
def test_a_field_goes_on_over_25_further_lines(further: int, joined: bool) -> None:
    text = b'1,T1,"' + b"x\n" * further + b'",2\n3,T1,y\n'
    units = list(_units(io.BytesIO(text), ","))
    assert (units[0][1] == further + 1) == joined
    assert b"".join(line for line, _ in units) == text
    assert sum(count for _, count in units) == further + 2


@pytest.mark.parametrize(
    ("start", "times"),
    [(b"time,t", 1), (b"\x1f\x8b", 8), (b"BZh9", 8), (b"PK\x03", 8), (b"PAR1", 8), (b"", 1)],
)
def test_packed_files_hold_about_eight_times_their_size(
    start: bytes, times: int, tmp_path: Path
) -> None:
    path = tmp_path / "log"
    path.write_bytes(start.ljust(50, b"7"))
    assert likely_bytes(path) == 50 * times


# ------------------------------------------------------------------ parts on disk


def part(account: Any, chamber: list[int], **more: Any) -> Part:
    n = len(chamber)
    return Part(account, np.arange(n), np.array(chamber), np.zeros(n, int), ("s",),
                np.arange(n) * 10, {"temp_c": np.arange(n) / 2}, more.get("shelf"))  # fmt: skip


def test_parts_wait_by_chamber_and_chambers_of_a_wide_file_together(tmp_path: Path) -> None:
    scratch = ScratchParts(tmp_path)
    one, two = SimpleNamespace(file="a"), SimpleNamespace(file="b")
    scratch.put([part(one, [0, 1, 0])])
    scratch.put([part(two, [3, 3]), part(two, [1])])
    scratch.put([part(two, [4], shelf=np.array([7]))], piece=True)
    assert scratch.names == ["a", "b", "b"]
    assert [w.number for w in scratch.waiting] == [0, 0, 1, 2, 2]
    assert scratch.groups() == [[0], [1, 3], [4]]
    waiting = scratch.of([1, 3])
    assert [(w.chamber, w.account.file) for w in waiting] == [(1, "a"), (3, "b"), (1, "b")]
    taken = waiting[0].take()
    assert (taken.index.tolist(), taken.time.tolist()) == ([1], [10])
    assert (taken.chamber.tolist(), taken.values["temp_c"].tolist()) == ([1], [0.5])
    assert taken.shelf is None
    [last] = scratch.of([4])
    shelf = last.take().shelf
    assert shelf is not None
    assert shelf.tolist() == [7]
    assert not last.path.exists()


def test_chambers_linked_by_two_files_are_one_group(tmp_path: Path) -> None:
    scratch = ScratchParts(tmp_path)
    account = SimpleNamespace(file="a")
    scratch.put([part(account, [2]), part(account, [3])])
    scratch.put([part(account, [0]), part(account, [2])])
    scratch.put([part(account, [1])])
    assert scratch.groups() == [[0, 2, 3], [1]]


def test_rows_that_stand_twice_are_told_file_by_file_in_their_order(tmp_path: Path) -> None:
    account = Account()
    file = account.open("a.csv", np.arange(2, 12))
    cases = ScratchCases(tmp_path)
    for index in ([5, 7], [1, 6]):
        at = np.array(index)
        cases.put(Case(file, "double export", at, at * 10**9, np.array([True, True])))
    cases.tell(account.files)
    lines = account.close()[0].lines
    assert lines["row"].tolist() == [3, 7, 8, 9]
    assert lines["old"].tolist()[0] == "1970-01-01 00:00:01 UTC"
    assert file.alive.sum() == 6
    assert not list(tmp_path.iterdir())


# ------------------------------------------------------------------ chambers on disk


def rows(minutes: list[int], **more: Any) -> pd.DataFrame:
    time = pd.to_datetime(np.array(minutes) * 60 * 10**9, utc=True)
    return pd.DataFrame({"time": time, **more})


@pytest.mark.parametrize(("limit", "written"), [(3, 1), (4, 0)])
def test_a_chamber_is_written_once_it_has_so_many_rows(
    limit: int, written: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(chamber_store, "ROWS", limit)
    store = ChamberStore(tmp_path)
    store.add("T1", rows([0, 10], rh_pct=[80.0, 81.0]))
    store.add("T1", rows([20], rh_pct=[82.0]))
    assert len(list(tmp_path.iterdir())) == written
    store.close()
    assert store.read("T1")["rh_pct"].tolist() == [80, 81, 82]


@pytest.mark.parametrize(("limit", "written"), [(3, 2), (4, 0)])
def test_all_chambers_are_written_once_they_have_so_many_rows(
    limit: int, written: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(chamber_store, "WAITING", limit)
    store = ChamberStore(tmp_path)
    store.add("T1", rows([0, 10], rh_pct=[80.0, 81.0]))
    store.add("T2", rows([20], temp_c=[20.0]))
    assert len(list(tmp_path.iterdir())) == written


def test_a_chamber_is_given_with_all_columns_of_the_log(tmp_path: Path) -> None:
    store = ChamberStore(tmp_path)
    with pytest.raises(RuntimeError, match="not closed"):
        _ = store.outline
    store.add("T2", rows([0, 10], rh_pct=[80.0, 81.0]))
    store.add("T1", rows([5], sensor=["s"], temp_c=[20.0]))
    store.close()
    assert list(store.read("T2").columns) == ["chamber", "time", "rh_pct", "sensor", "temp_c"]
    assert store.read("T2")["temp_c"].isna().all()
    assert store.read("T2", times_only=True).columns.tolist() == ["chamber", "time", "sensor"]
    assert store.read("T9").empty
    assert store.read("T9").columns.tolist() == store.read("T1").columns.tolist()
    assert store.outline.series == (("T1", "s"), ("T2", None))
    assert (store.outline.rows, store.outline.step_min, store.outline.shelves) == (3, 10.0, False)
    assert store.outline.columns == ("chamber", "time", "rh_pct", "sensor", "temp_c")


# ------------------------------------------------------------------ the log as a whole


def test_the_outline_of_a_log() -> None:
    """T1 by steps of 10, 10 and 40 min, T2 by 5 min: the larger of the usual ones is 10."""
    log = pd.concat([
        rows([0, 10, 20, 60]).assign(chamber="T1", sensor="a"),
        rows([0, 5]).assign(chamber="T2", sensor=None),
        rows([70]).assign(chamber=None, sensor="b"),
    ], ignore_index=True)  # fmt: skip
    found = outline_of(log)
    assert found.series == (("T1", "a"), ("T2", None))
    assert found.chambers == ("T1", "T2")
    assert (found.step_min, found.rows, found.shelves) == (10.0, 7, False)
    assert found.last == pd.Timestamp("1970-01-01 01:10", tz="UTC")
    assert outline_of(rows([0, 30])).step_min == 30.0
    assert outline_of(rows([0, 30])).series == ()


def test_moments_out_of_order_or_twice_have_the_steps_between_them() -> None:
    assert outline_of(rows([20, 0, 10]).assign(chamber="T1")).step_min == 10.0
    assert outline_of(rows([0, 0, 0, 10, 20]).assign(chamber="T1")).step_min == 10.0
    assert outline_of(rows([5]).assign(chamber="T1")).step_min == 0.0
    assert outline_of(rows([5, 5]).assign(chamber="T1")).step_min == 0.0
    assert outline_of(rows([]).assign(chamber=[])).step_min == 0.0


def test_shelves_count_where_a_record_names_one() -> None:
    assert outline_of(rows([0, 1]).assign(shelf=[None, "top"])).shelves
    assert not outline_of(rows([0, 1]).assign(shelf=[None, None])).shelves


def test_outlines_are_put_together() -> None:
    last = pd.Timestamp("2031-01-14", tz="UTC")
    one = Outline(("time", "rh_pct"), (("T1", None),), last, 5.0, False, 3)
    two = Outline(("time", "temp_c"), (("T2", "s"),), pd.NaT, 10.0, True, 4)
    both = join_outlines([one, two])
    assert both == Outline(
        ("time", "rh_pct", "temp_c"), (("T1", None), ("T2", "s")), last, 10.0, True, 7
    )
    none = join_outlines([])
    assert (none.rows, none.step_min, none.shelves, none.series) == (0, 0.0, False, ())
    assert pd.isna(none.last)
