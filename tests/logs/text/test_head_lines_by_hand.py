"""Lines of heads and units told from records, and heads that come again, line by line by hand."""

from __future__ import annotations

import pytest

from trialkit.logs.text.head_lines import (
    _is_data,
    _likeliest,
    _named,
    find_heads,
    is_unit_line,
    lines_under,
    name_heads,
    names_with_groups,
    units_under,
)
from trialkit.logs.text.heads_again import (
    _cells,
    _is_known,
    _is_words,
    _record_follows,
)

RECORD = ["2031-01-14", "20.5", "80"]


def numbered(*rows: list[str], start: int = 1) -> list[tuple[int, list[str]]]:
    return list(enumerate(rows, start))


# ------------------------------------------------------------------ the first lines


@pytest.mark.parametrize(
    ("row", "dated", "data"),
    [
        (RECORD, True, True), (["20.5", "80"], True, False), (["20.5", "80"], False, True),
        (["1", "a", "b"], False, True), (["1", "a", "b", "c"], False, False),  # a third, a quarter
        (["", "", ""], False, False), (["1", "", ""], False, True), (["a", "b"], False, False),
    ],
)  # fmt: skip
def test_a_record_is_a_third_numbers_or_dates(row: list[str], dated: bool, data: bool) -> None:
    assert _is_data(row, need_date=dated) is data


def test_the_heads_are_the_words_right_above_the_first_record() -> None:
    title, words, units = ["my log", "", ""], ["time", "temp", "rh"], ["", "°C", "%"]
    assert _likeliest(numbered(title, words, RECORD, RECORD), 3) == 1
    assert _likeliest(numbered(title, words, units, RECORD, RECORD), 3) == 1
    assert _likeliest(numbered(RECORD, RECORD), 3) is None
    assert _likeliest(numbered(words), 3) == 0
    assert _likeliest(numbered(["", "", ""], words), 3) == 1
    # a line of another width is none, one field more or fewer may be
    assert _likeliest(numbered(["a"], RECORD, RECORD), 3) is None
    assert _likeliest(numbered(["a", "b"], RECORD, RECORD), 3) == 0
    assert _likeliest(numbered(["a", "b", "c", "d", "e"], RECORD, RECORD), 3) is None
    # where records are dated, a line with a number may be heads: temperatures of sensor 2
    assert _likeliest(numbered(["time", "2", "rh"], RECORD, RECORD), 3) == 0


def test_the_line_with_most_of_the_expected_heads() -> None:
    rows = numbered(["time", "x"], ["time", "temp"], ["temp", "time"])
    assert _named(rows, {"time", "temp"}) == 1  # the first of those with two
    assert _named(rows, {"time", "zzz"}) is None  # one of two is too few
    assert _named(rows, {"x"}) == 0
    assert _named(numbered(["# time", "temp"]), {"time", "temp"}) == 0
    assert _named(rows, set()) is None
    assert _named([], {"time"}) is None


def test_units_under_the_heads() -> None:
    heads, units, made = ["time", "temp", "rh"], ["", "[°C]", "(%)"], ["", "Avg", "Avg"]
    rows = numbered(heads, units, made, RECORD)
    assert lines_under(rows, 0) == [units, made]
    assert units_under([made, units], 3) == ("", "°C", "%")
    assert units_under([units], 4) == ("", "°C", "%", "")
    assert units_under([units], 2) == ("", "°C")
    assert units_under([made], 3) == ()
    assert lines_under(numbered(heads, units), 0) == []  # they may be the only record
    assert lines_under(numbered(heads, ["°C"], RECORD), 0) == []  # two fields fewer
    assert lines_under(numbered(heads, ["°C", "%"], RECORD), 0) == [["°C", "%"]]
    found = find_heads(rows, set())
    assert (found.row, found.first, found.width, found.units) == (1, 4, 3, ("", "°C", "%"))


@pytest.mark.parametrize(
    ("row", "unit"),
    [
        (["°C", "%"], True), (["", "%"], True), (["-", "-"], False), (["", ""], False),
        (["20", "%"], False), (["°C", "%", "lux", "tent"], True),  # one strange word of four
        (["°C", "%", "tent"], False), (["Avg", "Max"], True), (["temp", "rh"], False),
    ],
)  # fmt: skip
def test_a_line_of_units_may_hold_one_strange_word_in_four(row: list[str], unit: bool) -> None:
    assert is_unit_line(row) is unit


