"""For any bytes at all: a table whose ledger adds up, or a clear `LogError`; nothing else."""

from __future__ import annotations

import gzip
import io
import shutil
import tempfile
import zipfile
from pathlib import Path
from unittest import mock

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.logs.folder import make_trial
from tests.logs.nasty import CASES
from trialkit.errors import LogError
from trialkit.logs.climate.read import read_environment
from trialkit.logs.harvest.read import read_harvest
from trialkit.logs.mist.read import read_mist
from trialkit.logs.text import delimited
from trialkit.logs.text.delimited import _read_fast, _read_mixed, _read_slow
from trialkit.logs.text.dialect import decode, find_dialect

READERS = {"environment": read_environment, "harvest": read_harvest, "mist": read_mist}
COLUMNS = {
    "environment": ("time", "chamber", "temp_c", "rh_pct"),
    "mist": ("time", "chamber", "state"),
    "harvest": ("unit", "flush", "date", "fresh_g", "status"),
}
QUICK = settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
LONG = settings(QUICK, max_examples=120)


def read_bytes(kind: str, data: bytes, file: str, logs: str = "") -> None:
    """Read one file; fail on anything but a sound ledger or a `LogError` with words."""
    folder = Path(tempfile.mkdtemp())
    try:
        section = f'\n[logs.{kind}]\nfiles = ["{file}"]\n{logs}'
        trial = make_trial(folder, {file: data}, section)
        try:
            log = READERS[kind](trial)
        except LogError:
            return
        assert log.ledger.adds_up
        lines = log.ledger.table
        assert (lines["row"] >= 1).all()
        assert set(lines["action"]) <= {"set aside", "changed", "kept by request", "note"}
        assert (lines.loc[lines["action"] == "set aside", "reason"] != "").all()
        if kind != "mist":
            kept = int(log.ledger.summary()["kept"].sum())
            assert len(log.table) <= kept
    finally:
        shutil.rmtree(folder)


cells = st.one_of(
    st.sampled_from(
        ["T1", "t2", "on", "off", "1", "0", "2031-01-14 00:00", "2031-01-14T00:01:00Z",
         "14.01.2031 10:00", "1/2/31", "2031-10-26 02:30", "2031-03-30 02:30", "1970-01-01 00:00",
         "20,5", "20.5", "1,234", "-127", "1e400", "B1-T1-top-1", "=1+1", '"', "NaN", "",
         "9" * 30, "ok", "contaminated", "2", "68 °F", "0.4 kg", "\ufffd", "99999999999"]
    ),
    st.text(max_size=6),
    st.floats(width=32).map(str),
)  # fmt: skip


@st.composite
def tables(draw: st.DrawFn, kind: str) -> bytes:
    """Draw a text that looks more or less like a log."""
    mark = draw(st.sampled_from([",", ";", "\t", "|"]))
    end = draw(st.sampled_from(["\n", "\r\n", "\r"]))
    heads = list(COLUMNS[kind])
    whole = st.lists(cells, min_size=len(heads), max_size=len(heads))
    ragged = st.lists(cells, min_size=0, max_size=len(heads) + 1)
    rows = draw(st.lists(st.one_of(whole, whole, ragged), max_size=12))
    text = end.join(mark.join(row) for row in [heads, *rows])
    encoding = draw(st.sampled_from(["utf-8", "utf-16", "latin-1", "utf-8-sig"]))
    return text.encode(encoding, errors="replace")


@pytest.mark.parametrize("kind", READERS)
@given(data=st.data())
@QUICK
def test_tables_more_or_less_like_a_log(kind: str, data: st.DataObject) -> None:
    read_bytes(kind, data.draw(tables(kind)), "T1.csv")


@pytest.mark.slow
@pytest.mark.parametrize("kind", READERS)
@given(data=st.data())
@LONG
def test_many_tables_more_or_less_like_a_log(kind: str, data: st.DataObject) -> None:
    read_bytes(kind, data.draw(tables(kind)), "T1.csv")


@pytest.mark.parametrize("kind", READERS)
@given(data=st.binary(max_size=400))
@QUICK
def test_any_bytes(kind: str, data: bytes) -> None:
    read_bytes(kind, data, "T1.csv")


SEEDS = [next(iter(c.files.values())) for c in CASES if c.files and len(c.files) == 1]
SEEDS = [s for s in SEEDS if len(s) < 20_000]


