"""Text tables at their limits: odd lines, other marks, open quotation marks; counted by hand."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest

from trialkit.logs.text.delimited import (
    _odd_lines,
    _other_mark,
    _quotes_are_plain,
    _read_fast,
    _read_mixed,
    _without_blank_rows,
    read_text_table,
)
from trialkit.logs.text.dialect import Dialect
from trialkit.logs.text.raw_table import RawTable


def dialect(fields: int = 3, *, mark: str = ",", first_row: int = 2, usual: int = 0) -> Dialect:
    names = tuple("abcdef"[:fields])
    return Dialect("utf-8", mark, names, first_row - 1, first_row, fields, None, usual)


def rows_of(raw: RawTable) -> dict[int, tuple[str, ...]]:
    cells = zip(*(column.to_pylist() for column in raw.columns.values()), strict=True)
    return dict(zip(raw.rows.tolist(), cells, strict=True))


def read(text: str, form: Dialect | None = None, **given: bool) -> RawTable:
    return read_text_table(text.encode(), form or dialect(), "x", **given)


def rules(raw: RawTable) -> list[tuple[int, str]]:
    return sorted((one.row, one.rule) for one in raw.broken)


# ------------------------------------------------------------------ odd lines among regular ones


def body(lines: int, odd: int, size: int | None = None) -> bytes:
    """Make lines of ten bytes, the first of them with a field too few."""
    made = ["12345,678"] * odd + ["12,34,567"] * (lines - odd)
    text = "\n".join(made) + "\n"
    return (text if size is None else text[: size - 1] + "\n").encode()


@pytest.mark.parametrize(("odd", "taken"), [(0, False), (1, True), (300, True), (301, False)])
def test_up_to_three_tenths_of_the_lines_may_be_odd(odd: int, taken: bool) -> None:
    """Of a thousand lines of ten bytes; without an odd one there is nothing to part."""
    found = _read_mixed(body(1000, odd), dialect(), "x", pad_short=False)
    assert (found is not None) == taken
    if found is not None:
        assert found.rows.tolist() == list(range(2 + odd, 1002))
        assert [one.row for one in found.broken] == list(range(2, 2 + odd))


@pytest.mark.parametrize(("size", "taken"), [(10_000, True), (9_999, False)])
def test_ten_thousand_bytes_are_worth_parting(size: int, taken: bool) -> None:
    text = body(1001, 1)[:size]
    assert (_read_mixed(text, dialect(), "x", pad_short=False) is not None) == taken


def test_tables_of_one_column_or_a_mark_of_several_bytes_are_read_line_by_line() -> None:
    text = body(1000, 1)
    assert _read_mixed(text, dialect(1), "x", pad_short=False) is None
    assert _read_fast(b"1\n2\n", dialect(1), "x") is None
    assert rows_of(read("a\n1\n2\n", dialect(1))) == {2: ("1",), 3: ("2",)}
    section = dialect(2, mark="§")
    assert _read_fast("1§2\n".encode(), section, "x") is None
    assert _read_mixed("1§2\n".encode() * 5000 + b"1\n", section, "x", pad_short=False) is None
    assert rows_of(read("a§b\n1§2\n", section)) == {2: ("1", "2")}
    assert _read_fast(b"1,2\n", dialect(2), "x") is not None


def test_lines_behind_an_open_mark_are_odd_for_25_lines() -> None:
    """Line 3 opens a mark: with it and 25 lines after it, 26 lines are odd."""
    lines = ["1,2,3"] * 40
    lines[3] = '1,"2,3'
    starts, ends, odd = _odd_lines(("\n".join(lines) + "\n").encode(), dialect())
    assert np.flatnonzero(odd).tolist() == list(range(3, 29))
    assert (starts[0], ends[0], starts[1], len(starts)) == (0, 5, 6, 40)
    closed = lines.copy()
    closed[3] = '1,"2",3'
    _, ends, odd = _odd_lines("\n".join(closed).encode(), dialect())
    assert np.flatnonzero(odd).tolist() == [3]
    assert ends[-1] == len("\n".join(closed))


def test_odd_lines_are_those_with_another_number_of_marks() -> None:
    _, _, odd = _odd_lines(b"1,2,3\n1,2\n1,2,3,4\n\n1,2,3", dialect())
    assert odd.tolist() == [False, True, True, True, False]


# ------------------------------------------------------------------ rows


def test_rows_as_wide_as_usual_lack_the_last_columns_and_others_are_broken() -> None:
    """Five heads, rows of three as a rule: two or four fields are too few or too many."""
    form = dialect(5, usual=3)
    raw = read("h\n1,2,3\n1,2\n1,2,3,4\n1,2,3,4,5\n", form)
    assert rows_of(raw) == {2: ("1", "2", "3", "", ""), 5: ("1", "2", "3", "4", "5")}
    assert [row for row, _ in rules(raw)] == [3, 4]


def test_in_a_sheet_typed_by_hand_two_fields_are_enough() -> None:
    raw = read("h\n1,2,3,4\n1,2\n1\n1,2,3,4,\n1,2,3,4,5\n", dialect(4), pad_short=True)
    assert rows_of(raw) == {
        2: ("1", "2", "3", "4"), 3: ("1", "2", "", ""), 5: ("1", "2", "3", "4")
    }  # fmt: skip
    assert [row for row, _ in rules(raw)] == [4, 6]


@pytest.mark.parametrize("sign", ["#", "//", "!", "%", "*", ";", "'"])
def test_remarks_are_told_as_such(sign: str) -> None:
    raw = read(f"h\n1,2,3\n  {sign} a remark\n4,5,6\n")
    assert rules(raw) == [(3, "comment line")]
    assert rows_of(read(f"h\n{sign}1,2,3\n")) == {2: (f"{sign}1", "2", "3")}  # as wide as a row


def test_what_is_shown_of_a_line_ends_after_two_hundred_letters() -> None:
    raw = read(f"h\n1,2,3\n{'x' * 300}\n")
    assert raw.broken[0].text == "x" * 200
    opened = read('h\n1,2,3\n"' + "x" * 300 + "\n")
    assert opened.broken[0].text == '"' + "x" * 199
    other = read("h\n1,2,3\n" + "x" * 300 + ";;\n")
    assert other.broken[0].text == "x" * 200


@pytest.mark.parametrize(
    ("line", "mark", "fields", "short", "other"),
    [
        ("1;2;3", ",", 3, False, ";"), ("1\t2\t3", ",", 3, False, "\t"),
        ("1|2|3", ";", 3, False, "|"), ("1,2,3", ";", 3, False, ","), ("1;2", ",", 3, False, ""),
        ("1;2;3;4", ",", 3, False, ""), ("1;2;3", ",", 5, True, ";"), ("1;2", ",", 5, True, ""),
        ("1;2;3", ",", 5, False, ""), ("1;2;3;4;5", ",", 5, True, ";"),
        # a decimal comma may split it once, not twice
        ("1;2;3,5", ",", 3, False, ";"), ("1;2,5;3,5", ",", 3, False, ""),
        ("# 1;2;3", ",", 3, False, ""), ("1;2,5;3;4;5", ",", 5, True, ";"),
        ("1;2,5;3", ",", 5, True, ""),
    ],
)  # fmt: skip
def test_a_row_parted_by_another_mark(
    line: str, mark: str, fields: int, short: bool, other: str
) -> None:
    found = len(line.split(mark))
    assert _other_mark(line, mark, found, fields, pad_short=short) == other


def test_a_row_as_wide_as_the_heads_has_no_other_mark() -> None:
    assert _other_mark("1;2", ",", 1, 1, pad_short=False) == ""
    assert _other_mark("1,2;3", ",", 2, 2, pad_short=False) == ""


def test_rows_in_which_all_fields_are_blank_are_spacing() -> None:
    def table(*columns: list[str]) -> RawTable:
        named = {f"c{k}": pa.array(cells) for k, cells in enumerate(columns)}
        return RawTable("x", named, np.arange(len(columns[0])) + 5)

    some = _without_blank_rows(table(["a", " ", ""], ["b", "", "c"]))
    assert rows_of(some) == {5: ("a", "b"), 7: ("", "c")}
    none = _without_blank_rows(table(["a", " "], ["b", "x"]))
    assert none.rows.tolist() == [5, 6]
    assert _without_blank_rows(table([" ", "a"])).rows.tolist() == [6]


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        ('"1","2"\n"3","4"\n', True), ('1,"2"\n3,"4"', True), ('"a\n', False), ('a"b,c\n', False),
        ('"1" ,2\n', False), ('""\n', True), ('1,""\n', True), ('"1","2\n"3",4"\n', False),
    ],
)  # fmt: skip
def test_marks_around_whole_fields(text: str, plain: bool) -> None:
    assert _quotes_are_plain(text.encode(), ",") == plain


def test_a_file_cut_short_inside_its_first_line_holds_nothing() -> None:
    raw = read("h\n1,2", cut_short=True)
    assert (raw.n, rules(raw)) == (0, [(2, "cut short")])
    assert read("h\n", cut_short=True).n == 0
