"""JSON records and Parquet columns → tables: records inside records, kinds of columns, limits."""

from __future__ import annotations

import datetime as dt
import decimal
import io
import json
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from trialkit.errors import LogError
from trialkit.logs.text import typed_files
from trialkit.logs.text.files import Member
from trialkit.logs.text.raw_table import RawTable
from trialkit.logs.text.typed_files import _flat, _text_lengths, read_other


def read_json(text: str, **given: Any) -> RawTable:
    member = Member("x.jsonl", text.encode(), "jsonl", **given)
    [raw] = read_other(member, decimal=None, expected=())
    return raw


def cells(raw: RawTable) -> dict[str, list[Any]]:
    return {name: column.to_pylist() for name, column in raw.columns.items()}


def packed(columns: dict[str, Any], **given: Any) -> Member:
    out = io.BytesIO()
    pq.write_table(pa.table(columns), out, **given)
    return Member("x.parquet", out.getvalue(), "parquet")


def read_parquet(columns: dict[str, Any]) -> RawTable:
    [raw] = read_other(packed(columns), decimal=None, expected=())
    return raw


# ------------------------------------------------------------------ JSON


def test_what_is_no_number_in_json_is_a_blank_word_and_not_the_end() -> None:
    """Python's writer of JSON writes NaN and Infinity for what has no value."""
    raw = read_json('{"t": NaN, "rh": 80.0}\n{"t": Infinity, "rh": -Infinity}\n')
    assert cells(raw) == {"t": ["nan", "inf"], "rh": ["80", "-inf"]}


def test_a_record_inside_a_record_stands_beside_the_rest() -> None:
    """One level and two by their names with points; what lies deeper stays as it is."""
    assert _flat({"a": 1, "b": {"c": 2, "d": 3}}) == {"a": 1, "b.c": 2, "b.d": 3}
    assert _flat({"a": {"b": {"c": 1}, "d": 2}}) == {"a.d": 2, "a.b.c": 1}
    assert _flat({"a": {"b": {"c": {"d": 1}}}}) == {"a.b.c": {"d": 1}}
    assert _flat({"a": {}, "b": [1]}) == {"a": {}, "b": [1]}


def test_of_two_fields_of_one_name_the_first_is_kept() -> None:
    assert _flat({"a.b": 1, "a": {"b": 2}}) == {"a.b": 1}
    assert _flat({"a": {"b": 2}, "a.b": 1}) == {"a.b": 1}  # written out as such: meant as such


