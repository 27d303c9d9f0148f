"""Packed files, one in another and one after another, and what a file is by its first bytes."""

from __future__ import annotations

import bz2
import gzip
import hashlib
import io
import lzma
import zipfile
from pathlib import Path
from typing import Any

import pytest

from trialkit.errors import LogError
from trialkit.logs.text import files
from trialkit.logs.text.files import (
    _is_clutter,
    find_files,
    hash_file,
    matches_file,
    packing_of,
    read_once,
    starred_names,
    unpack_members,
)

LOG = b"time,temp_c\n2031-01-14 10:00,20\n"
PACKERS = [gzip.compress, bz2.compress, lzma.compress]


def zipped(contents: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in contents.items():
            archive.writestr(name, data)
    return out.getvalue()


@pytest.mark.parametrize(
    ("raw", "kind"),
    [
        (b"PAR1...", "parquet"), (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1x", "workbook"),
        (b"SQLite format 3\x00x", "sqlite"), (b"SQLite format 3 x", "text"),
        (b'{"a": 1}', "jsonl"), (b'\xef\xbb\xbf \n{"a": 1}', "jsonl"), (b'[{"a": 1}]', "jsonl"),
        (b"[1, 2]", "text"), (b"[section]\n{", "jsonl"), (b"[" + b" " * 62 + b"{", "jsonl"),
        (b"[" + b" " * 63 + b"{", "text"), (b"a{", "text"), (LOG, "text"), (b"", "text"),
        (b" " * 4095 + b"{", "jsonl"), (b" " * 4096 + b"{", "text"),
    ],
)  # fmt: skip
def test_a_file_is_known_by_its_first_bytes(raw: bytes, kind: str) -> None:
    """The first 4096, and of a list the first 64 behind its bracket's place."""
    [member] = unpack_members(raw, "x")
    assert (member.format, member.data) == (kind, raw)
    assert (member.cut_short, member.unpacked) == (False, 0)


@pytest.mark.parametrize(
    ("start", "way"),
    [(b"\x1f\x8b", "gzip"), (b"BZh9", "bzip2"), (b"\xfd7zXZ\x00", "xz"), (b"\x1f", None),
     (b"PK\x03\x04", None), (b"", None)],
)  # fmt: skip
def test_ways_of_packing(start: bytes, way: str | None) -> None:
    assert packing_of(start) == way


@pytest.mark.parametrize("pack", PACKERS)
@pytest.mark.parametrize("piece", [1, 7, 31, 32, 1000])
def test_what_is_packed_comes_back_in_pieces_of_any_size(
    pack: Any, piece: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(files, "_PIECE", piece)
    [member] = unpack_members(pack(LOG), "x.gz")
    assert (member.data, member.cut_short) == (LOG, False)
    [both] = unpack_members(pack(LOG) + pack(b"more\n"), "x.gz")
    assert both.data == LOG + b"more\n"
    [padded] = unpack_members(pack(LOG) + b"\x00" * 20, "x.gz")
    assert (padded.data, padded.cut_short) == (LOG, False)


@pytest.mark.parametrize("pack", PACKERS)
@pytest.mark.parametrize(("most", "sound"), [(len(LOG), True), (len(LOG) - 1, False)])
def test_how_much_a_packed_file_unpacks_to(
    pack: Any, most: int, sound: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(files, "MAX_BYTES", most)
    if sound:
        assert unpack_members(pack(LOG), "x.gz")[0].data == LOG
    else:
        with pytest.raises(LogError, match="unpacks to more"):
            unpack_members(pack(LOG), "x.gz")


@pytest.mark.parametrize("pack", PACKERS)
def test_the_second_of_two_streams_may_be_cut_short(pack: Any) -> None:
    [member] = unpack_members(pack(LOG) + pack(LOG * 100)[:-9], "x.gz")
    assert member.cut_short
    assert member.data.startswith(LOG)


def test_packed_twice_is_unpacked_and_thrice_is_refused() -> None:
    twice = gzip.compress(bz2.compress(LOG))
    assert [m.data for m in unpack_members(twice, "x")] == [LOG]
    with pytest.raises(LogError, match="more than twice"):
        unpack_members(lzma.compress(twice), "x")
    cut = gzip.compress(bz2.compress(LOG * 50)[:-5])
    assert [m.cut_short for m in unpack_members(cut, "x")] == [True]


def test_an_archive_holds_packed_files_and_no_archives() -> None:
    members = unpack_members(zipped({"a.csv.gz": gzip.compress(LOG), "b.csv": LOG}), "x.zip")
    assert [(m.name, m.data) for m in members] == [("x.zip/a.csv.gz", LOG), ("x.zip/b.csv", LOG)]
    inner = zipped({"a.csv": LOG})
    with pytest.raises(LogError, match="archive inside an archive"):
        unpack_members(zipped({"b.zip": inner}), "x.zip")
    with pytest.raises(LogError, match="archive inside an archive"):
        unpack_members(gzip.compress(inner), "x.zip.gz")
    with pytest.raises(LogError, match="archive is empty"):
        unpack_members(zipped({"__MACOSX/a": LOG}), "x.zip")
    with pytest.raises(LogError, match="damaged"):
        unpack_members(b"PK\x03\x04" + b"x" * 30, "x.zip")


@pytest.mark.parametrize(
    ("contents", "kind"),
    [
        ({"[Content_Types].xml": b"x", "xl/workbook.xml": b"yy"}, "workbook"),
        ({"[Content_Types].xml": b"x", "word/document.xml": b"yy"}, "text"),
        ({"xl/workbook.xml": b"yy"}, "text"),
        ({"mimetype": b"application/vnd.oasis.opendocument.spreadsheet", "c.xml": b"y"},
         "workbook"),
        ({"mimetype": b"application/epub+zip", "c.xml": b"y"}, "text"),
    ],
)  # fmt: skip
def test_archives_that_are_workbooks(contents: dict[str, bytes], kind: str) -> None:
    found = unpack_members(zipped(contents), "x")
    assert {m.format for m in found} == {kind}
    if kind == "workbook":
        assert found[0].unpacked == sum(map(len, contents.values()))
        assert found[0].name == "x"


@pytest.mark.parametrize(("most", "sound"), [(2 * len(LOG), True), (2 * len(LOG) - 1, False)])
def test_all_files_of_an_archive_count_together(
    most: int, sound: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(files, "MAX_BYTES", most)
    for names in (("a.csv", "b.csv"), ("[Content_Types].xml", "xl/a.xml")):
        data = zipped(dict.fromkeys(names, LOG))
        if sound:
            assert unpack_members(data, "x")
        else:
            with pytest.raises(LogError, match="unpacks to more"):
                unpack_members(data, "x")


@pytest.mark.parametrize(
    ("name", "clutter"),
    [("a.csv", False), ("__MACOSX/a.csv", True), (".a", True), ("d/.a", True), ("d/~$a.xlsx", True),
     (".d/a.csv", False), ("d\\.a", True), ("a.~$", False)],
)  # fmt: skip
def test_what_other_systems_leave_in_archives(name: str, clutter: bool) -> None:
    assert _is_clutter(name) == clutter


# ------------------------------------------------------------------ finding them


@pytest.mark.parametrize(("count", "more"), [(20, None), (21, 1), (25, 5)])
def test_twenty_missing_names_are_told(count: int, more: int | None, tmp_path: Path) -> None:
    names = [f"m{k:02d}.csv" for k in range(count)]
    with pytest.raises(LogError) as told:
        find_files(tmp_path, names)
    lines = str(told.value).splitlines()
    assert sum("no file fits" in line for line in lines) == 20
    assert [line for line in lines if "more" in line] == ([f"  and {more} more"] if more else [])


def test_a_file_is_hashed_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(LOG)
    assert hash_file(path) == (hashlib.sha256(LOG).hexdigest(), len(LOG))
    assert read_once(path, "a.csv") == (LOG, hashlib.sha256(LOG).hexdigest())
    with pytest.raises(LogError, match="cannot be opened"):
        hash_file(tmp_path / "none")


@pytest.mark.parametrize(("most", "sound"), [(len(LOG), True), (len(LOG) - 1, False)])
def test_how_much_is_read_at_once(
    most: int, sound: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(LOG)
    monkeypatch.setattr(files, "MAX_BYTES", most)
    if sound:
        assert read_once(path, "a")[0] == LOG
    else:
        with pytest.raises(LogError, match="not read into memory at once"):
            read_once(path, "a")


@pytest.mark.parametrize(
    ("file", "pattern", "known", "fits"),
    [
        ("logs/a.csv", "a.csv", (), True), ("logs/a.csv", "logs/a.csv", (), True),
        ("logs/a.csv", "logs/*", (), True), ("logs/a.csv", "?.csv", (), True),
        ("logs/a.csv", "b*", (), False), ("d/b.xlsx[log]", "b.xlsx", (), True),
        ("d/b.xlsx[log]", "d/b.xlsx", (), True), ("d/b.xlsx[log]", "b.xlsx[log]", (), True),
        ("d/b.xlsx[log]", "b.xlsx[other]", (), False), ("a*.csv", "a*.csv", ("a*.csv",), True),
        ("ab.csv", "a*.csv", ("a*.csv",), False), ("ab.csv", "a*.csv", (), True),
        ("a1.csv", "a[1].csv", (), False), ("a[1].csv", "a[1]*", (), True),
    ],
)  # fmt: skip
def test_names_and_patterns_of_files(
    file: str, pattern: str, known: tuple[str, ...], fits: bool
) -> None:
    assert matches_file(file, pattern, known) == fits


def test_names_with_stars_in_them(tmp_path: Path) -> None:
    (tmp_path / "d").mkdir()
    for name in ("a*.csv", "b?.csv", "c.csv"):
        (tmp_path / "d" / name).write_bytes(LOG)
    assert starred_names(tmp_path, ["d/*"]) == {"d/a*.csv", "a*.csv", "d/b?.csv", "b?.csv"}
    assert starred_names(tmp_path, ["none"]) == frozenset()
