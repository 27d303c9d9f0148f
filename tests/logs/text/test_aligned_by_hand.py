"""Tables aligned with blanks, taken apart by hand: columns, heads over them, clocks joined."""

from __future__ import annotations

import pytest

from trialkit.logs.text.aligned import (
    _cut,
    _find_columns,
    _holds_several,
    _is_data,
    _nearest,
    _place,
    _spans,
    _stack,
    cut_at,
    is_blank_aligned,
    with_tabs,
)


def tabbed(*lines: str) -> list[list[str]] | None:
    """Give the fields of each line; None where the lines are no table."""
    made = with_tabs("\n".join(lines).encode(), lines)
    return None if made is None else [line.split("\t") for line in made.decode().split("\n")]


# ------------------------------------------------------------------ columns


def test_columns_are_parted_by_blanks_that_all_lines_share() -> None:
    lines = ["a1  20.5   80", "b22  1.5  100"]
    assert _spans(lines) == ((0, 3), (4, 8), (10, 13))
    assert _spans(["ab", " cd"]) == ((0, 3),)
    found = _find_columns(lines)
    assert found is not None
    assert (found.number, found.spans) == (3, _spans(lines))


def test_a_field_may_be_empty_where_it_stands_over_its_column() -> None:
    """Three columns: two of four lines have two fields."""
    assert tabbed(
        "id  temp  rh",
        " 1  20.5  80",
        " 2        81",
        " 3  20.7  82",
        " 4  20.8    ",
    ) == [["id", "temp", "rh"], ["1", "20.5", "80"], ["2", "", "81"], ["3", "20.7", "82"],
          ["4", "20.8", ""]]  # fmt: skip


def test_ragged_lines_are_told_by_the_number_of_their_fields() -> None:
    """No blanks are shared; four of five lines have three fields, and that is even enough."""
    lines = ["1 20.5 80", "10 2.5 8", "100 20.55 81", "1000 20.6 82"]
    odd = "5 6"
    assert tabbed(*lines, odd) == [*(line.split() for line in lines), [odd]]
    assert tabbed(*lines[:3], odd) is None  # three of four are not
    assert _find_columns(["1", "2"]) is None


def test_dates_with_a_clock_are_one_column() -> None:
    """One blank parts the two where no place is shared; where two do, they are columns."""
    assert _find_columns(["14.1.2031 10:00", "14.10.2031 9:10"]) is None
    wide = _find_columns(["14.1.2031  10:00", "14.10.2031  9:10"])
    assert wide is not None
    assert wide.number == 2
    two = _find_columns(["2031-01-14  10:00", "2031-01-14  10:10"])
    assert two is not None
    assert two.number == 2
    numbers = _find_columns(["1 20.5", "22 20.6"])
    assert numbers is not None
    assert numbers.number == 2


def test_words_go_into_the_column_they_stand_over() -> None:
    spans = [(0, 3), (5, 8), (10, 12)]
    assert _place([(0, 2, "a"), (5, 7, "b")], spans) == ["a", "b", ""]
    assert _place([(0, 2, "a"), (6, 11, "b")], spans) is None  # over two
    assert _place([(0, 1, "a"), (2, 3, "b")], spans) is None  # two over one
    assert _place([(3, 5, "a"), (10, 12, "b")], spans) is None  # over none
    assert _place([(2, 6, "a"), (6, 7, "b"), (7, 8, "c")], spans) == ["a", "b", "c"]  # as many


@pytest.mark.parametrize(
    ("token", "at"),
    [
        ((0, 3, "x"), 0), ((6, 9, "x"), 1), ((11, 12, "x"), 1), ((12, 13, "x"), None),
        ((2, 7, "x"), 0),
    ],
)  # fmt: skip
def test_a_head_belongs_to_the_column_it_is_nearest_to(token, at: int | None) -> None:
    """Columns of 0 to 4 and of 5 to 9: two places beside one are near, three are not.

    A head of 2 to 7 shares two places with each: the first one counts.
    """
    spans = [(0, 4), (5, 9)]
    assert _nearest(token, spans) == at


# ------------------------------------------------------------------ lines


@pytest.mark.parametrize(
    ("line", "data"),
    [
        ("2031-01-14 20.5", True), ("20.5 80", True), ("20.5", False), ("# 20.5 80", False),
        ("! 1 2", False), ("* 1 2", False), ("temp rh", False), ("1 temp", False),
        ("1 2 a b c d", True),  # two of six, a third of them
        ("1 2 a b c d e", False),
    ],
)  # fmt: skip
def test_which_lines_are_records(line: str, data: bool) -> None:
    assert _is_data(line) is data


