"""How a text table is written, at the limits of what is told from it: counted by hand."""

from __future__ import annotations

import pytest

from trialkit.errors import LogError
from trialkit.logs.text import dialect, line_ends
from trialkit.logs.text.code_pages import _guess_wide, guess_encoding, tell_guess
from trialkit.logs.text.dialect import (
    _refuse_binary,
    _refuse_one_line,
    _usual_width,
    choose_delimiter,
    decode,
    find_dialect,
    is_one_row,
    sample_lines,
    split_line,
)
from trialkit.logs.text.head_lines import find_heads, lines_under
from trialkit.logs.text.line_ends import unify_line_ends

# ------------------------------------------------------------------ bytes


def is_text(data: bytes) -> bool:
    try:
        _refuse_binary(data, "x")
    except LogError as told:
        return "not a text table" not in str(told)
    return True


@pytest.mark.parametrize("code", range(32))
def test_signs_that_stand_in_texts(code: int) -> None:
    """Tabs, line ends, form feeds, ends of files (26), escapes (27) and ends of records (30)."""
    usual = code in (9, 10, 11, 12, 13, 26, 27, 30)
    assert is_text(b"a" * 20 + bytes([code]) * 5) == (usual or code == 0)


@pytest.mark.parametrize(
    ("letters", "odd", "text"),
    [(100, 4, True), (100, 5, False), (980, 20, True), (979, 21, False)],
)
def test_four_odd_signs_or_a_fiftieth_are_borne(letters: int, odd: int, text: bool) -> None:
    assert is_text(b"a" * letters + b"\x01" * odd) == text


@pytest.mark.parametrize(("empty", "text"), [(50, True), (51, False)])
def test_up_to_half_of_the_bytes_may_be_empty(empty: int, text: bool) -> None:
    assert is_text(b"a" * (100 - empty) + b"\x00" * empty) == text


