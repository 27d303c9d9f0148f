"""Small files that would take all memory, and packets that are not what they say."""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import subprocess
import sys
import warnings
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from tests.logs.folder import make_trial
from trialkit.errors import LogError
from trialkit.logs.climate.read import read_environment
from trialkit.logs.text import workbook_grids
from trialkit.logs.text.files import Member, unpack_members
from trialkit.logs.text.typed_files import read_other

ROOT = Path(__file__).parents[3]
LOG = b"time,chamber,rh_pct\n2031-01-14 10:00,T1,80\n2031-01-14 10:10,T1,82\n"


def book_with(cell: str) -> bytes:
    book = openpyxl.Workbook()
    for row in ("time", "chamber", "rh_pct"), ("2031-01-14 10:00", "T1", 80):
        book.active.append(row)
    book.active[cell] = 1
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def parquet_bomb() -> bytes:
    same = np.zeros(1_000_000, np.int32)
    columns = {
        name: pa.DictionaryArray.from_arrays(same, pa.array([text]))
        for name, text in (("time", "2031-01-14 10:00"), ("chamber", "T1"), ("note", "x" * 5000))
    }
    out = io.BytesIO()
    pq.write_table(pa.table(columns), out, compression="zstd")
    return out.getvalue()


READ = """
import sys
from pathlib import Path
from typing import Any
sys.path.insert(0, sys.argv[1])
from tests.logs.folder import make_trial
from trialkit.errors import LogError
from trialkit.logs.climate.read import read_environment
logs = '\\n[logs.environment]\\nfiles = ["log.dat"]\\n'
trial = make_trial(Path(sys.argv[2]), {}, logs)
def peak():
    lines = Path("/proc/self/status").read_text().splitlines()
    return int(next(l for l in lines if l.startswith("VmHWM")).split()[1]) / 1024
import pandas, pyarrow.compute, pyarrow.parquet
before = peak()
try:
    print("rows", len(read_environment(trial, cache=False).table))
except LogError as problem:
    print("refused", problem)
print(peak() - before)
"""


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="reads the peak of memory from /proc")
@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("far cell", "refused log.dat: a cell far from the others"),
        ("long sheet", "rows 1"),
        ("parquet", "refused log.dat: unpacks to more than"),
        ("text that repeats", "refused log.dat: unpacks to more than"),
        ("text below the limit", "rows 2"),
    ],
)
def test_a_small_file_takes_less_than_a_gigabyte(name: str, says: str, tmp_path: Path) -> None:
    data = {
        "far cell": lambda: book_with("XFD1048576"),
        "long sheet": lambda: book_with("C1048576"),
        "parquet": parquet_bomb,
        "text that repeats": lambda: gzip.compress(LOG * 2_000_000),
        "text below the limit": lambda: gzip.compress(LOG + b"x" * 60_000_000),
    }[name]()
    (tmp_path / "log.dat").write_bytes(data)
    done = subprocess.run(
        [sys.executable, "-c", READ, str(ROOT), str(tmp_path)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    result, peak = done.stdout.rsplit("\n", 2)[:2]
    assert result.startswith(says)
    assert float(peak) < 1000


def test_a_cell_far_from_the_others_is_refused_and_this_process_lives() -> None:
    member = Member("log.xlsx", book_with("XFD1048576"), "workbook")
    with pytest.raises(LogError, match="a cell far from the others"):
        read_other(member, decimal=None, expected=())


def test_a_workbook_that_takes_too_long_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workbook_grids, "LEAST_S", 0.0)
    monkeypatch.setattr(workbook_grids, "EACH_MB_S", 0.0)
    with pytest.raises(LogError, match="takes too long"):
        workbook_grids.read_grids(book_with("D4"), "log.xlsx", unpacked=10)


@pytest.mark.parametrize(
    "junk", [b"", b"PK\x03\x04", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"x" * 600]
)
def test_what_is_no_workbook_is_told(junk: bytes) -> None:
    with pytest.raises(LogError, match="not a sound workbook"):
        workbook_grids.read_grids(junk, "log.xls", unpacked=0)


def test_a_text_that_repeats_a_million_times_in_parquet_is_counted_before_it_is_written_out() -> (
    None
):
    data = parquet_bomb()
    assert len(data) < 200_000
    with pytest.raises(LogError, match="unpacks to more than"):
        read_other(Member("log.parquet", data, "parquet"), decimal=None, expected=())


@pytest.mark.parametrize("coded", [False, True])
def test_damaged_text_in_parquet_is_replaced_as_in_a_text_file(coded: bool) -> None:
    ends = pa.py_buffer(np.array([0, 2, 4], np.int32).tobytes())
    bad = pa.StringArray.from_buffers(2, ends, pa.py_buffer(b"T1\xff\xfe"))
    out = io.BytesIO()
    pq.write_table(pa.table({"chamber": bad.dictionary_encode() if coded else bad}), out)
    [raw] = read_other(Member("a", out.getvalue(), "parquet"), decimal=None, expected=())
    assert raw.columns["chamber"].to_pylist() == ["T1", "\ufffd\ufffd"]


def test_two_members_of_one_name_have_an_account_each(tmp_path: Path) -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        archive.writestr("a.csv", LOG)
        archive.writestr("a.csv", LOG.replace(b" 10:", b" 11:"))
    logs = '\n[logs.environment]\nfiles = ["log.zip"]\n'
    trial = make_trial(tmp_path, {"log.zip": out.getvalue()}, logs)
    log = read_environment(trial, cache=False)
    assert log.ledger.summary()[["file", "read", "kept"]].values.tolist() == [
        ["log.zip/a.csv", 2, 2],
        ["log.zip/a.csv (2)", 2, 2],
    ]


def test_names_inside_an_archive_are_shown_with_their_marks() -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("a\x1b[31m.csv", LOG)
    assert [m.name for m in unpack_members(out.getvalue(), "x.zip")] == ["x.zip/a␛[31m.csv"]


@pytest.mark.parametrize("pack", [gzip.compress, bz2.compress, lzma.compress])
def test_a_packet_with_changed_bytes_is_refused_and_one_cut_short_is_not(pack: Any) -> None:
    """A changed digit unpacks like any other; only the check at the end tells."""
    rows = b"".join(b"2031-01-14 10:%02d,T1,%d\n" % (i % 60, i) for i in range(20_000))
    data = pack(b"time,chamber,rh_pct\n" + rows)
    for at in range(len(data) // 3, len(data) - 12, len(data) // 7):
        wrong = bytearray(data)
        wrong[at] ^= 4
        with pytest.raises(LogError, match="damaged"):
            unpack_members(bytes(wrong), "x.csv.packed")
    [member] = unpack_members(data[: len(data) * 3 // 4], "x.csv.packed")
    assert member.cut_short


def test_a_wrong_check_at_the_end_refuses_the_file() -> None:
    data = bytearray(gzip.compress(LOG))
    data[-6] ^= 1  # the check sum of what was packed
    with pytest.raises(LogError, match="which of its rows are sound cannot be told"):
        unpack_members(bytes(data), "x.csv.gz")
