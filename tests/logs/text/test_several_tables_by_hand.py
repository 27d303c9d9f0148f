"""Several tables in one text, fixed widths and blanks: line numbers and findings by hand."""

from __future__ import annotations

from typing import Any

import pytest

from trialkit.logs.text.raw_table import RawTable
from trialkit.logs.text.tables import Told, read_text_tables


def read(text: str, *, cut_short: bool = False, **told: Any) -> list[RawTable]:
    return read_text_tables(
        text.encode(), "utf-8", "a.csv", Told(**told), cut_short=cut_short, pad_short=False
    )


def rows_of(table: RawTable) -> dict[int, tuple[str, ...]]:
    cells = zip(*(column.to_pylist() for column in table.columns.values()), strict=True)
    return dict(zip(table.rows.tolist(), cells, strict=True))


ONE = "time,temp\n2031-01-14,1.5\n"
TWO = "time,humidity\n2031-01-15,80\n"


def test_lines_above_the_first_heads_and_blank_ones_between_are_no_table() -> None:
    first, second = read(f"\n\n{ONE}\n{TWO}")
    assert rows_of(first) == {4: ("2031-01-14", "1.5")}
    assert (first.head_row, second.head_row) == (3, 6)
    assert rows_of(second) == {7: ("2031-01-15", "80")}


def test_only_the_last_table_of_a_file_cut_short_is_cut_short() -> None:
    first, second = read(ONE + TWO + "2031-01-16,8", cut_short=True)
    assert first.broken == []
    assert [(b.row, b.rule) for b in second.broken] == [(5, "cut short")]


def test_the_decimal_sign_of_the_whole_file_counts_where_a_table_tells_none() -> None:
    first, second = read("time;temp\n2031-01-14;1,5\ntime;humidity\n2031-01-15;80\n")
    assert (first.decimal, second.decimal) == (",", ",")
    own, other = read("time;temp\n2031-01-14;1,5\n2031-01-14;1,6\ntime;humidity\n2031-01-15;80.5\n")
    assert (own.decimal, other.decimal) == (",", ".")


def test_the_zone_above_the_first_heads_is_that_of_all_tables() -> None:
    first, second = read(f"Time zone: UTC+2\n{ONE}{TWO}")
    assert first.zone_line == second.zone_line == "Time zone: UTC+2"


def test_tables_with_other_units_stay_apart() -> None:
    text = "time,temp\n,°C\n2031-01-14,1.5\n2031-01-15,1.5\ntime,temp\n,°F\n2031-01-16,35\n"
    found = read(text)
    assert [table.units for table in found] == [
        {"time": "", "temp": "°C"}, {"time": "", "temp": "°F"}
    ]  # fmt: skip
    assert found[1].name == "a.csv[row 5]"


@pytest.mark.parametrize(("times", "shown"), [(6, 6), (7, 6)])
def test_six_lines_of_heads_that_come_again_are_named(times: int, shown: int) -> None:
    [table] = read(ONE * (times + 1))
    [told] = [f for f in table.findings if f.code == "head_again"]
    assert told.values["count"] == times
    assert list(told.values["rows"]) == [3 + 2 * k for k in range(shown)]
    assert len(table.rows) == times + 1


def test_fixed_widths_and_blanks_as_the_trial_file_says() -> None:
    [fixed] = read("time      tmp\n2031-01-141.5\n2031-01-152.5\n", widths=(10, 3))
    assert rows_of(fixed) == {2: ("2031-01-14", "1.5"), 3: ("2031-01-15", "2.5")}
    for word in (" ", "blanks"):
        [blanks] = read("id temp rh\n1 20,5 80\n22 20,6 81\n", delimiter=word)
        assert list(blanks.columns) == ["id", "temp", "rh"]
        assert rows_of(blanks)[2] == ("1", "20,5", "80")
    [commas] = read("id temp,rh x\n1 20,5 80\n22 20,6 81\n", delimiter=",")
    assert list(commas.columns) == ["id temp", "rh x"]
    [alone] = read("id temp rh\n1 20,5 80\n22 20,6 81\n")
    assert list(alone.columns) == ["id", "temp", "rh"]
