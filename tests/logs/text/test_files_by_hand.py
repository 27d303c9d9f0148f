"""What files may unpack to, and cells of workbooks and JSON as text: limits and forms by hand."""

from __future__ import annotations

import datetime as dt
import io
import json
import zipfile
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from tests.logs import binary_files
from trialkit.errors import LogError
from trialkit.logs.text import typed_files
from trialkit.logs.text.databases import _choose
from trialkit.logs.text.files import Member, _guard, find_files, open_members
from trialkit.logs.text.raw_table import RawTable
from trialkit.logs.text.typed_files import _cell_text, _head_line, read_other

MIB = 1024**2


@pytest.mark.parametrize(
    ("total", "packed", "sound"),
    [
        (64 * MIB, 1, True),  # small enough whatever it was packed to
        (65 * MIB, 1, False),
        (200 * MIB, MIB, True),  # two hundred times
        (201 * MIB, MIB, False),
        (1024 * MIB, 512 * MIB, True),
        (1024 * MIB + 1, 512 * MIB, False),
    ],
)
def test_how_much_a_file_may_unpack_to(total: int, packed: int, sound: bool) -> None:
    if sound:
        _guard(total, packed, "x.gz")
    else:
        with pytest.raises(LogError, match="unpacks to more"):
            _guard(total, packed, "x.gz")


def zipped(names: list[str]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name in names:
            archive.writestr(name, "a,b\n1,2\n")
    return out.getvalue()


@pytest.mark.parametrize(("count", "sound"), [(1000, True), (1001, False)])
def test_an_archive_holds_a_thousand_files_at_most(count: int, sound: bool, tmp_path: Path) -> None:
    path = tmp_path / "a.zip"
    path.write_bytes(zipped([f"{k}.csv" for k in range(count)]))
    if sound:
        assert len(open_members(path, "a.zip")) == count
    else:
        with pytest.raises(LogError, match="holds 1001 files"):
            open_members(path, "a.zip")


def test_clutter_of_other_systems_is_no_log(tmp_path: Path) -> None:
    path = tmp_path / "a.zip"
    names = ["T1.csv", "__MACOSX/T1.csv", "x/.hidden", "~$T1.xlsx", "deep/T2.csv", "empty/"]
    path.write_bytes(zipped(names))
    found = open_members(path, "a.zip")
    assert [m.name for m in found] == ["a.zip/T1.csv", "a.zip/deep/T2.csv"]
    assert {(m.format, m.cut_short) for m in found} == {("text", False)}


def test_files_are_found_once_and_in_order(tmp_path: Path) -> None:
    for name in ("b.csv", "a.csv", "sub/c.csv"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text("x")
    found = [name for _, name in find_files(tmp_path, ["b.csv", "*.csv", "**/*.csv"])]
    assert found == ["b.csv", "a.csv", "sub/c.csv"]
    with pytest.raises(LogError, match=r"'n\*\.csv'(.|\n)*'m\.csv'"):
        find_files(tmp_path, ["n*.csv", "a.csv", "m.csv"])


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, ""), (True, "true"), (False, "false"), (3.0, "3"), (3.25, "3.25"), (-2.0, "-2"),
        (1e15, "1000000000000000.0"), (9e14, "900000000000000"), (7, "7"), ("a", "a"),
        (dt.datetime(2031, 1, 14, 7, 8, 9), "2031-01-14 07:08:09"),
        (dt.date(2031, 1, 14), "2031-01-14"), (dt.time(7, 8), "07:08:00"),
        (dt.timedelta(hours=26, minutes=3, seconds=4.6), "26:03:05"),
    ],
)  # fmt: skip
def test_cells_are_written_so_that_they_read_back(value: object, text: str) -> None:
    assert _cell_text(value) == text


def rows(raw: RawTable) -> dict[int, tuple[str, ...]]:
    cells = zip(*(c.to_pylist() for c in raw.columns.values()), strict=True)
    return dict(zip(raw.rows.tolist(), cells, strict=True))


def test_records_of_json_have_the_number_of_their_line() -> None:
    lines = ['{"a": 1, "b": "x"}', "", "[1]", '{"b": null, "c": true}', '{"a": 2', ""]
    member = Member("x.jsonl", "\n".join(lines).encode(), "jsonl", cut_short=True)
    [raw] = read_other(member, decimal=None, expected=())
    assert list(raw.columns) == ["a", "b", "c"]
    assert rows(raw) == {1: ("1", "x", ""), 4: ("", "", "true")}
    assert [(b.row, b.rule, b.text) for b in raw.broken] == [
        (3, "not a record", "[1]"), (5, "cut short", '{"a": 2')
    ]  # fmt: skip
    assert (raw.decimal, raw.head_row) == (".", 0)
    listed = Member("x.json", json.dumps([{"a": 1}, 5, {"a": 2.5}]).encode(), "jsonl")
    [raw] = read_other(listed, decimal=None, expected=())
    assert rows(raw) == {1: ("1",), 3: ("2.5",)}
    many = Member("x.json", json.dumps([{f"k{i}": 1 for i in range(2001)}]).encode(), "jsonl")
    with pytest.raises(LogError, match="more than 2000"):
        read_other(many, decimal=None, expected=())
    fits = Member("x.json", json.dumps([{f"k{i}": 1 for i in range(2000)}]).encode(), "jsonl")
    assert len(read_other(fits, decimal=None, expected=())[0].columns) == 2000


