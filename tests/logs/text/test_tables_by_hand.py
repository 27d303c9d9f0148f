"""Text tables taken apart: every row, its number and what is wrong with it, written out here."""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.errors import LogError
from trialkit.logs.text.delimited import (
    _arrow_columns,
    _quotes_are_plain,
    _read_fast,
    _read_mixed,
    _read_slow,
    _skip_lines,
    read_text_table,
)
from trialkit.logs.text.dialect import (
    Dialect,
    decode,
    find_dialect,
    judge_decimal,
    name_heads,
)
from trialkit.logs.text.files import Member
from trialkit.logs.text.raw_table import RawTable
from trialkit.logs.text.typed_files import read_other


def dialect(
    heads: str = "a,b,c", *, mark: str = ",", first_row: int = 2, decimal: str | None = None
) -> Dialect:
    names = tuple(heads.split(","))
    return Dialect("utf-8", mark, names, first_row - 1, first_row, len(names), decimal)


def rows_of(raw: RawTable) -> dict[int, tuple[str, ...]]:
    """Give line number → cells."""
    cells = zip(*(column.to_pylist() for column in raw.columns.values()), strict=True)
    return dict(zip(raw.rows.tolist(), cells, strict=True))


def broken_of(raw: RawTable) -> list[tuple[int, str, str]]:
    return sorted((one.row, one.rule, one.text) for one in raw.broken)


def read(text: str, *, heads: str = "a,b,c", first_row: int = 2, **given: bool) -> RawTable:
    return read_text_table(text.encode(), dialect(heads, first_row=first_row), "x.csv", **given)


# ------------------------------------------------------------------ rows


def test_rows_have_the_numbers_of_their_lines() -> None:
    raw = read("a,b,c\n1,2,3\n\n4,5,6\n , ,\n7,8,9")
    assert rows_of(raw) == {2: ("1", "2", "3"), 4: ("4", "5", "6"), 6: ("7", "8", "9")}
    assert (raw.broken, raw.n, raw.head_row) == ([], 3, 1)
    lower = read("Logger\nNo. 7\na,b,c\n1,2,3\n", first_row=4)
    assert rows_of(lower) == {4: ("1", "2", "3")}
    assert rows_of(read("a,b,c\n")) == {}
    assert rows_of(read("a,b,c", first_row=2)) == {}


def test_short_and_long_rows() -> None:
    text = "a,b,c\n1,2\n1,2,3,4\n1,2,3,\n1,2,3, ,x\n5\n"
    raw = read(text)
    assert rows_of(raw) == {4: ("1", "2", "3")}  # what is beyond is blank
    assert broken_of(raw) == [
        (2, "wrong number of columns", "1,2"), (3, "wrong number of columns", "1,2,3,4"),
        (5, "wrong number of columns", "1,2,3, ,x"), (6, "wrong number of columns", "5"),
    ]  # fmt: skip
    found = {one.row: dict(one.reason.values) for one in raw.broken}  # type: ignore[union-attr]
    assert found[2] == {"count": 2, "fields": 3}
    assert found[5] == {"count": 5, "fields": 3}
    padded = read(text, pad_short=True)
    assert rows_of(padded) == {2: ("1", "2", ""), 4: ("1", "2", "3")}
    assert [row for row, _, _ in broken_of(padded)] == [3, 5, 6]  # one field alone is no row


def test_a_line_cut_short_is_not_trusted() -> None:
    raw = read("a,b,c\n1,2,3\n4,5,6", cut_short=True)
    assert rows_of(raw) == {2: ("1", "2", "3")}
    assert broken_of(raw) == [(3, "cut short", "4,5,6")]
    whole = read("a,b,c\n1,2,3\n4,5,6\n", cut_short=True)
    assert rows_of(whole) == {2: ("1", "2", "3"), 3: ("4", "5", "6")}
    blank = read("a,b,c\n1,2,3\n  ", cut_short=True)
    assert (list(rows_of(blank)), blank.broken) == ([2], [])
    assert rows_of(read("a,b,c\n1,2,3\n4,5,6")) == {2: ("1", "2", "3"), 3: ("4", "5", "6")}
    long = read("a,b,c\n" + "x" * 300, cut_short=True)
    assert broken_of(long) == [(2, "cut short", "x" * 200)]


def test_quotation_marks() -> None:
    raw = read('a,b,c\n"1,5","two ""2""",3\n4,"over\ntwo lines",6\n11,12,13\n')
    assert rows_of(raw) == {
        2: ("1,5", 'two "2"', "3"), 3: ("4", "over\ntwo lines", "6"), 5: ("11", "12", "13")
    }  # fmt: skip
    assert raw.broken == []