def test_groups_above_heads_that_are_alike() -> None:
    heads = ["time", "temp", "rh", "temp", "rh"]
    rows = numbered(["", "T1", "", "T2", ""], heads)
    assert names_with_groups(rows, 1) == ["time", "T1 temp", "T1 rh", "T2 temp", "T2 rh"]
    assert names_with_groups(rows[1:], 0) == heads  # nothing above
    assert names_with_groups([(1, rows[0][1]), (3, heads)], 1) == heads  # not right above
    assert names_with_groups(numbered(["", "T1", "", "", ""], heads), 1) == heads  # one group
    assert names_with_groups(numbered(["a"], heads), 1) == heads
    assert names_with_groups(numbered(["a"] * 6, heads), 1) == heads
    assert names_with_groups(numbered(["a", "b"], ["x", "y"]), 1) == ["x", "y"]  # none alike
    short = names_with_groups(numbered(["", "T1", "", "T2"], heads), 1)
    assert short == ["time", "T1 temp", "T1 rh", "T2 temp", "T2 rh"]


def test_every_column_gets_a_name_of_its_own() -> None:
    assert name_heads(["a", "", "a", "a"], []) == ("a", "column 2", "a (2)", "a (3)")
    assert name_heads(["a", "b"], [["1", "2", ""], ["3", "4", ""]]) == ("a", "b", "column 3")
    assert name_heads(["a", "b"], [["1", "2", "3"], ["3", "4", ""]]) == ("column 1", "a", "b")
    assert name_heads(["a", "b"], [["1"], ["2"], ["1", "2", "3"]]) == ("a", "b")
    assert name_heads(["a"], [["1", "2", "3"]]) == ("a",)  # two more: not one forgotten


# ------------------------------------------------------------------ heads again


@pytest.mark.parametrize(
    ("cells", "like"),
    [
        (["time", "temp"], True), (["time", "x"], False), (["time", "temp", "x", "y"], True),
        (["time", "temp", "x", "y", "z"], False), (["time"], True), (["time", ""], False),
        (["time", "temp", "5"], False), ([], False), (["x"], False), (["time", "temp", "20"], True),
    ],
)  # fmt: skip
def test_known_heads_are_two_at_least_and_half_of_the_words(cells: list[str], like: bool) -> None:
    """A number is none, unless a head is called so (20); one head alone where it is all."""
    assert _is_known(cells, {"time", "temp", "rh", "20"}) is like


@pytest.mark.parametrize(
    ("cells", "like"),
    [
        (["time", "temp", "rh"], True), (["time", "temp", ""], True), (["time", "", ""], False),
        (["time", "temp", "temp"], False), (["time", "temp", "5"], False),
        (["time", "temp", "on"], False), (["time", "temp", "n/a"], False),
        (["time", "a b c d e", "rh"], True), (["time", "a b c d e f", "rh"], False),
        (["time", "--", "rh"], False),
    ],
)  # fmt: skip
def test_unknown_heads_are_different_words_in_nearly_every_field(
    cells: list[str], like: bool
) -> None:
    assert _is_words(cells, 3) is like


def test_a_record_must_follow_heads() -> None:
    """With a date where the table has dates; units and blank lines may stand between."""
    assert _record_follows([b"1,2.5"], ",", dated=False)
    assert not _record_follows([b"1,2.5"], ",", dated=True)
    assert _record_follows([b",", "°C,%".encode(), b"2031-01-14,2.5"], ",", dated=True)
    assert not _record_follows([b"words,more", b"1,2.5"], ",", dated=False)
    assert not _record_follows([b"1,tent"], ",", dated=False)  # one number is no record
    assert not _record_follows([], ",", dated=False)
    assert _record_follows([b"1 2.5"], ",", dated=False)  # parted by blanks instead


def test_cells_of_a_line_that_may_be_heads() -> None:
    assert _cells(b'# time, "temp" ,rh', ",") == ["time", "temp", "rh"]
    assert _cells(b"time temp", ",") == []
    assert _cells(b"time temp", None) == ["time", "temp"]
    assert _cells(b"one", None) == ["one"]
    assert _cells(b"a," + b"x" * 99_998, ",") != []
    assert _cells(b"a," + b"x" * 99_999, ",") == []