def test_records_are_taken_apart_up_to_so_many_names(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(typed_files, "_MAX_COLUMNS", 2)
    two = {"a": {"b": 1, "c": 2}, "d": {"e": 3}}
    assert _flat(two) == {"a.b": 1, "a.c": 2, "d": {"e": 3}}
    assert _flat({"a": {"b": 1}, "d": {"e": 3}}) == {"a.b": 1, "d.e": 3}


def test_only_the_last_line_of_a_file_cut_short_is_cut_short() -> None:
    text = '{"a": 1}\n{"a": \n{"a": 2}\n{"a"'
    cut = read_json(text, cut_short=True)
    assert [(b.row, b.rule) for b in cut.broken] == [(2, "not a record"), (4, "cut short")]
    whole = read_json(text)
    assert [(b.row, b.rule) for b in whole.broken] == [(2, "not a record"), (4, "not a record")]
    assert cells(whole) == {"a": ["1", "2"]}


def test_text_inside_a_list_may_be_a_record_and_other_things_are_none() -> None:
    listed = read_json(json.dumps(['{"a": 1}', 5, None, [1], "[2]", {"a": 3}]))
    assert listed.rows.tolist() == [1, 6]
    assert [b.row for b in listed.broken] == [2, 3, 4, 5]


@pytest.mark.parametrize(
    ("text", "says"),
    [("[1", "not valid JSON"), ("  [", "not valid JSON"), ("[]", "no JSON records"),
     ("5\n", "no JSON records"), ("[" * 100_000, "not valid JSON"), ("{}", "no JSON records")],
)  # fmt: skip
def test_json_without_a_record_is_refused(text: str, says: str) -> None:
    with pytest.raises(LogError, match=says):
        read_json(text)


def test_a_broken_line_is_shown_by_its_first_two_hundred_letters() -> None:
    raw = read_json('{"a": 1}\n' + "x" * 300)
    assert raw.broken[0].text == "x" * 200


def test_a_decimal_sign_told_is_kept() -> None:
    member = Member("x.jsonl", b'{"a": "1,5"}', "jsonl")
    [raw] = read_other(member, decimal=",", expected=())
    assert raw.decimal == ","


# ------------------------------------------------------------------ Parquet


@pytest.mark.parametrize(
    ("column", "kind", "want"),
    [
        (pa.array([1.5, None], pa.float16()), pa.float64(), [1.5, None]),
        (pa.array([1.5], pa.float32()), pa.float32(), [1.5]),
        (pa.array([7, None], pa.int32()), pa.int32(), [7, None]),
        (pa.array([dt.date(2031, 1, 14)]), pa.date32(), [dt.date(2031, 1, 14)]),
        (pa.array([dt.datetime(2031, 1, 14, 7)], pa.timestamp("ms")), pa.timestamp("ms"),
         [dt.datetime(2031, 1, 14, 7)]),
        (pa.array(["a", None]), pa.string(), ["a", None]),
        (pa.array(["a", None], pa.large_string()), pa.string(), ["a", None]),
        (pa.array([b"T1", None]), pa.string(), ["T1", None]),
        (pa.array([b"T1", None], pa.large_binary()), pa.string(), ["T1", None]),
        (pa.array([True, None]), pa.string(), ["true", None]),
        (pa.array([decimal.Decimal("20.50"), None]), pa.string(), ["20.50", None]),
        (pa.array([[1, 2], None]), pa.string(), ["[1, 2]", None]),
        (pa.array(["T1", None]).dictionary_encode(), pa.string(), ["T1", None]),
    ],
)  # fmt: skip
def test_columns_are_numbers_times_or_text(column: Any, kind: Any, want: list[Any]) -> None:
    raw = read_parquet({"x": column})
    assert raw.columns["x"].type == kind
    assert raw.columns["x"].to_pylist() == want
    assert (raw.rows.tolist(), raw.head_row) == (list(range(1, len(want) + 1)), 0)


@pytest.mark.parametrize("kind", [pa.binary(), pa.large_binary()])
def test_damaged_letters_in_raw_bytes_are_replaced(kind: Any) -> None:
    raw = read_parquet({"x": pa.array([b"T1", None, b"\xff"], kind)})
    assert raw.columns["x"].to_pylist() == ["T1", None, "\ufffd"]


def test_a_table_without_rows_has_its_heads() -> None:
    raw = read_parquet({"x": pa.array([], pa.string()), "y": pa.array([], pa.float64())})
    assert (list(raw.columns), raw.n) == (["x", "y"], 0)


@pytest.mark.parametrize(("columns", "sound"), [(3, True), (4, False)])
def test_how_many_columns_are_read(
    columns: int, sound: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(typed_files, "_MAX_COLUMNS", 3)
    made = packed({f"c{k}": [1.0] for k in range(columns)})
    if sound:
        assert len(read_other(made, decimal=None, expected=())[0].columns) == columns
    else:
        with pytest.raises(LogError, match="more than 3 columns"):
            read_other(made, decimal=None, expected=())


@pytest.mark.parametrize(("most", "sound"), [(5, True), (4, False)])
def test_how_many_rows_are_read(most: int, sound: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(typed_files, "MAX_ROWS", most)
    made = packed({"x": [1.0] * 5})
    if sound:
        assert read_other(made, decimal=None, expected=())[0].n == 5
    else:
        with pytest.raises(LogError, match="more than are read into memory"):
            read_other(made, decimal=None, expected=())


def test_how_large_a_file_may_be_unpacked(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its size as the file itself tells it, of all groups of rows together."""
    made = packed({"x": list(np.arange(40.0))}, row_group_size=10)
    meta = pq.ParquetFile(io.BytesIO(made.data)).metadata
    size = sum(meta.row_group(k).total_byte_size for k in range(4))
    monkeypatch.setattr(typed_files, "MAX_BYTES", size)
    assert read_other(made, decimal=None, expected=())[0].n == 40
    monkeypatch.setattr(typed_files, "MAX_BYTES", size - 1)
    with pytest.raises(LogError, match="more than are read into memory"):
        read_other(made, decimal=None, expected=())


@pytest.mark.parametrize("coded", [False, True])
@pytest.mark.parametrize(("most", "sound"), [(28, True), (27, False)])
def test_text_is_counted_with_four_bytes_for_the_end_of_each(
    coded: bool, most: int, sound: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Four letters twice and two letters twice, each with its end: 2 · (4 + 4) + 2 · (2 + 4).

    Cells without a value and numbers do not count.
    """
    one, two = pa.array(["abcd", "abcd", None]), pa.array(["ab", None, "ab"])
    columns = {"x": one, "y": two, "n": pa.array([1.0, 2.0, 3.0])}
    if coded:
        columns |= {"x": one.dictionary_encode(), "y": two.dictionary_encode()}
    monkeypatch.setattr(typed_files, "_MAX_TEXT", most)
    if sound:
        assert read_other(packed(columns), decimal=None, expected=())[0].n == 3
    else:
        with pytest.raises(LogError, match="unpacks to more than"):
            read_other(packed(columns), decimal=None, expected=())


@pytest.mark.parametrize("data", [b"", b"PAR1", b"PAR1" + b"x" * 40 + b"PAR1"])
def test_what_is_no_parquet_is_refused_with_the_reason(data: bytes) -> None:
    with pytest.raises(LogError, match=r"not a sound Parquet file \(.+\) → write it again"):
        read_other(Member("x.parquet", data, "parquet"), decimal=None, expected=())


def coded(codes: list[int | None], words: list[str | None]) -> Any:
    """Make a coded column without a check of its codes, as a damaged file has it."""
    return pa.DictionaryArray.from_arrays(pa.array(codes, pa.int32()), pa.array(words), safe=False)


@pytest.mark.parametrize(
    ("column", "lengths"),
    [
        (pa.array(["abc", "", None]), [3, 0, 0]),
        (pa.array(["ä"]), [2]),
        (pa.array([1.0, 2.0]), []),
        (coded([1, 0, None, 1], ["abc", "ä"]), [2, 3, 2]),
        (coded([0, 1], [None, "ab"]), [0, 2]),
        (coded([], ["abc"]), []),
        (coded([None], []), []),
    ],
)
def test_text_is_as_long_as_its_bytes(column: Any, lengths: list[int]) -> None:
    """In UTF-8 ä takes two bytes (RFC 3629)."""
    assert _text_lengths(column).tolist() == lengths


@pytest.mark.parametrize("codes", [[-1], [0, 2], [5]])
def test_a_code_without_its_text_is_refused(codes: list[int]) -> None:
    with pytest.raises(ValueError, match="does not hold"):
        _text_lengths(coded(codes, ["a", "b"]))