def test_a_mark_that_is_part_of_a_note_is_no_quotation() -> None:
    raw = read('a,b,c\n7,5" bag,9\n11,12,13\n')
    assert rows_of(raw) == {2: ("7", '5" bag', "9"), 3: ("11", "12", "13")}
    raw = read('a,b,c\n7,"never\n11,12,13\n')
    assert rows_of(raw) == {3: ("11", "12", "13")}
    assert broken_of(raw) == [(2, "open quotation mark", '7,"never')]


@pytest.mark.parametrize(("lines", "joined"), [(24, True), (26, False)])
def test_a_quoted_cell_may_run_over_25_lines(lines: int, joined: bool) -> None:
    inside = "\n".join(f"line {k}" for k in range(lines + 1))
    raw = read(f'a,b,c\n1,"{inside}",3\n4,5,6\n')
    found = rows_of(raw)
    assert found[lines + 3] == ("4", "5", "6")
    assert (found.get(2) == ("1", inside, "3")) == joined


def large(n: int = 900) -> tuple[str, dict[int, tuple[str, ...]], list[tuple[int, str, str]]]:
    """Make a table of some ten thousand bytes with all that can go wrong, and its answer."""
    lines, want, wrong = ["a,b,c"], {}, []
    for k in range(n):
        row = len(lines) + 1
        if k % 197 == 5:
            lines += [f'{k},"in two', f'lines {k}",z']
            want[row] = (str(k), f"in two\nlines {k}", "z")
        elif k % 197 == 20:
            lines.append(f'{k},"one, two",z')
            want[row] = (str(k), "one, two", "z")
        elif k % 197 == 40:
            lines.append(f"{k},short")
            wrong.append((row, "wrong number of columns", f"{k},short"))
        elif k % 197 == 60:
            lines.append("")
        elif k % 197 == 80:
            lines.append(" ,,")
        else:
            lines.append(f"{k},b of {k},c{k % 7}")
            want[row] = (str(k), f"b of {k}", f"c{k % 7}")
    return "\n".join(lines) + "\n", want, wrong


def test_two_lines_with_a_stray_mark_are_two_rows() -> None:
    """A mark for inches, or one opened and never closed, takes no other row with it."""
    inches = read('a,b,c\n1,5" bag,3\n4,6" bag,6\n7,8,9\n')
    assert rows_of(inches) == {2: ("1", '5" bag', "3"), 3: ("4", '6" bag', "6"), 4: ("7", "8", "9")}
    opened = read('a,b,c\n1,"wet,3\n4,"dry,6\n7,"in two\nlines",9\n')
    assert rows_of(opened) == {
        2: ("1", "wet", "3"), 3: ("4", "dry", "6"), 4: ("7", "in two\nlines", "9"),
    }  # fmt: skip
    assert inches.broken == opened.broken == []


@pytest.mark.parametrize("last", ["\n", ""])
def test_a_large_table_with_odd_lines_is_read_row_by_row_as_a_small_one(last: str) -> None:
    text, want, wrong = large()
    assert len(text) > 10_000
    raw = read(text.removesuffix("\n") + last)
    assert rows_of(raw) == want
    assert broken_of(raw) == wrong
    assert (np.diff(raw.rows) > 0).all()


def test_the_ways_of_reading_agree() -> None:
    """A regular table by the fast way, one with odd lines by the mixed, both by the slow one."""
    regular = "\n".join(f"{k},x,{k % 3}" for k in range(2000)) + "\n"
    fast = _read_fast(regular.encode(), dialect(), "x")
    slow = _read_slow(regular.encode(), dialect(), "x", pad_short=False)
    assert fast is not None
    assert rows_of(fast) == rows_of(slow)
    assert list(rows_of(fast)) == list(range(2, 2002))
    body = large()[0].partition("\n")[2].encode()
    mixed = _read_mixed(body, dialect(), "x", pad_short=True)
    slow = _read_slow(body, dialect(), "x", pad_short=True)
    assert mixed is not None
    assert rows_of(mixed) == rows_of(slow)
    assert broken_of(mixed) == broken_of(slow) == []
    quoted = "\n".join(f'"{k}","x, y",{k % 3}' for k in range(50)) + "\n"
    fast = _read_fast(quoted.encode(), dialect(), "x")
    assert fast is not None
    assert rows_of(fast)[5] == ("3", "x, y", "0")