@st.composite
def damaged(draw: st.DrawFn) -> bytes:
    """Draw a sound or nasty file with a few bytes changed, cut off somewhere."""
    data = bytearray(draw(st.sampled_from(SEEDS)))
    for place, piece in draw(
        st.lists(st.tuples(st.floats(0, 1), st.binary(min_size=0, max_size=3)), max_size=4)
    ):
        at = int(place * len(data))
        data[at : at + len(piece)] = piece
    return bytes(data[: int(draw(st.floats(0.2, 1)) * len(data))])


@given(data=damaged(), kind=st.sampled_from(list(READERS)))
@settings(QUICK, max_examples=40)
def test_sound_and_nasty_files_damaged_at_random(data: bytes, kind: str) -> None:
    read_bytes(kind, data, "T1.dat")


@pytest.mark.slow
@given(data=damaged(), kind=st.sampled_from(list(READERS)))
@settings(LONG, max_examples=800)
def test_many_files_damaged_at_random(data: bytes, kind: str) -> None:
    read_bytes(kind, data, "T1.dat")


@given(text=tables("environment"), wrap=st.sampled_from(["gzip", "zip"]), cut=st.floats(0.5, 1))
@QUICK
def test_packed_files_cut_anywhere(text: bytes, wrap: str, cut: float) -> None:
    if wrap == "gzip":
        data = gzip.compress(text)
    else:
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w") as archive:
            archive.writestr("T1.csv", text)
        data = out.getvalue()
    read_bytes("environment", data[: int(cut * len(data))], "T1.packed")


columns = st.one_of(
    st.lists(st.one_of(st.none(), st.floats()), min_size=4, max_size=4),
    st.lists(st.one_of(st.none(), st.integers(-(2**62), 2**62)), min_size=4, max_size=4),
    st.lists(st.one_of(st.none(), st.booleans()), min_size=4, max_size=4),
    st.lists(st.one_of(st.none(), st.text(max_size=8)), min_size=4, max_size=4),
    st.lists(st.one_of(st.none(), st.datetimes()), min_size=4, max_size=4),
    st.lists(st.one_of(st.none(), st.dates()), min_size=4, max_size=4),
    st.lists(st.lists(st.integers(0, 9), max_size=2), min_size=4, max_size=4),
)


@pytest.mark.parametrize("kind", READERS)
@given(data=st.data())
@QUICK
def test_parquet_of_any_types(kind: str, data: st.DataObject) -> None:
    table = {name: data.draw(columns) for name in COLUMNS[kind]}
    out = io.BytesIO()
    pq.write_table(pa.table({k: pa.array(v) for k, v in table.items()}), out)
    read_bytes(kind, out.getvalue(), "T1.parquet")


@given(text=tables("environment"))
@settings(QUICK, max_examples=150)
def test_the_fast_way_gives_the_same_as_the_tolerant_one(text: bytes) -> None:
    """Where the fast way is taken, it agrees with the tolerant way in every cell and line."""
    try:
        plain, encoding, _ = decode(text, "x")
    except LogError:
        return
    dialect = find_dialect(plain, encoding, "x", expected=COLUMNS["environment"])
    body = plain.split(b"\n", dialect.first_row - 1)[-1] if dialect.first_row > 1 else plain
    slow = _read_slow(body, dialect, "x", pad_short=False)
    fast = _read_fast(body, dialect, "x")
    if fast is not None:
        assert not slow.broken
    with mock.patch.object(delimited, "_WORTH_SPLITTING", 0):
        mixed = _read_mixed(body, dialect, "x", pad_short=False)
    for quick in (fast, mixed):
        if quick is not None:
            assert quick.rows.tolist() == slow.rows.tolist()
            assert [b.row for b in quick.broken] == [b.row for b in slow.broken]
            for head, column in quick.columns.items():
                assert column.to_pylist() == slow.columns[head].to_pylist()


def test_a_line_without_end_does_not_take_all_memory_or_time() -> None:
    """Ten million quotation marks, and one row a million fields wide."""
    read_bytes("environment", b'time,temp_c\n"' + b'"' * 10_000_001, "T1.csv")
    read_bytes("environment", b"time,temp_c\n2031-01-14," + b"1," * 1_000_000, "T1.csv")
    read_bytes("environment", b"time,temp_c\n" + b"2031-01-14,1\n\n" * 50_000, "T1.csv")