@pytest.mark.parametrize(
    "encoding",
    ["utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "utf-32-le", "utf-32-be"],
)
def test_marks_at_the_beginning_tell_the_encoding(encoding: str) -> None:
    """The byte order marks of Unicode, chapter 23.8, table 23-5."""
    mark = "" if encoding in ("utf-8-sig", "utf-16", "utf-32") else "\ufeff"
    text, found, told = decode((mark + "tempä,rh\n").encode(encoding), "x")
    assert (text.decode(), told) == ("tempä,rh\n", [])
    assert found == encoding.removesuffix("-le").removesuffix("-be")


def test_a_mark_counts_before_what_the_trial_file_says() -> None:
    assert decode("ä\n".encode("utf-8-sig"), "x", "cp1252")[:2] == ("ä\n".encode(), "utf-8-sig")
    assert decode("ä\n".encode("cp1252"), "x", "cp1252")[:2] == ("ä\n".encode(), "cp1252")
    with pytest.raises(LogError, match="correct encoding"):
        decode(b"a\n", "x", "no such")
    with pytest.raises(LogError, match="correct encoding"):
        decode(b"a\n", "x", "base64")


@pytest.mark.parametrize(("data", "wide"), [
    (b"a\x00b\x00", "utf-16-le"), (b"\x00a\x00b", "utf-16-be"), (b"a\x00b", None), (b"abcd", None),
    # three tenths of the bytes at least: 3 of 10, not 2 of 7
    (b"a\x00b\x00c\x00dddd", "utf-16-le"), (b"a\x00b\x00ddd", None),
    # at one place three times as often as at the other: 4 against 1 and not 3 against 1
    (b"a\x00b\x00c\x00d\x00\x00ef", "utf-16-le"), (b"a\x00b\x00c\x00\x00def", None),
    (b"\x00a\x00b\x00c\x00de\x00", "utf-16-be"), (b"\x00a\x00b\x00cd\x00", None),
])  # fmt: skip
def test_two_bytes_a_letter_are_told_by_their_empty_bytes(data: bytes, wide: str | None) -> None:
    assert _guess_wide(data) == wide


@pytest.mark.parametrize(
    ("good", "bad", "utf8"), [(3, 1, True), (2, 1, False), (5, 2, True), (4, 2, False)]
)
def test_a_few_damaged_places_leave_a_text_utf_8(good: int, bad: int, utf8: bool) -> None:
    """Of the signs beyond ASCII, the damaged among them, fewer than a third are damaged."""
    data = b"x " + "°".encode() * good + b" \xb0" * bad
    assert (guess_encoding(data)[0] == "utf-8") == utf8


def test_more_than_four_fifths_of_usual_signs_are_of_the_usual_code_page() -> None:
    """Degree signs are usual, a raised one (¹) is not; of six and of five signs."""
    assert guess_encoding(b"x" + b"\xb0" * 5 + b"\xb9") == ("cp1252", True)
    assert guess_encoding("Größe 20 °C, weiß".encode("cp1252")) == ("cp1252", True)


@pytest.mark.parametrize(
    ("text", "encoding", "severity"),
    [
        ("Wärme", "cp1252", "note"), ("Wärme", "cp850", "caution"),
        ("20 °C µm 5 ª", "cp1252", None),
        ("ää", "cp1252", "caution"), ("aää", "cp1252", "caution"), ("aaä", "cp1252", "note"),
        ("Wþrme", "cp1252", "caution"), ("plain", "cp1252", None),
    ],
)  # fmt: skip
def test_a_guess_is_told_where_letters_came_out_of_it(
    text: str, encoding: str, severity: str | None
) -> None:
    """Of little doubt where fewer than half the letters of each word are beyond ASCII."""
    told = tell_guess(text, encoding, "x")
    assert [f.severity for f in told] == ([severity] if severity else [])


def test_three_words_of_a_guess_are_shown_each_once_and_cut() -> None:
    [told] = tell_guess("ä" * 50 + " bä cä bä dä", "cp1252", "x")
    assert told.values["words"] == [repr("ä" * 40), "'bä'", "'cä'"]


# ------------------------------------------------------------------ ends of lines


@pytest.mark.parametrize("sign", ["\x85", "\u2028", "\u2029", "\x0c", "\x0b", "\x1e"])
def test_other_signs_end_lines_where_they_part_rows(sign: str) -> None:
    text = sign.join(["a,b", "1,2", "3,4"])
    assert unify_line_ends(text.encode()) == b"a,b\n1,2\n3,4"
    assert unify_line_ends((text + sign + "\n").encode()) == b"a,b\n1,2\n3,4\n"
    # as often as line feeds, or between what is no row: a part of notes
    note = f"a,b\n1,x{sign}y\n3,4"
    assert unify_line_ends(note.encode()) == note.encode()
    words = sign.join(["one", "two", "3,4"])
    assert unify_line_ends(words.encode()) == words.encode()


@pytest.mark.parametrize(("rows", "ends"), [(4, True), (3, False)])
def test_four_fifths_of_the_pieces_must_look_like_rows(rows: int, ends: bool) -> None:
    """Of five; without a mark of fields a row is a number, a blank and something more."""
    pieces = ["1,2"] * rows + ["word"] * (5 - rows)
    found = unify_line_ends("\x1e".join(pieces).encode())
    assert (b"\n" in found) == ends
    blanks = ["1 2"] * rows + ["word"] * (5 - rows)
    assert (b"\n" in unify_line_ends("\x1e".join(blanks).encode())) == ends


def test_a_form_feed_at_the_start_of_a_line_is_for_the_printer() -> None:
    assert unify_line_ends(b"\x0ca,b\n\x0c\x0c1,2\n") == b"a,b\n1,2\n"
    assert unify_line_ends(b"a,b\n1,x\x0cy\n") == b"a,b\n1,x\x0cy\n"
    assert unify_line_ends(b"a\r\rb\r\nc") == b"a\n\nb\nc"


def test_the_last_piece_of_a_long_text_may_be_cut_in_the_middle() -> None:
    """What is looked at ends inside a row, before its first comma: two rows and a piece."""
    row = "x" * 30_000 + ",1"
    text = "\x1e".join([row, row, row]).encode()
    assert line_ends._parts_rows(text, b"\x1e")
    short = "\x1e".join(["1,2", "1,2", "word"]).encode()
    assert not line_ends._parts_rows(short, b"\x1e")


# ------------------------------------------------------------------ lines and marks


def test_260_lines_are_looked_at_and_the_last_of_a_cut_text_is_left_out(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert len(sample_lines(b"a\n" * 300)) == 260
    assert sample_lines(b"a  \nb") == ["a", "b"]
    monkeypatch.setattr(dialect, "_SAMPLE", 5)
    assert sample_lines(b"a\nb\nc") == ["a", "b", "c"]
    assert sample_lines(b"a\nb\ncc") == ["a", "b"]
    assert sample_lines(b"abcdefg") == ["abcde"]


@pytest.mark.parametrize(
    ("given", "mark"),
    [("tab", "\t"), ("\\t", "\t"), (";", ";"), ("; ", ";"), ("§", "§")],
)
def test_the_mark_that_is_told(given: str, mark: str) -> None:
    assert choose_delimiter(["a,b"], given, set()) == mark


@pytest.mark.parametrize(
    ("lines", "wanted", "mark"),
    [
        (["a;b", "1;2"], set(), ";"), (["a|b", "1|2"], set(), "|"), (["ab", "12"], set(), ","),
        # as even as a decimal comma
        (["a;b", "1,5;2,5"], set(), ";"), (["1,5;2"] * 24 + ["1,5"], set(), ";"),
        # a mark that parts only some lines, against one that parts them all
        (["1,5;2"] * 8 + ["1,5"] * 2, set(), ","),
        # among equals the one that gives more fields
        (["a;b|c|d", "1;2|3|4"], set(), "|"), (["a|b;c;d", "1|2;3;4"], set(), ";"),
        # named heads count before evenness
        (["x,y,z", "time;temp"], {"time", "temp"}, ";"), (["time"], {"time"}, ";"),
    ],
)  # fmt: skip
def test_the_mark_that_parts_lines_most_evenly(
    lines: list[str], wanted: set[str], mark: str
) -> None:
    assert choose_delimiter(lines, None, wanted) == mark


def test_blank_lines_do_not_count_against_a_mark() -> None:
    assert choose_delimiter(["", "a;b", " ", "1;2"], None, set()) == ";"
    assert choose_delimiter([], None, set()) == ","


def test_heads_are_named_within_the_first_sixty_lines() -> None:
    lines = ["x,y"] * 59 + ["time;temp"]
    assert choose_delimiter(lines, None, {"time", "temp"}) == ";"
    assert choose_delimiter(["x,y", *lines], None, {"time", "temp"}) == ","


def test_two_hundred_lines_are_judged() -> None:
    """Of 200 lines 150 have a comma and 50 a semicolon; the next fifty would turn it."""
    lines = ["1,2"] * 101 + ["1;2"] * 99
    assert choose_delimiter(lines, None, set()) == ";"  # as even to a tenth
    lines = ["1,2"] * 120 + ["1;2"] * 80
    assert choose_delimiter(lines + ["1;2"] * 200, None, set()) == ","


@pytest.mark.parametrize(
    ("line", "cells"),
    [("1,2", ["1", "2"]), ('"1,5",2', ["1,5", "2"]), ('5" bag,2', ['5" bag', "2"]), ("", [""])],
)
def test_fields_of_a_line(line: str, cells: list[str]) -> None:
    assert split_line(line, ",") == cells
    assert split_line('"1,5",2', ",", quoted=False) == ['"1', '5"', "2"]


@pytest.mark.parametrize(
    ("text", "one"),
    [('1,"a\nb",2', True), ('1,5" bag\n2,6" bag', False), ('1,"a\n2,"b', False), ("1,2", True)],
)
def test_lines_that_are_one_row(text: str, one: bool) -> None:
    assert is_one_row(text, ",") == one


@pytest.mark.parametrize(
    ("widths", "fields", "usual"),
    [
        ([3] * 5 + [5] * 2, 5, 3), ([3] * 4 + [5] * 2, 5, 0), ([3] * 5, 5, 0), ([5] * 5, 5, 0),
        ([1] * 5 + [5], 5, 0), ([2] * 3 + [3], 3, 2), ([1] * 3 + [2], 2, 0), ([], 5, 0),
        ([6] * 5 + [5], 5, 0), ([2] * 2 + [3], 3, 0),
    ],
)  # fmt: skip
def test_rows_usually_lack_the_last_columns_where_a_few_have_them(
    widths: list[int], fields: int, usual: int
) -> None:
    """More than twice as many short rows as whole ones, of two fields at least."""
    assert _usual_width([["x"] * width for width in widths], fields) == usual


@pytest.mark.parametrize(
    ("lines", "head", "first", "refused"),
    [
        (["all"], ["time", "2031-01-14 10:00", "20"], 1, True),
        (["all"], ["time", "2031-01-14 10:00"], 1, False), (["all"], ["a", "b", "c"], 1, False),
        (["all", "more"], ["time", "2031-01-14 10:00", "20"], 1, False),
        (["all", " "], ["time", "2031-01-14 10:00", "20"], 1, True), (["all"], [], 1, False),
    ],
)  # fmt: skip
def test_rows_in_the_line_of_the_heads(
    lines: list[str], head: list[str], first: int, refused: bool
) -> None:
    if refused:
        with pytest.raises(LogError, match="one line"):
            _refuse_one_line(lines, head, first, "x")
    else:
        _refuse_one_line(lines, head, first, "x")


def judged(text: str) -> dialect.Dialect:
    return find_dialect(text.encode(), "utf-8", "x")


def test_units_and_zones_beside_the_heads() -> None:
    found = judged("Time zone: UTC+2\ntime,temp\n,°F\n2031-01-14,70\n2031-01-15,71\n")
    assert found.zone_line == "Time zone: UTC+2"
    assert found.units == {"time": "", "temp": "°F"}
    assert (found.head_row, found.first_row) == (2, 4)
    plain = judged("time,temp\n2031-01-14,70\n2031-01-15,71\n")
    assert (plain.zone_line, plain.units, plain.usual) == ("", {}, 0)


@pytest.mark.parametrize("cell", ["21,5 °C", "21,5%", "21,5 F", "88,5 g", "1,5 k"])
def test_units_behind_a_number_do_not_hide_its_sign(cell: str) -> None:
    assert judged(f"a;b\n1;{cell}\n").decimal == ","


def test_sep_is_a_line_of_five_letters() -> None:
    assert judged("sep=;\na;b\n1;2\n").heads == ("a", "b")
    assert judged("sep=;;\na,b\n1,2\n").delimiter == ","


# ------------------------------------------------------------------ heads


def test_heads_with_a_sign_of_a_remark_lose_it_unless_they_are_named() -> None:
    record = ["2031-01-14", "20.5"]
    assert find_heads([(0, ["#time", "t"]), (1, record)], set()).names == ("time", "t")
    assert find_heads([(0, ["# time", "t"]), (1, record)], {"# time", "t"}).names == ("# time", "t")
    assert find_heads([(0, ["#", "t"]), (1, record)], set()).names == ("#", "t")


def test_heads_beyond_the_first_sixty_lines_are_not_looked_for() -> None:
    rows = [(k, ["x", "y"]) for k in range(60)]
    rows += [(60, ["time", "temp"]), (61, ["2031-01-14", "20.5"])]
    assert find_heads(rows, {"time", "temp"}).row != 60
    assert find_heads(rows[1:], {"time", "temp"}).row == 60


def test_the_width_of_a_table_is_that_of_most_rows_with_fields() -> None:
    """Five lines of one word do not outweigh two rows of three fields; of two widths the larger."""
    rows = [(k, ["word"]) for k in range(5)]
    rows += [(5, ["2031-01-14", "1", "2"]), (6, ["2031-01-15", "1", "2"])]
    assert find_heads(rows, set()).width == 3
    even = [(0, ["2031-01-14", "1"]), (1, ["2031-01-15", "1", "2"])]
    assert find_heads(even, set()).width == 3


def test_three_lines_at_most_stand_under_the_heads() -> None:
    units = ["°C", "%"]
    rows = [(0, ["temp", "rh"]), *((k, units) for k in range(1, 6)), (6, ["20.5", "80"])]
    assert lines_under(rows, 0) == [units] * 3
