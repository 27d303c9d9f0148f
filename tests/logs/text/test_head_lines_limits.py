"""Heads told from records where little tells them apart, and heads that are refused; by hand."""

from __future__ import annotations

import pytest

from trialkit.errors import LogError
from trialkit.logs.heads import find_columns
from trialkit.logs.text.head_lines import (
    _likeliest,
    find_heads,
    is_datum,
    is_unit_line,
    names_with_groups,
    units_under,
)
from trialkit.trial.sections import LogSection

DATED, PLAIN = ["2031-01-14", "20.5", "80"], ["x", "20.5", "80"]


def numbered(*rows: list[str]) -> list[tuple[int, list[str]]]:
    return list(enumerate(rows))


@pytest.mark.parametrize(("dated", "plain", "at"), [(5, 3, 0), (2, 1, None), (3, 2, None)])
def test_heads_with_a_number_count_where_more_than_half_of_the_lines_are_dated(
    dated: int, plain: int, at: int | None
) -> None:
    """With the heads themselves 5 of 9 lines, 2 of 4 and 3 of 6 are."""
    heads = ["time", "2", "rh"]
    rows = numbered(heads, *[DATED] * dated, *[PLAIN] * plain)
    assert _likeliest(rows, 3) == at


def test_a_line_of_one_field_is_no_heads_of_a_table_of_two_columns() -> None:
    two = ["2031-01-14", "20.5"]
    assert _likeliest(numbered(["time", "temp"], ["a note"], two, two), 2) == 0
    assert _likeliest(numbered(["n"], ["1"], ["2"]), 1) == 0


def test_a_line_of_numbers_alone_above_dated_records_is_taken_where_no_other_is() -> None:
    assert _likeliest(numbered(["1", "2", "3"], DATED, DATED), 3) == 0
    assert _likeliest(numbered(["", "", ""], DATED, DATED), 3) is None
    assert _likeliest(numbered(["a", "b", "c"], ["1", "2", "3"], DATED, DATED), 3) == 0
    assert _likeliest(numbered(["a", "5", "c"], PLAIN, PLAIN), 3) is None  # a record by itself


def test_units_right_above_the_records_are_no_heads_where_words_stand_above_them() -> None:
    units = ["", "°C", "%"]
    assert _likeliest(numbered(["time", "t", "rh"], units, DATED, DATED), 3) == 0
    assert _likeliest(numbered(units, DATED, DATED), 3) == 0


@pytest.mark.parametrize(
    ("above", "heads", "want"),
    [
        (["T1", "T2"], ["temp", "temp"], ["T1 temp", "T2 temp"]),
        (["T1", ""], ["temp", "temp"], ["temp", "temp"]), (["T1"], ["temp"] * 2, ["temp"] * 2),
        (["T1", "T2", "T3"], ["temp", "temp"], ["temp", "temp"]),
        (["T1", "T1"], ["temp", "temp"], ["temp", "temp"]),  # they stay alike
        (["", "T1", "T2"], ["time", "x", "x"], ["time", "T1 x", "T2 x"]),
        (["T1", "", "T2"], ["x", "", "x"], ["T1 x", "", "T2 x"]),
    ],
)  # fmt: skip
def test_groups_make_heads_that_are_alike_differ(
    above: list[str], heads: list[str], want: list[str]
) -> None:
    assert names_with_groups(numbered(above, heads), 1) == want


@pytest.mark.parametrize(
    ("row", "units"),
    [
        (["°C"] * 7 + ["tent"], True), (["°C"] * 6 + ["tent"] * 2, True),
        (["°C"] * 5 + ["tent"] * 3, False), (["°C"] * 3 + ["5"], False), (["-", "°C"], True),
        (["Avg", "-"], True),
    ],
)  # fmt: skip
def test_one_strange_word_in_four_among_units(row: list[str], units: bool) -> None:
    assert is_unit_line(row) == units


@pytest.mark.parametrize(
    ("cell", "datum"),
    [("20", True), ("20 %", True), ("-3,5", True), ("1e5", True), ("10:00", True),
     ("14.1.31", True),
     ("T1", False), ("", False), ("+10:00", False), ("temp 5", False), ("2031-01-14 x", True)],
)  # fmt: skip
def test_cells_that_are_data(cell: str, datum: bool) -> None:
    assert is_datum(cell) == datum


def test_the_first_line_that_says_a_unit_counts() -> None:
    assert units_under([["Avg", "Avg"], ["°C", "%"]], 2) == ("°C", "%")
    assert units_under([["", "Avg"]], 2) == ()


def test_rows_begin_behind_heads_and_units() -> None:
    rows = [
        (3, ["time", "t"]),
        (5, ["", "°C"]),
        (8, ["2031-01-14", "20"]),
        (9, ["2031-01-15", "21"]),
    ]
    found = find_heads(rows, {"time", "t"})
    assert (found.row, found.first, found.width, found.units) == (3, 6, 2, ("", "°C"))
    bare = find_heads(rows[2:], set())
    assert (bare.row, bare.first, bare.names) == (None, 8, ())


# ------------------------------------------------------------------ heads that are refused


def refused(heads: list[str], kind: str = "environment", **columns: object) -> str:
    with pytest.raises(LogError) as told:
        find_columns(heads, LogSection(files=["a"], columns=columns), kind, file="a.csv")
    return str(told.value)


def test_twelve_heads_of_a_file_are_told() -> None:
    told = refused([f"h{k}" for k in range(13)])
    assert ("'h11'" in told, "'h12'" in told) == (True, False)
    assert "the file has none" in refused([])
    assert "no column 'x' or 'y' for temp_c" in refused(["time"], temp_c=["x", "y"])


@pytest.mark.parametrize(
    ("column", "head", "lamp"),
    [("light_lux", "Light [W/m²]", True), ("ppfd_umol_m2_s", "PAR (W/m²)", True),
     ("light_lux", "Light [mV]", False), ("temp_c", "Temp [watt/m2]", False)],
)  # fmt: skip
def test_light_in_watts_needs_the_lamp(column: str, head: str, lamp: bool) -> None:
    told = refused(["time", head], **{column: head})
    assert ("spectrum" in told) == lamp


@pytest.mark.parametrize("kind", ["environment", "mist", "harvest"])
def test_a_start_or_a_state_of_blocks_is_a_value_of_other_logs(kind: str) -> None:
    for heads in (["start"], ["time", "status"]):
        if (kind, heads[0]) in (("mist", "start"), ("harvest", "time")):
            found = find_columns(heads, LogSection(files=["a"]), kind, file="a.csv")
            assert found.heads
        else:
            refused(heads, kind)