def test_heads_that_differ_in_blanks_alone_are_columns_of_their_own() -> None:
    """In JSON, Parquet and databases as in text; made by hand."""
    heads = ["a", " a", "a ", ""]
    want = {"a": ["1"], "a (2)": ["2"], "a (3)": ["3"], "column 4": ["4"]}
    values = dict(zip(heads, "1234", strict=True))
    files = {
        "jsonl": json.dumps(values).encode(),
        "parquet": binary_files.parquet({head: [cell] for head, cell in values.items()}),
        "sqlite": binary_files.database(
            "CREATE TABLE log (a TEXT, ' a' TEXT, 'a ' TEXT, '' TEXT)",
            rows={"log": [tuple("1234")]},
        ),
    }
    for kind, data in files.items():
        [raw] = read_other(Member("x", data, kind), decimal=None, expected=())
        assert {head: cells.to_pylist() for head, cells in raw.columns.items()} == want, kind


def workbook(**sheets: list[list[object]]) -> Member:
    return Member("x.xlsx", binary_files.workbook(sheets), "workbook")


def test_a_sheet_has_its_rows_by_number_and_its_numbers_by_their_sign() -> None:
    """Typed numbers among words with a comma are written with one too: 20.5 as 20,5."""
    lines = [["a title"], [], ["time", "t", None, "rh"], ["x", 20.5, None, "88,5"], [],
             ["y", 21, None, "87,5"]]  # fmt: skip
    [raw] = read_other(workbook(log=lines), decimal=None, expected=())
    assert (raw.name, raw.head_row, raw.decimal) == ("x.xlsx", 3, ",")
    assert list(raw.columns) == ["time", "t", "rh"]  # a column without head and cells is none
    assert rows(raw) == {4: ("x", "20,5", "88,5"), 6: ("y", "21", "87,5")}
    [point] = read_other(workbook(log=lines), decimal=".", expected=())
    assert rows(point)[4] == ("x", "20.5", "88,5")


def test_of_several_sheets_those_with_the_named_heads_are_read() -> None:
    one, two = [["a", "b"], [1, 2]], [["Time", "t"], ["x", 3]]
    found = read_other(workbook(first=one, second=two), decimal=None, expected=["time"])
    assert [raw.name for raw in found] == ["x.xlsx[second]"]
    assert [f.code for f in found[0].findings] == ["sheet_left"]
    assert found[0].findings[0].values["sheets"] == ["x.xlsx[first]"]
    both = read_other(workbook(first=one, second=two), decimal=None, expected=["weight"])
    assert [raw.name for raw in both] == ["x.xlsx[first]", "x.xlsx[second]"]
    with pytest.raises(LogError, match="no sheet holds a table"):
        read_other(workbook(empty=[]), decimal=None, expected=())


def test_the_line_of_the_heads_is_the_first_nearly_full_one() -> None:
    lines = [["title", "", ""], ["", "", ""], ["a", "b", ""], ["1", "2", "3"]]
    assert _head_line(lines, set()) == 2  # two of three are enough
    assert _head_line(lines, {"2", "3"}) == 3
    assert _head_line(lines, {"zzz"}) == 2
    assert _head_line([["", ""]], set()) is None
    assert _head_line([["only"]], set()) == 0


def test_which_table_of_a_database_holds_the_log() -> None:
    """The one named, else the only one, else the one with most of the wanted columns."""
    tables = {"Log": ["time", "x"], "users": ["id", "name"]}
    assert _choose(tables, "LOG", "d", set()) == "Log"
    assert _choose(tables, None, "d", {"time"}) == "Log"
    assert _choose(tables, None, "d", {"time", "id", "name"}) == "users"
    assert _choose({"only": ["a"]}, None, "d", {"time"}) == "only"
    for wanted in (set(), {"time", "id"}, {"weight"}):
        with pytest.raises(LogError, match=r"which table holds the log.*one of: Log .time, x"):
            _choose(tables, None, "d", wanted)
    with pytest.raises(LogError, match=r"has no table 'lost' .* Log .time, x.; users"):
        _choose(tables, "lost", "d", set())
    with pytest.raises(LogError, match="holds no table"):
        _choose({}, None, "d", set())


@pytest.mark.parametrize(("count", "size", "sound"), [(20, 5, True), (10, 6, True), (11, 6, False)])
def test_long_texts_of_a_packed_table_are_counted_beyond_the_short(
    count: int, size: int, sound: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Here five letters are short and ten beyond them may stand in all cells together."""
    monkeypatch.setattr(typed_files, "_SHORT", 5)
    monkeypatch.setattr(typed_files, "_MAX_LONG_TEXT", 10)
    made = io.BytesIO()
    pq.write_table(pa.table({"note": ["x" * size] * count}), made)
    member = Member("x.parquet", made.getvalue(), "parquet")
    if sound:
        assert len(read_other(member, decimal=None, expected=())[0].rows) == count
    else:
        with pytest.raises(LogError, match="more than"):
            read_other(member, decimal=None, expected=())
