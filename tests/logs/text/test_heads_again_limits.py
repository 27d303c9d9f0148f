"""Heads inside a table, and numbers in cells, at their limits; worked out by hand."""

from __future__ import annotations

import math

import numpy as np
import pyarrow as pa
import pytest

from trialkit.logs.text import heads_again
from trialkit.logs.text.heads_again import (
    _begins_otherwise,
    _digit_column,
    _odd_rows,
    find_heads_again,
)
from trialkit.logs.text.numbers import _digits, read_numbers
from trialkit.logs.text.raw_table import Broken, RawTable


def table(*columns: list[str | None], broken: list[int] | None = None, first: int = 2) -> RawTable:
    named = {name: pa.array(cells) for name, cells in zip(("time", "temp", "rh"), columns,
                                                          strict=False)}  # fmt: skip
    told = [Broken(row, "", "", "") for row in broken or []]
    return RawTable("x", named, np.arange(len(columns[0])) + first, told)


def again(text: str, *, wanted: tuple[str, ...] = (), broken: list[int] | None = None) -> list[int]:
    rows = [line.split(",") for line in text.split("\n")[1:]]
    whole = [row for row in rows if len(row) == 2]
    raw = table([r[0] for r in whole], [r[1] for r in whole], broken=broken)
    raw.rows = np.array([k for k, row in enumerate(rows, 2) if len(row) == 2])
    return find_heads_again(raw, text.encode(), ",", wanted)


HEAD, ROW = "time,temp", "2031-01-14,20.5"


def test_the_heads_of_the_table_need_no_record_and_others_do() -> None:
    assert again(f"{HEAD}\n{ROW}\ntemp,time") == [3]
    assert again(f"{HEAD}\n{ROW}\nwhen,humidity") == []
    assert again(f"{HEAD}\n{ROW}\nwhen,humidity\n{ROW}") == [3]
    assert again(f"{HEAD}\n{ROW}\n# when,humidity\n{ROW}") == []  # a remark
    assert again(f"{HEAD}\n{ROW}\n# when,humidity\n{ROW}", wanted=("when", "humidity")) == [3]
    assert again(f"{HEAD}\n{ROW}\n#time,temp\n{ROW}") == [3]


@pytest.mark.parametrize(("between", "found"), [(3, [3]), (4, [])])
def test_a_record_follows_within_four_lines(between: int, found: list[int]) -> None:
    lines = "\n".join([","] * between)
    assert again(f"{HEAD}\n{ROW}\nwhen,humidity\n{lines}\n{ROW}") == found


def test_where_records_are_dated_the_one_that_follows_is() -> None:
    assert again(f"{HEAD}\n{ROW}\nwhen,humidity\n1,20.5") == []
    assert again(f"{HEAD}\n1,20.5\nwhen,humidity\n2,20.5") == [3]


def test_broken_lines_are_looked_at_and_lines_that_are_none_are_not() -> None:
    text = f"{HEAD}\n{ROW}\nwhen,temp,humidity\n2031-01-14,20.5,80"
    assert again(text, broken=[3, 9], wanted=("when", "humidity")) == [3]
    assert again(f"{HEAD}\n{ROW}", broken=[1]) == []


@pytest.mark.parametrize(
    ("cell", "otherwise"),
    [("0", False), ("9x", False), ("/", True), (":", True), ("a", True), ("", True), (None, False),
     ("-5", True), (" 5", True)],
)  # fmt: skip
def test_cells_that_begin_with_a_digit(cell: str | None, otherwise: bool) -> None:
    assert _begins_otherwise(pa.array([cell], pa.string())).tolist() == [otherwise]


@pytest.mark.parametrize(("digits", "second"), [(9, True), (8, False)])
def test_a_column_of_digits_has_them_in_nine_cells_of_ten(digits: int, second: bool) -> None:
    """Signs, blanks and quotation marks before a digit do not count; empty cells neither."""
    words = ["x"] * 12
    figures = [' "-+.5'] * digits + ["x"] * (10 - digits) + ["", ""]
    raw = table(words, figures)
    assert _digit_column(raw) is raw.columns["temp" if second else "time"]
    assert _digit_column(table([])) is None