@pytest.mark.parametrize(
    ("body", "sure"),
    [
        ("1,2,3\n4,5,6\n", True), ("1,2,3\n4,5,6", True), ("1,2,3\n\n4,5,6\n", False),
        ("\n1,2,3\n", False), ("  \n", False), ("", False), ('1,"2",3\n', True),
        ('1,2" x,3\n', False), ('1,"2\n3",4\n', False), ("1,2\n3,4,5\n", False),
    ],
)  # fmt: skip
def test_the_fast_way_is_taken_only_where_nothing_can_go_wrong(body: str, sure: bool) -> None:
    assert (_read_fast(body.encode(), dialect(), "x") is not None) == sure


@pytest.mark.parametrize(
    ("body", "plain"),
    [('"1",2,"3"\n', True), ('1,"2,5",3\n', True), ('"1"\n"2"\n', True), ('1,a"b"c,3\n', False),
     ('1,"a""b",3\n', False), ('"1\n2",3\n', False)],
)  # fmt: skip
def test_quotation_marks_around_whole_fields_are_plain(body: str, plain: bool) -> None:
    assert _quotes_are_plain(body.encode(), ",") == plain


def test_lines_are_skipped_by_number() -> None:
    text = b"one\ntwo\nthree"
    assert [_skip_lines(text, k) for k in range(4)] == [text, b"two\nthree", b"three", b""]
    assert _arrow_columns(b"1,2\n", dialect(), quoted=False) is None


# ------------------------------------------------------------------ how a table is written


def judged(text: str, **given: str) -> Dialect:
    return find_dialect(text.encode(), "utf-8", "x.csv", **given)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "mark", "heads", "head_row", "first_row"),
    [
        ("time,t,rh\n2031-01-14,20,80\n", ",", ("time", "t", "rh"), 1, 2),
        ("Zeit;T;F\n14.01.2031;20,5;80,1\n15.01.2031;20,6;80,2\n", ";", ("Zeit", "T", "F"), 1, 2),
        ("sep=|\ntime|t\n2031-01-14|20\n", "|", ("time", "t"), 2, 3),
        ("SEP=;\ntime;t\n2031-01-14;20\n", ";", ("time", "t"), 2, 3),
        ("Logger 7\nserial: 1, 2\n\ntime\tt\n2031-01-14\t20\n2031-01-15\t21\n", "\t",
         ("time", "t"), 4, 5),
        ("2031-01-14,20,80\n2031-01-15,21,81\n", ",", ("column 1", "column 2", "column 3"), 0, 1),
        ("\n\n2031-01-14,20\n2031-01-15,21\n", ",", ("column 1", "column 2"), 0, 3),
        ("n\n1\n2\n", ",", ("n",), 1, 2),
        ("time,t,\n2031-01-14,20,\n2031-01-15,21,\n", ",", ("time", "t", "column 3"), 1, 2),
    ],
)  # fmt: skip
def test_delimiter_heads_and_first_row(
    text: str, mark: str, heads: tuple[str, ...], head_row: int, first_row: int
) -> None:
    found = judged(text)
    assert (found.delimiter, found.heads) == (mark, heads)
    assert (found.head_row, found.first_row) == (head_row, first_row)
    assert found.fields == len(heads)


def test_what_the_trial_file_says_is_believed() -> None:
    text = "model,x,1\ntime;t,rh;co2\n2031;20,5;600\n2031;20,6;601\n"
    found = find_dialect(text.encode(), "utf-8", "x", expected=("co2", "time"))
    assert (found.delimiter, found.heads, found.head_row) == (";", ("time", "t,rh", "co2"), 2)
    assert judged(text, delimiter=",").delimiter == ","
    assert judged("a\tb\n1\t2\n", delimiter="tab").heads == ("a", "b")
    assert judged("a;b\n1;2,5\n", decimal=".").decimal == "."
    assert judged("a;b\n1;2,5\n").decimal == ","
    assert judged("a;b\n1;2500\n").decimal is None


def test_a_preamble_as_wide_as_the_table_is_passed_by_where_a_head_is_known() -> None:
    text = "Model,X,7,2\nSerial,Y,8,3\nwhen,t,rh,co2\n2031-01-14,20,80,600\n"
    assert find_dialect(text.encode(), "utf-8", "x", expected=("when", "t")).head_row == 3
    one = find_dialect(text.encode(), "utf-8", "x", expected=("rh",))
    assert one.head_row == 3


