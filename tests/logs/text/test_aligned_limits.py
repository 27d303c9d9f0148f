"""Tables aligned with blanks: how even they must be, and lines that are rules; by hand."""

from __future__ import annotations

import pytest

from trialkit.logs.text.aligned import (
    _cut,
    _find_columns,
    _holds_several,
    _join_clocks,
    _nearest,
    _stack,
    is_blank_aligned,
    with_tabs,
)


def tabbed(*lines: str) -> list[list[str]] | None:
    made = with_tabs("\n".join(lines).encode(), lines)
    return None if made is None else [line.split("\t") for line in made.decode().split("\n")]


def number(*lines: str) -> int | None:
    found = _find_columns(lines)
    return None if found is None else found.number


@pytest.mark.parametrize(("ragged", "even"), [(1, True), (2, False)])
def test_four_fifths_of_the_lines_have_as_many_fields(ragged: int, even: bool) -> None:
    """Of nine ragged lines with three fields each; 8/9 is more and 7/9 is less."""
    lines = [" " * k + f"{k} 20.5 80" for k in range(9 - ragged)] + ["5 6"] * ragged
    assert (number(*lines) == 3) == even


def test_exactly_four_fifths_are_enough() -> None:
    lines = [" " * k + f"{k} 20.5 80" for k in range(4)]
    assert number(*lines, "5 6") == 3


def test_two_shared_columns_are_enough_where_all_lines_have_two_fields() -> None:
    assert number("1  20.5", "2  20.6") == 2
    # uneven lines need three shared columns
    assert number("1  20.5   80", "2  20.6     ", "3  20.7     ", "4  20.8   81") == 3
    assert number("1  20.5", "2      ", "3      ", "4  20.8") is None


def test_lines_with_gaps_need_as_many_shared_columns_as_the_longest_has_fields() -> None:
    lines = ["1  20.5   80  7", "2  20.6     ", "3  20.7   81  8", "4  20.8     "]
    assert number(*lines) == 4
    broken = [*lines[:3], "4  20.8  8181818"]  # the last two columns run into each other
    assert number(*broken) is None


def test_a_line_alone_has_no_shared_blanks() -> None:
    found = _find_columns(["1  20.5   80"])
    assert found is not None
    assert (found.number, found.spans) == (3, ())


def test_columns_beyond_the_first_two_hundred_lines_do_not_count() -> None:
    """The first 160 of 200 have three fields; one more line would be too many of another kind."""
    lines = [" " * (k % 7) + f"{k} 20.5 80" for k in range(160)]
    lines += [" " * (k % 5) + f"{k} 6" for k in range(40)]
    assert tabbed(*lines, "7 8") is not None
    assert number(*lines, "7 8") is None


@pytest.mark.parametrize(
    ("mixed", "lines", "aligned"), [(5, 9, True), (4, 9, False), (5, 10, True)]
)
def test_half_of_the_lines_with_several_numbers_in_a_field_are_too_many(
    mixed: int, lines: int, aligned: bool
) -> None:
    """By commas ``1 20`` and ``5 80`` are fields of two numbers; all lines have three words."""
    made = ["1 20,5 80"] * mixed + ["2031-01-14 10:00,x y"] * (lines - mixed)
    assert is_blank_aligned(made, ",") == aligned


def test_lines_without_the_other_mark_are_judged_by_their_blanks() -> None:
    """A moment alone in its field does not speak for the other mark where it stands in no line."""
    assert is_blank_aligned(["2031-01-14  10:00", "2031-01-14  10:10"], ";")
    assert is_blank_aligned(["1 20 80", "2 21 81"], ";")
    assert not is_blank_aligned(["14.1.2031 10:00", "14.10.2031 9:10"], ";")


@pytest.mark.parametrize(
    ("cell", "several"),
    [
        ("2031-01-14 2031 2032", True), ("14 Jan 2031 10:00 2031", False), ("1 2", True),
        ("1 -2", False), ("10:00 1999", False), ("10:00 1899", True), ("10:00 2199", False),
        ("10:00 2200", True), ("2031 10:00", False), ("a b", False), ("1 b 2", False),
    ],
)  # fmt: skip
def test_numbers_behind_a_moment_are_several_but_for_its_year(cell: str, several: bool) -> None:
    """A year between 1900 and 2199 may follow the clock, as Unix writes dates."""
    assert _holds_several(cell) == several


