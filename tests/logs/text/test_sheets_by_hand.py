"""Sheets of a workbook → tables: heads, units, decimal signs and the choice of sheets, by hand.

The grids are given as the reader of workbooks hands them on, so that no workbook is opened.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from trialkit.errors import LogError
from trialkit.logs.text import typed_files
from trialkit.logs.text.files import Member
from trialkit.logs.text.raw_table import RawTable
from trialkit.logs.text.typed_files import _cell_text, _head_line, _sheet_table, read_other

Grid = list[list[Any]]


def table(grid: Grid, *, decimal: str | None = None, expected: tuple[str, ...] = ()) -> RawTable:
    found = _sheet_table("x", grid, decimal, expected)
    assert found is not None
    return found


def rows(raw: RawTable) -> dict[int, tuple[str, ...]]:
    cells = zip(*(c.to_pylist() for c in raw.columns.values()), strict=True)
    return dict(zip(raw.rows.tolist(), cells, strict=True))


def read(
    monkeypatch: pytest.MonkeyPatch,
    sheets: dict[str, Grid],
    *,
    expected: tuple[str, ...] = (),
    chosen: str | None = None,
) -> list[RawTable]:
    monkeypatch.setattr(typed_files, "read_grids", lambda *_, **__: list(sheets.items()))
    member = Member("x.xlsx", b"", "workbook")
    return read_other(member, decimal=None, expected=expected, table=chosen)


LOG = [["time", "t"], ["a", 1.0]]
NOTES = [["note", "by"], ["b", 2.0]]


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (float("nan"), "nan"), (float("inf"), "inf"), (float("-inf"), "-inf"),
        (-9e14, "-900000000000000"), (-1e15, "-1000000000000000.0"), (2.5e15, "2500000000000000.0"),
        (0.5, "0.5"), (-0.25, "-0.25"),
        (dt.timedelta(seconds=-1), "-00:00:01"), (dt.timedelta(days=-1, seconds=60), "-23:59:00"),
        (dt.timedelta(0), "00:00:00"), (dt.timedelta(seconds=3599), "00:59:59"),
        (dt.timedelta(seconds=3661), "01:01:01"), (dt.timedelta(seconds=59.4), "00:00:59"),
        ("a\ud800b", "a?b"), ({"a": 1}, "{'a': 1}"),
    ],
)  # fmt: skip
def test_cells_that_are_no_common_values(value: object, text: str) -> None:
    """No value, no end, spans before nought, and letters that cannot be written."""
    assert _cell_text(value) == text


def test_a_sheet_without_a_filled_cell_is_no_table() -> None:
    assert _sheet_table("x", [], None, ()) is None
    assert _sheet_table("x", [["", ""], [" ", ""]], None, ()) is None


def test_rows_are_numbered_as_the_sheet_shows_them_and_blanks_are_cut_off() -> None:
    raw = table(
        [["by hand", "", ""], [" time ", "t", "rh"], [""] * 3, [" a ", 1.0, 2.0], ["b", "", ""]]
    )
    assert (raw.head_row, list(raw.columns)) == (2, ["time", "t", "rh"])
    assert rows(raw) == {4: ("a", "1", "2"), 5: ("b", "", "")}
    assert raw.units == {}


def test_a_column_without_head_is_kept_where_it_holds_something_and_a_head_without_cells_too() -> (
    None
):
    """Of four columns the second has neither head nor cells."""
    raw = table([["time", "", "", "rh"], ["a", "", 3.0, ""], ["b", "", 4.0, ""]])
    assert list(raw.columns) == ["time", "column 3", "rh"]
    assert rows(raw) == {2: ("a", "3", ""), 3: ("b", "4", "")}


def test_a_line_of_units_under_the_heads_is_no_row() -> None:
    raw = table([["time", "temp", "rh"], ["", "°C", "%"], ["a", 20.0, 80.0], ["b", 21.0, 81.0]])
    assert raw.units == {"temp": "°C", "rh": "%"}
    assert rows(raw) == {3: ("a", "20", "80"), 4: ("b", "21", "81")}


def test_two_lines_of_units_are_no_rows_either() -> None:
    raw = table([["time", "temp"], ["ts", "degC"], ["", "avg"], ["a", 20.0]])
    assert raw.units == {"time": "ts", "temp": "degC"}
    assert rows(raw) == {4: ("a", "20")}


def test_the_group_above_heads_that_are_alike_is_part_of_their_names() -> None:
    grid = [["", "T1", "T2"], ["time", "rh", "rh"], ["a", 80.0, 81.0]]
    assert list(table(grid, expected=("time", "rh")).columns) == ["time", "T1 rh", "T2 rh"]


def test_heads_expected_are_found_whatever_their_case_in_the_first_sixty_lines() -> None:
    """The line of the named heads is longer away than a full line before it."""
    grid: Grid = [["a", "b", "c"]] + [["", "", ""]] * 58 + [["Time", "t", ""], ["x", 1.0, ""]]
    assert table(grid, expected=(" time", "t")).head_row == 60
    assert table([[""] * 3, *grid], expected=("time", "t")).head_row == 2  # now it is line 61


def test_the_line_with_most_of_the_expected_heads_is_taken_and_of_two_the_first() -> None:
    lines = [["time", "", ""], ["time", "rh", "note"], ["rh", "time", "x"]]
    assert _head_line(lines, {"time", "rh"}) == 1
    assert _head_line(lines, {"other"}) == 1  # the first with all cells but one


def test_a_line_one_short_of_the_fullest_is_the_heads_and_two_short_is_not() -> None:
    full = ["1", "2", "3", "4"]
    assert _head_line([["a", "b", "c", ""], full], set()) == 0
    assert _head_line([["a", "b", "", ""], full], set()) == 1
    assert _head_line([["a", ""], ["1", ""]], set()) == 0


def test_true_numbers_are_written_with_the_sign_of_those_typed_as_text() -> None:
    """A comma in typed cells: only true numbers get one; a moment with a point stays."""
    at = dt.datetime(2031, 1, 14, 7, 0, 0, 500000)
    grid: Grid = [["time", "t", "rh"], [at, 20.5, "88,5"], [at, "7.25", "87,5"]]
    raw = table(grid)
    assert raw.decimal == ","
    assert rows(raw)[2] == ("2031-01-14 07:00:00.500000", "20,5", "88,5")
    assert rows(raw)[3][1] == "7.25"


def test_without_typed_numbers_the_sign_is_not_known_and_points_stay() -> None:
    raw = table([["time", "t"], ["a", 20.5]])
    assert raw.decimal is None
    assert rows(raw) == {2: ("a", "20.5")}


@pytest.mark.parametrize(("before", "decimal"), [(499, ","), (500, None)])
def test_the_sign_is_looked_for_in_the_first_five_hundred_rows(
    before: int, decimal: str | None
) -> None:
    grid = [["time", "t"], *[["a", 1.0]] * before, ["b", "88,5"]]
    assert table(grid).decimal == decimal


def test_the_sheet_named_is_read_whatever_its_case(monkeypatch: pytest.MonkeyPatch) -> None:
    sheets = {"Log": LOG, "Notes": NOTES}
    [raw] = read(monkeypatch, sheets, chosen="notes")
    assert (raw.name, list(raw.columns)) == ("x.xlsx", ["note", "by"])
    with pytest.raises(LogError, match=r"no sheet 'lost' → its sheets: 'Log', 'Notes'$"):
        read(monkeypatch, sheets, chosen="lost")


def test_an_error_lists_twelve_sheets_at_most(monkeypatch: pytest.MonkeyPatch) -> None:
    sheets = {f"s{k:02d}": LOG for k in range(1, 15)}
    with pytest.raises(LogError) as told:
        read(monkeypatch, sheets, chosen="lost")
    assert [name in str(told.value) for name in ("s01", "s12", "s13")] == [True, True, False]


def test_one_sheet_that_holds_a_table_goes_by_the_name_of_the_file(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    [raw] = read(monkeypatch, {"empty": [[""]], "Log": LOG})
    assert raw.name == "x.xlsx"
    assert raw.findings == []


def test_sheets_are_left_out_only_where_some_have_the_heads_expected(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    three = {"one": LOG, "two": NOTES, "three": LOG}
    found = read(monkeypatch, three, expected=("Time",))
    assert [raw.name for raw in found] == ["x.xlsx[one]", "x.xlsx[three]"]
    assert [f.values["sheets"] for f in found[0].findings] == [["x.xlsx[two]"]]
    assert found[1].findings == []
    all_fit = read(monkeypatch, {"one": LOG, "two": LOG}, expected=("Time",))
    assert [raw.findings for raw in all_fit] == [[], []]
    none_fits = read(monkeypatch, three, expected=("weight",))
    assert [raw.name for raw in none_fits] == ["x.xlsx[one]", "x.xlsx[two]", "x.xlsx[three]"]
    assert [raw.findings for raw in none_fits] == [[], [], []]