@pytest.mark.parametrize(
    ("cells", "sign"),
    [
        ("21,5", ","), ("21.5", "."), ("1,234", None), ("1.234", None), ("1.234,5", ","),
        ("1,234.5", "."), ("-3,25", ","), ("+.5", "."), ("1,2,3", None), ("12:30", None),
        ("1.234,5x", None), ("21,5 21.5 21.5", "."), ("21,5 20,5 21.5", ","), ("", None),
        ("1,23", ","), ("1234,567", ","), ("a.b", None), ("1.234.567,8", ","),
    ],
)  # fmt: skip
def test_decimal_signs_are_told_by_cells_that_can_be_read_one_way(
    cells: str, sign: str | None
) -> None:
    assert judge_decimal(cells.split()) == sign


def test_heads_get_names_of_their_own() -> None:
    assert name_heads(["t", " t ", "", "t"], []) == ("t", "t (2)", "column 3", "t (3)")
    rows = [["1", "2", "3"]] * 3
    assert name_heads(["a", "b"], rows) == ("column 1", "a", "b")  # an index without a head
    assert name_heads(["a", "b"], [["1", "2", ""]] * 3) == ("a", "b", "column 3")
    assert name_heads(["a", "b"], [*[["1", "2"]] * 3, *rows[:2]]) == ("a", "b")
    assert name_heads(["\ufeffa"], []) == ("a",)


@pytest.mark.parametrize("bad", [2, 3])
def test_up_to_a_fiftieth_of_a_text_may_be_damaged(bad: int) -> None:
    """A hundred signs of UTF-16, two or three of them halves that belong to nothing."""
    text = "\ufeff" + "x" * (100 - bad) + "\n"
    data = text.encode("utf-16-le") + b"\x00\xd8" * bad
    if bad == 2:
        decoded, encoding, found = decode(data, "x.csv")
        assert (encoding, [f.code for f in found]) == ("utf-16", ["damaged_text"])
        assert dict(found[0].values)["count"] == bad
        assert decoded.startswith(b"xxx")
    else:
        with pytest.raises(LogError, match="cannot be decoded"):
            decode(data, "x.csv")


def test_one_damaged_place_beside_three_sound_ones_leaves_a_text_utf_8() -> None:
    """A degree sign is C2 B0 in UTF-8; a lone B0 is none."""
    text, encoding, found = decode(b"x" * 200 + b"\xc2\xb0" * 3 + b" \xb0\n", "x.csv")
    assert (encoding, [f.code for f in found]) == ("utf-8", ["damaged_text"])
    assert dict(found[0].values)["count"] == 1
    assert text.decode().endswith("°°° \ufffd\n")


@pytest.mark.parametrize(
    ("heads", "cells", "code_page"),
    [
        ("время;камера;температура;влажность",
         "Камера один;20,5;88\nзаметка: вода закончилась, насос стоит", "cp1251"),
        ("время;камера;температура;влажность",
         "Камера один;20,5;88\nзаметка: вода закончилась, насос стоит", "koi8_r"),
        ("czas;komora;temperatura;wilgotność",
         "K1;20,5;88;żółta gąbka, źle działa światło ścięte", "cp1250"),
    ],
)  # fmt: skip
def test_words_of_other_alphabets_come_back_from_their_code_pages(
    heads: str, cells: str, code_page: str
) -> None:
    """Heads and notes in words enough to tell; a few signs alone cannot."""
    whole = heads + "\n" + "".join(f"2031-01-14 0{i}:00;{cells}\n" for i in range(9))
    text, encoding, found = decode(whole.encode(code_page), "x.csv")
    assert (text.decode(), encoding) == (whole, code_page)
    assert [(f.code, f.severity) for f in found] == [("encoding_guessed", "caution")]
    assert decode(whole.encode(code_page), "x.csv", code_page)[2] == []  # stated, nothing to tell


def test_a_damaged_file_is_refused_with_what_its_reader_says() -> None:
    """Parquet files begin and end with the four bytes PAR1 (its format specification)."""
    member = Member("x.parquet", b"PAR1" + b"\x00" * 40, "parquet")
    with pytest.raises(LogError, match=r"x\.parquet: is not a sound Parquet file \(.*footer"):
        read_other(member, decimal=None, expected=())


def test_line_ends_and_empty_bytes() -> None:
    assert decode(b"a\r\nb\rc\n", "x")[0] == b"a\nb\nc\n"
    text, _, found = decode(b"abcdefgh\x00\n", "x")
    assert text == "abcdefgh\ufffd\n".encode()
    assert [f.code for f in found] == ["empty_bytes"]
    for nothing in (b"", b" \n\t\r\n\x1a", b"\x00\x00"):
        with pytest.raises(LogError, match="is empty"):
            decode(nothing, "x")
