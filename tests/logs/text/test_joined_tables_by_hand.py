"""Tables under one another in a file, and moments without a clock: rows counted by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pyarrow as pa
import pytest

from trialkit.logs.dates_alone import _fit, out_of_place, tell_dates_alone
from trialkit.logs.file_zone import _called, _zone_in_line
from trialkit.logs.text.chosen_cells import add_choices
from trialkit.logs.text.tables import Told, read_text_tables
from trialkit.logs.text.times import read_moments

HOUR = 3600 * 10**9


def read(text: str, **told):
    return read_text_tables(
        text.encode(), "utf-8", "a.csv", Told(**told), cut_short=False, pad_short=False
    )


def rows_of(table) -> list[tuple[int, ...]]:
    columns = [column.to_pylist() for column in table.columns.values()]
    return list(zip(table.rows.tolist(), *columns, strict=True))


def test_the_same_heads_again_in_another_order_go_below() -> None:
    """Rows keep their line numbers, cells their heads."""
    [one] = read("time,temp\n2031-01-14,1.5\n2031-01-15,2.5\ntemp,time\n3.5,2031-01-16\n")
    assert list(one.columns) == ["time", "temp"]
    assert rows_of(one) == [(2, "2031-01-14", "1.5"), (3, "2031-01-15", "2.5"),
                            (5, "2031-01-16", "3.5")]  # fmt: skip


def test_other_heads_begin_a_table_of_their_own() -> None:
    """The second table is named by the line of its heads; a broken line keeps its number."""
    first, second = read(
        "time,temp\n2031-01-14,1.5\n2031-01-15,2.5\ntime,humidity\n2031-01-16,80\n2031-01-17,81,9\n"
        "2031-01-18,82\n"
    )
    assert rows_of(first) == [(2, "2031-01-14", "1.5"), (3, "2031-01-15", "2.5")]
    assert list(second.columns) == ["time", "humidity"]
    assert rows_of(second) == [(5, "2031-01-16", "80"), (7, "2031-01-18", "82")]
    assert (second.name, second.head_row) == ("a.csv[row 4]", 4)
    assert [b.row for b in second.broken] == [6]
    [told] = [f for f in first.findings if f.code == "head_again"]
    assert (told.values["count"], list(told.values["rows"])) == (1, [4])


def test_one_column_for_each_word_that_chooses() -> None:
    table = SimpleNamespace(
        columns={
            "Sensor": pa.array(["t-1", " t-2 ", None, "t-1"]),
            "value": pa.array(["20", "21", "22", "23"]),
        }
    )
    add_choices(table, ["value where sensor is t-1", "value where lost is x", "value"])
    added = {name: column.to_pylist() for name, column in list(table.columns.items())[2:]}
    assert list(added.values()) == [["20", "", "", "23"], ["", "21", "", ""]]
    assert list(added) == ["value where sensor is t-1", "value where sensor is t-2"]
    add_choices(table, ["value where sensor is t-1"])
    assert len(table.columns) == 4  # they are there already


# ------------------------------------------------------------------ dates alone


@pytest.mark.parametrize(
    ("wall", "fits"),
    [
        ([22, 24, 26], True), ([24, 24, 26], True), ([26, 24, 22], True),  # newest first
        ([40, 24, 41], False), ([8, 24, 7], False), ([2, 24, 3], False),
    ],
)  # fmt: skip
def test_midnight_belongs_between_the_moments_beside_it(wall: list[int], fits: bool) -> None:
    """The second record is a date alone; where those beside it are both late it is out of place."""
    at = np.array(wall) * HOUR
    assert _fit(at, np.array([1]), np.array([0, 2])).tolist() == [fits]


def test_a_date_alone_at_either_end_fits_near_its_neighbour_only() -> None:
    """Records each hour: up to two hours beyond their end is near."""
    hours = np.arange(1, 11)
    for away, fits in ((1, True), (2, True), (3, False), (100, False)):
        wall = np.append(hours, 10 + away) * HOUR
        assert _fit(wall, np.array([10]), np.arange(10)).tolist() == [fits]
        wall = np.append(1 - away, hours) * HOUR
        assert _fit(wall, np.array([0]), np.arange(1, 11)).tolist() == [fits]
    assert _fit(np.array([0]), np.array([0]), np.array([], int)).tolist() == [False]


def test_series_have_dates_of_their_own() -> None:
    """Two sensors in turn: the midnight of one stands between its own moments alone."""
    cells = ["2031-01-14 23:50", "2031-01-20 10:00", "2031-01-15", "2031-01-15",
             "2031-01-15 00:10", "2031-01-20 10:10"]  # fmt: skip
    moments = read_moments(pa.array(cells))
    groups = np.array([0, 1, 0, 1, 0, 1])
    assert out_of_place(moments, groups).tolist() == [3]
    told = tell_dates_alone("a", moments, np.array([3]))
    assert told is not None
    assert (told.code, told.values["count"]) == ("midnight_alone", 1)
    assert tell_dates_alone("a", moments, np.array([2, 3])) is None
    days = read_moments(pa.array(["2031-01-14", "2031-01-15"]))
    whole = tell_dates_alone("a", days, np.array([], int))
    assert whole is not None
    assert (whole.code, whole.values["count"]) == ("days_alone", 2)


# ------------------------------------------------------------------ zones of a line


@pytest.mark.parametrize(
    ("line", "hours"),
    [
        ("Time zone: GMT+8", 8.0), ("TZ = -03:30", -3.5), ("utc offset;+5", 5.0),
        ('"Zone","-7 h"', -7.0), ("Zone\t+0530", 5.5),
    ],
)  # fmt: skip
def test_an_offset_in_a_line_of_its_own(line: str, hours: float) -> None:
    said = _zone_in_line(line)
    assert said is not None
    assert (said.kind, said.hours) == ("fixed", (hours,))


def test_an_offset_with_a_place_may_change() -> None:
    assert _zone_in_line("Zone: (UTC+01:00) Amsterdam, Berlin") is None
    named = _zone_in_line("Zone: Europe/Vienna")
    assert named is not None
    assert named.kind == "named"


def test_names_of_both_clocks_have_a_short_one() -> None:
    assert _called({"EST": -5.0, "EDT": -4.0}) == {"EST", "EDT", "ET"}
    assert _called({"CET": 1.0, "CEST": 2.0}) == {"CET", "CEST"}