@pytest.mark.parametrize(
    ("line", "cut"),
    [
        ("--- - -", ""), ("===", ""), ("-- ---", "-- ---"), ("- - -", "- - -"), ("", ""),
        ("  ", "  "),
        ("|---|--|", ""), ("#  1  2", "#  1  2"), ("  # x", "  # x"),
    ],
)  # fmt: skip
def test_lines_that_are_rules_or_blank_or_remarks(line: str, cut: str) -> None:
    """A rule begins with three signs; dashes one by one may be cells without a value."""
    columns = _find_columns(["1  20.5  80", "2  20.6  81"])
    assert columns is not None
    assert _cut(line, columns) == cut


@pytest.mark.parametrize(("start", "at"), [(11, 1), (12, None), (10, 1)])
def test_a_head_two_places_beside_its_column_is_near(start: int, at: int | None) -> None:
    assert _nearest((start, start + 2, "xx"), [(0, 4), (5, 9)]) == at


def test_one_word_over_the_columns_is_a_title_and_no_head() -> None:
    columns = _find_columns(["1111  20.5  80", "2222  20.6  81"])
    assert columns is not None
    assert _stack(["report"], columns) is None
    assert _stack(["id    temp"], columns) == ["id", "temp", ""]
    assert _stack(["#id   temp  rh"], columns) == ["id", "temp", "rh"]


def test_clocks_are_joined_only_where_the_heads_are_as_many_fewer() -> None:
    data = ["2031-01-14  10:00  20.5", "2031-01-15  10:10  20.6"]
    columns = _find_columns(data)
    assert columns is not None
    joined = {
        heads: sorted(_join_clocks(columns, data, {0: heads.split()}).joined)
        for heads in ("time temp", "date clock temp", "time", "")
    }
    assert joined == {"time temp": [1], "date clock temp": [], "time": [], "": []}


def test_a_clock_is_joined_behind_a_date_alone() -> None:
    data = ["20.5  10:00  2031-01-14", "20.6  10:10  2031-01-15"]
    columns = _find_columns(data)
    assert columns is not None
    assert not _join_clocks(columns, data, {0: ["temp", "time"]}).joined
    two = ["2031-01-14 09:00  10:00", "2031-01-15 09:00  10:10"]
    columns = _find_columns(two)
    assert columns is not None
    assert sorted(_join_clocks(columns, two, {0: ["time", "end"]}).joined) == [1]


def test_heads_above_a_blank_line_belong_to_something_else() -> None:
    found = tabbed("id temp rh", "", "n t h", "", "1  20.5  80", "2  20.6  81")
    assert found is not None
    assert found[:4] == [["id temp rh"], [""], ["n", "t", "h"], [""]]


def test_the_line_of_units_under_the_heads_is_kept_in_its_columns() -> None:
    assert tabbed("id   temp  rh", "no   degC  %", "1    20.5  80", "2    20.6  81") == [
        ["id", "temp", "rh"], ["no", "degC", "%"], ["1", "20.5", "80"], ["2", "20.6", "81"]
    ]  # fmt: skip


def test_heads_that_are_alike_take_the_words_above_them() -> None:
    assert tabbed(
        "      T1  T2",
        "name wet wet",
        "   1  80  81",
        "   2  82  83",
    ) == [[""], ["name", "T1 wet", "T2 wet"], ["1", "80", "81"], ["2", "82", "83"]]
    alone = tabbed("name wet wet", "   1  80  81", "   2  82  83")
    assert alone is not None
    assert alone[0] == ["name", "wet", "wet"]


def test_units_below_stacked_heads_keep_a_line_of_their_own() -> None:
    found = tabbed(
        "      T1  T2",
        "name wet wet",
        "   h   %   %",
        "   1  80  81",
        "   2  82  83",
    )
    assert found is not None
    assert found[1:4] == [["name", "T1 wet", "T2 wet"], ["h", "%", "%"], ["1", "80", "81"]]


def test_only_the_first_sign_of_a_remark_is_taken_off_the_heads() -> None:
    found = tabbed("# id  temp  #3", "1     20.5  80", "2     20.6  81")
    assert found is not None
    assert found[0] == ["id", "temp", "#3"]


def test_heads_that_come_again_have_as_many_words_as_the_columns_that_are_joined() -> None:
    found = tabbed(
        "time              temp",
        "2031-01-14 10:00  20.5",
        "2031-01-14 10:10  20.6",
        "time              temp",
        "2031-01-14 10:20  20.7",
    )
    assert found is not None
    assert found[3:] == [["time", "temp"], ["2031-01-14 10:20", "20.7"]]