def test_only_so_many_odd_rows_are_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where too many begin otherwise, signs before the digit are overlooked, then other words."""
    monkeypatch.setattr(heads_again, "_MOST", 2)
    known = {"time"}
    few = table(["1", "x", "2", "time", *["3"] * 20])
    assert _odd_rows(few, known) == [3, 5]
    signs = table(["-1", "-2", "x", "-3", "time", *["3"] * 20])
    assert _odd_rows(signs, known) == [4, 6]
    many = table(["x", "y", "time", "z", *["3"] * 40])
    assert _odd_rows(many, known) == [4]
    assert _odd_rows(table([]), known) == []


# ------------------------------------------------------------------ numbers


@pytest.mark.parametrize(
    ("digits", "decimal", "want"),
    [
        ("1234", None, ("1234", False)), ("1.234,5", None, ("1234.5", False)),
        ("1.234,5", ".", ("1234.5", True)), ("1.234,5", ",", ("1234.5", False)),
        ("1,234.5", ",", ("1234.5", True)), ("12.34,5", ",", (None, False)),
        ("1.234,", ",", (None, False)), ("1,234,567", ",", (None, False)),
        ("1,234,567", ".", ("1234567", False)), ("1,234,56", ".", (None, False)),
        ("1.234", ".", ("1.234", False)), ("1,234", ".", ("1234", False)),
        ("1,234", None, (None, False)), ("1.234", None, ("1.234", False)),
        ("1,23", None, ("1.23", False)), ("1,23", ".", ("1.23", True)),
        ("1.23", ",", ("1.23", True)), ("1 234", None, ("1234", False)),
        ("1 23", None, (None, False)), ("1'234'567.8", ".", ("1234567.8", False)),
        ("1234,567", None, ("1234.567", False)), ("1'234’567", None, (None, False)),
    ],
)  # fmt: skip
def test_digits_and_their_marks(
    digits: str, decimal: str | None, want: tuple[str | None, bool]
) -> None:
    """A mark before three digits parts thousands, before others it is decimal."""
    assert _digits(digits, decimal) == want


def test_numbers_of_typed_columns_and_their_ends() -> None:
    found = read_numbers(pa.array([1.5, None, float("inf"), -3.0]), "°C", unit=None, decimal=None)
    assert found.values[[0, 3]].tolist() == [1.5, -3.0]
    assert np.isnan(found.values[[1, 2]]).all()
    assert (found.unreadable.tolist(), found.cells) == ([2], {2: "inf"})
    whole = read_numbers(pa.array([68, 50]), "°C", unit="degF", decimal=None)
    assert whole.values.tolist() == pytest.approx([20, 10])


def test_text_columns_by_the_quick_way_and_the_careful_one() -> None:
    quick = read_numbers(pa.array([" 68 ", "50"]), "°C", unit="degF", decimal=".")
    assert quick.values.tolist() == pytest.approx([20, 10])
    comma = read_numbers(pa.array(["20,5", " 1.013,5", "x", None, "7"]), "ppm", unit=None,
                         decimal=",")  # fmt: skip
    assert comma.values[[0, 1, 4]].tolist() == [20.5, 1013.5, 7.0]
    assert comma.unreadable.tolist() == [2]
    assert math.isnan(comma.values[3])
    assert comma.with_unit.tolist() == []
    mixed = read_numbers(pa.array(["68 °F", "20", "20 °C", "20,5"]), "°C", unit=None, decimal=".")
    assert mixed.values.tolist() == pytest.approx([20, 20, 20, 20.5])
    assert mixed.with_unit.tolist() == [0, 3]
    assert mixed.cells == {0: "68 °F", 3: "20,5"}


@pytest.mark.parametrize(
    ("cell", "state"),
    [("20 °C", "fine"), ("68 °F", "own unit"), ("20 V", "none"), ("1e400", "none"), ("x", "none"),
     ("n/a", "blank"), ("#N/A", "blank"), ("?", "blank"), ("−3", "fine"), ("- 3", "fine")],
)  # fmt: skip
def test_what_becomes_of_a_cell(cell: str, state: str) -> None:
    found = read_numbers(pa.array([cell, "zzz"]), "°C", unit=None, decimal=".")
    read = not math.isnan(found.values[0])
    assert read == (state in ("fine", "own unit"))
    assert (0 in found.with_unit, 0 in found.unreadable) == (state == "own unit", state == "none")