def test_rules_and_remarks_and_lines_that_do_not_fit() -> None:
    columns = _find_columns(["1  20.5  80", "2  20.6  81"])
    assert columns is not None
    assert _cut("---  ----  --", columns) == ""
    assert _cut("-----------", columns) == ""
    assert _cut("", columns) == ""
    assert _cut("# 3  a  b", columns) == "# 3  a  b"
    assert _cut("1 2 3 4 5  6  7", columns) == "1 2 3 4 5  6  7"
    assert _cut("  strange words over it  ", columns) == "strange words over it"
    assert _cut("id temp rh", columns) == "id\ttemp\trh"  # heads that come again
    assert _cut("3  20.7  82", columns) == "3\t20.7\t82"


def test_fields_of_fixed_widths() -> None:
    """Eight, five and five places; a shorter line has empty fields, a longer one is left."""
    assert cut_at(b"20310114 -3.2-99.9\n20310115\n", [8, 5, 5]) == (
        b"20310114\t-3.2\t-99.9\n20310115\t\t\n"
    )
    assert cut_at(b"123456789", [4, 4]) == b"123456789"
    assert cut_at(b"12345678 ", [4, 4]) == b"1234\t5678"
    assert cut_at(b"1\t2", [4, 4]) == b"1\t2"


# ------------------------------------------------------------------ heads


def test_heads_in_two_lines_over_their_columns() -> None:
    assert tabbed(
        "report of the tent",
        "",
        "       temp   rh",
        "date   tent tent",
        "=====  ====  ===",
        "01-14  20.5   80",
        "01-15  20.6   81",
    ) == [["report of the tent"], [""], [""], ["date", "temp tent", "rh tent"], [""],
          ["01-14", "20.5", "80"], ["01-15", "20.6", "81"]]  # fmt: skip


def test_at_most_three_lines_are_heads() -> None:
    found = tabbed(
        "a  b", "c  d", "e  f", "g  h", "1  2.5", "3  4.5",
    )  # fmt: skip
    assert found is not None
    assert found[0] == ["a  b"]
    assert found[4:] == [["1", "2.5"], ["3", "4.5"]]


def test_a_date_and_a_clock_under_one_head_are_joined() -> None:
    lines = ["time  temp", "2031-01-14 10:00  20.5", "2031-01-14 10:10  20.6"]
    assert tabbed(*lines) == [["time", "temp"], ["2031-01-14 10:00", "20.5"],
                              ["2031-01-14 10:10", "20.6"]]  # fmt: skip
    apart = ["date clock  temp", *lines[1:]]
    found = tabbed(*apart)
    assert found is not None
    assert found[0] == ["date", "clock", "temp"]
    assert found[1] == ["2031-01-14", "10:00", "20.5"]


def test_a_half_of_the_day_joins_the_clock() -> None:
    """Date, clock and half under one head; or the half alone where date and clock have theirs."""
    lines = ["2031-01-14 10:00 AM  20.5", "2031-01-14 10:10 PM  20.6"]
    whole = tabbed("time  temp", *lines)
    assert whole is not None
    assert whole[1] == ["2031-01-14 10:00 AM", "20.5"]
    half = tabbed("date clock  temp", *lines)
    assert half is not None
    assert half[1] == ["2031-01-14", "10:00 AM", "20.5"]


def test_stacked_heads_need_two_words_that_stand_over_columns() -> None:
    columns = _find_columns(["1111  20.5  80", "2222  20.6  81"])
    assert columns is not None
    assert _stack(["  id  temp  rh"], columns) == ["id", "temp", "rh"]
    assert _stack(["id", "1  far away from all of this words"], columns) is None
    assert _stack(["      air   of", "  id  temp  rh"], columns) == ["id", "air temp", "of rh"]


# ------------------------------------------------------------------ or another delimiter


@pytest.mark.parametrize(
    ("cell", "several"),
    [
        ("20.5 80", True), ("20.5", False), ("20.5 C", False), ("2031-01-14 10:00", False),
        ("14 Jan 2031 10:00", False), ("2031-01-14 10:00 20.5", True), ("1 2 tent", False),
        ("+1 -2", False), ("2031-01-14 20.5", True), ("2031-01-14 2231", True),
        ("2031-01-14 2031", False),
    ],
)  # fmt: skip
def test_a_field_with_several_numbers_holds_several_fields(cell: str, several: bool) -> None:
    assert _holds_several(cell) is several


def test_blanks_part_where_another_mark_leaves_numbers_together() -> None:
    """Decimal commas among blanks: half of the lines or more hold several numbers in a field."""
    assert is_blank_aligned(["1 20,5 80", "2 20,6 81"], ",")
    assert not is_blank_aligned(["1,20.5,80", "2,20.6,81"], ",")
    assert not is_blank_aligned(["words only"], ",")
    assert not is_blank_aligned([], ",")


def test_one_line_alone_needs_three_fields() -> None:
    assert with_tabs(b"1 2", ["1 2"]) is None
    assert tabbed("1 2 3") == [["1", "2", "3"]]
