"""Moments in several columns: what each column is, and what is no moment; worked out by hand."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

import pyarrow as pa
import pytest

from trialkit.logs.text.time_parts import (
    _head_role,
    _part,
    find_clock,
    find_time_parts,
    read_parts,
)
from trialkit.logs.text.times import Moments

EPOCH = dt.datetime(1970, 1, 1)


def parts(columns: dict[str, Sequence[Any]] | list[tuple[str, Sequence[Any]]]) -> Moments | None:
    pairs = list(columns.items()) if isinstance(columns, dict) else columns
    return read_parts([head for head, _ in pairs], [pa.array(cells) for _, cells in pairs])


def read(columns: dict[str, Sequence[Any]] | list[tuple[str, Sequence[Any]]]) -> list[str | None]:
    found = parts(columns)
    assert found is not None
    at = [EPOCH + dt.timedelta(microseconds=int(w) // 1000) for w in found.wall]
    assert not any(w for w, ok in zip(found.wall, found.ok, strict=True) if not ok)
    return [t.isoformat() if ok else None for t, ok in zip(at, found.ok, strict=True)]


# ------------------------------------------------------------------ what a head says


@pytest.mark.parametrize(
    ("head", "role"),
    [
        ("Year", "year"), ("YYYY", "year"), ("Jahr", "year"), ("año", "year"), ("année", "year"),
        ("Monat", "month"), ("Mo", "month"), ("Mês", None), ("mes", "month"), ("Day", "day"),
        ("Tag", "day"), ("giorno", "day"), ("DOY", "day of year"), ("Day of Year", "day of year"),
        ("day_of_year", "day of year"), ("Day (of this year)", "day of year"),
        ("Julian", "day of year"), ("HH", "hour"), ("Hour [h]", "hour"), ("time_h", "hour"),
        ("Stunde", "hour"), ("MN", "minute"), ("Minute", "minute"), ("Sekunde", "second"),
        ("hhmm", "clock"), ("time_hhmm", "clock"), ("HRMN", "clock"), ("temp", None), ("mm", None),
        ("", None), ("dayly", None), ("date year month", "year"),
    ],
)  # fmt: skip
def test_heads_of_parts(head: str, role: str | None) -> None:
    assert _head_role(head) == role


def test_parts_by_their_heads_in_any_order() -> None:
    found = {"Minute": [5, 6], "Day": [14, 15], "Year": [2031, 2032], "Second": [7, 59],
             "Month": [1, 2], "Hour": [0, 23]}  # fmt: skip
    assert read(found) == ["2031-01-14T00:05:07", "2032-02-15T23:06:59"]


def test_mm_is_a_month_before_the_hour_and_a_minute_after_it() -> None:
    assert read([("yyyy", [2031]), ("mm", [1]), ("dd", [14]), ("hh", [7]), ("mm", [45])]) == [
        "2031-01-14T07:45:00"
    ]
    assert read([("mm", [45]), ("yyyy", [2031]), ("month", [1]), ("dd", [14]), ("hh", [7])]) == [
        "2031-01-14T07:45:00"
    ]
    assert read([("yyyy", [2031]), ("MM ", [12]), ("dd", [14])]) == ["2031-12-14T00:00:00"]


def test_cells_of_text_are_numbers_too() -> None:
    assert read({"Year": ["2031 ", None], "Month": [" 1", "2"], "Day": ["14", "15"]}) == [
        "2031-01-14T00:00:00", None
    ]  # fmt: skip
    assert read({"Year": ["2031"], "DOY": ["14,5"]}) == ["2031-01-14T12:00:00"]


@pytest.mark.parametrize(
    ("year", "want"),
    [(31, "2031-01-14T00:00:00"), (0, "2000-01-14T00:00:00"), (99, "2099-01-14T00:00:00"),
     (100, None), (1900, "1900-01-14T00:00:00"), (1899, None), (-1, None)],
)  # fmt: skip
def test_years_of_two_figures(year: int, want: str | None) -> None:
    assert read({"Year": [year], "Month": [1], "Day": [14]}) == [want]


@pytest.mark.parametrize(
    ("day", "want"),
    [(1, "2031-01-01T00:00:00"), (365, "2031-12-31T00:00:00"), (366, None), (0, None),
     (14.25, "2031-01-14T06:00:00"), (14.0, "2031-01-14T00:00:00"),
     (14.291667, "2031-01-14T07:00:00"), (None, None)],
)  # fmt: skip
def test_a_day_of_the_year_with_its_part(day: float | None, want: str | None) -> None:
    """A part of a day is rounded to the second: 0.291667 · 86 400 s is 25 200.03 s."""
    assert read({"Year": [2031, 2031], "DOY": [day, 2]})[0] == want


def test_a_part_of_the_day_does_not_count_beside_an_hour() -> None:
    assert read({"Year": [2031], "DOY": [14.5], "Hour": [7]}) == ["2031-01-14T07:00:00"]


def test_dates_without_a_clock_are_told_and_those_with_one_are_not() -> None:
    def date_only(columns: dict[str, Sequence[Any]]) -> list[bool]:
        found = parts(columns)
        assert found is not None
        assert not found.serial
        return found.date_only.tolist()

    date = {"Year": [2031, 2031], "DOY": [14, 15]}
    assert date_only(date) == [True, True]
    assert date_only(date | {"Hour": [0, 0]}) == [False, False]
    assert date_only(date | {"hhmm": [0, 100]}) == [False, False]
    assert date_only({"Year": [2031, 2031], "DOY": [14, 15.5]}) == [False, False]


def test_a_row_without_any_part_is_blank_and_one_without_some_is_no_moment() -> None:
    found = parts({"Year": [2031, None, 2031, 2031], "DOY": [1, None, None, 2],
                   "Hour": [5, None, 6, None], "Minute": [1, None, 2, 3]})  # fmt: skip
    assert found is not None
    assert found.blank.tolist() == [False, True, False, False]
    assert found.ok.tolist() == [True, False, False, False]


@pytest.mark.parametrize(
    ("hour", "minute", "second", "want"),
    [
        (0, 0, 0, "00:00:00"), (23, 59, 59, "23:59:59"), (24, 0, 0, "24"), (24, 1, 0, None),
        (24, 0, 1, None), (25, 0, 0, None), (0, 60, 0, None), (0, 0, 60, None), (-1, 0, 0, None),
        (0, -1, 0, None), (0, 0, -1, None), (7.5, 0, 0, "07:30:00"), (7.25, 1, 0, "07:16:00"),
        (7, 0, 30.25, "07:00:30.250000"), (1, 1, 1, "01:01:01"),
    ],
)  # fmt: skip
def test_the_ends_of_a_clock_in_parts(
    hour: float, minute: int, second: float, want: str | None
) -> None:
    """24:00 ends the day; a part of an hour or of a second counts."""
    day = {"Year": [2031] * 12, "DOY": [14] * 12}
    clock = {"Hour": [hour] + [1.0] * 11, "Minute": [minute] + [0] * 11,
             "Second": [second] + [0.0] * 11}  # fmt: skip
    want = "2031-01-15T00:00:00" if want == "24" else want and f"2031-01-14T{want}"
    assert read(day | clock)[0] == want


@pytest.mark.parametrize(
    ("figures", "want"),
    [
        ([0, 100], ["00:00:00", "01:00:00"]), ([5, 2359], ["00:05:00", "23:59:00"]),
        ([1330, 2400], ["13:30:00", "24"]), ([1360, 1300], [None, "13:00:00"]),
        ([2401, 1300], ["00:24:01", "00:13:00"]), ([133015, 5], ["13:30:15", "00:00:05"]),
        ([235959, 240000], ["23:59:59", "24"]), ([240001, 5], [None, "00:00:05"]),
        ([136000, 130060], [None, None]), ([None, 700], [None, "07:00:00"]),
    ],
)  # fmt: skip
def test_a_clock_in_figures(figures: list[int | None], want: list[str | None]) -> None:
    """Up to 2400 hours and minutes, beyond it seconds too."""
    found = read({"Year": [2031, 2031], "DOY": [14, 14], "hhmm": figures})
    full = ["2031-01-15T00:00:00" if w == "24" else w and f"2031-01-14T{w}" for w in want]
    assert found == full


def test_an_hour_above_sixty_is_a_clock_and_a_day_above_31_is_one_of_the_year() -> None:
    """In a column of hours 61 says that 1 is a minute past midnight."""
    year = {"Year": [2031, 2031]}
    assert read(year | {"DOY": [14, 14], "Hour": [1, 61]}) == ["2031-01-14T00:01:00", None]
    assert read(year | {"DOY": [14, 14], "Hour": [1, 60]}) == ["2031-01-14T01:00:00", None]
    assert read(year | {"DOY": [14, 14], "Hour": [100, 1330]}) == [
        "2031-01-14T01:00:00", "2031-01-14T13:30:00"
    ]  # fmt: skip
    assert read(year | {"Day": [1, 32]}) == ["2031-01-01T00:00:00", "2031-02-01T00:00:00"]
    assert parts(year | {"Day": [1, 31]}) is None
    assert read(year | {"Month": [1, 1], "Day": [1, 32]}) == ["2031-01-01T00:00:00", None]


def test_a_few_damaged_numbers_do_not_change_what_a_column_is() -> None:
    """One of eleven is less than a tenth, one of ten is not."""

    def hours(n: int) -> list[str | None]:
        return read({"Year": [2031] * n, "DOY": [14] * n, "Hour": [700] + [7] * (n - 1)})

    assert hours(11)[:2] == [None, "2031-01-14T07:00:00"]
    assert hours(10)[:2] == ["2031-01-14T07:00:00", "2031-01-14T00:07:00"]


# ------------------------------------------------------------------ parts without heads


@pytest.mark.parametrize(
    ("columns", "want"),
    [
        ([[1900], [1]], "1900-01-01T00:00:00"), ([[2200], [365]], "2200-12-31T00:00:00"),
        ([[2031], [12], [31]], "2031-12-31T00:00:00"), ([[2031], [1], [1]], "2031-01-01T00:00:00"),
        ([[2031], [13], [12]], "2031-01-13T12:00:00"), ([[2031], [12], [32]],
         "2031-01-12T00:32:00"),
        ([[2031], [60], [24]], "2031-03-02T00:00:00"),
        ([[2031], [60], [25]], "2031-03-01T00:25:00"),
        ([[2031], [60], [7], [8]], "2031-03-01T07:08:00"),
        ([[2031], [60], [7], [8], [9]], "2031-03-01T07:08:09"),
        ([[2031], [3], [2], [7], [8], [9]], "2031-03-02T07:08:09"),
        ([[2031], [3], [2], [730]], "2031-03-02T07:30:00"),
    ],
)  # fmt: skip
def test_columns_by_their_numbers(columns: list[list[int]], want: str) -> None:
    """A year from 1900 to 2200, then month and day, or a day of the year; then the clock."""
    assert read([("f", c) for c in columns]) == [want]


@pytest.mark.parametrize(
    "columns",
    [
        [[1899], [1]], [[2201], [1]], [[2031], [1], [1], [1], [1], [1], [1]], [[2031]],
        [["word"], ["other"]], [[], []],
    ],
)  # fmt: skip
def test_what_is_no_year_or_too_much_is_no_moment(columns: list[list[Any]]) -> None:
    assert parts([("f", c) for c in columns]) is None
    assert read_parts([], []) is None


# ------------------------------------------------------------------ a date and figures beside it


@pytest.mark.parametrize(
    ("clock", "want"),
    [
        ([0.5625, 0.25], ["13:30:00", "06:00:00"]), ([0.0, 0.75], ["00:00:00", "18:00:00"]),
        ([1.0, 0.5], ["24", "12:00:00"]), ([0.29167, 0.5], ["07:00:00", "12:00:00"]),
        ([0, 1], ["00:00:00", "01:00:00"]), ([13, 24], ["13:00:00", "24"]),
        ([13, 13], ["00:13:00", "00:13:00"]), ([13, 25], ["00:13:00", "00:25:00"]),
        ([7.5, 8.0], ["07:30:00", "08:00:00"]), ([130, 2359], ["01:30:00", "23:59:00"]),
        ([130, None], ["01:30:00", None]), ([0.5, None], ["12:00:00", None]),
        (["0130", "2400"], ["01:30:00", "24"]), ([-1, 1], [None, "00:01:00"]),
    ],
)  # fmt: skip
def test_a_date_and_a_time_of_day_in_figures(clock: list[Any], want: list[str | None]) -> None:
    """Parts of a day, hours where they differ, else hours and minutes."""
    found = read([("date", ["2031-01-14", "2031-01-14"]), ("x", clock)])
    end = "2031-01-15T00:00:00"
    short = {f"2031-01-14T{w}": w for w in want if w} | {end: "24"}
    assert [f and short.get(f, f) for f in found] == want


def test_the_date_beside_a_clock_may_be_in_doubt_or_damaged() -> None:
    found = parts([("date", ["01/02/2031", "01/02/2031"]), ("x", [130, 140])])
    assert found is not None
    assert (found.undecided.tolist(), found.ok.tolist()) == ([0, 1], [False, False])
    assert found.date_only.tolist() == [False, False]
    told = read_parts(("date", "x"), (pa.array(["01/02/2031"] * 2), pa.array([130, 140])),
                      day_first=True)  # fmt: skip
    assert told is not None
    assert told.ok.all()
    assert read([("date", ["2031-01-14", "damaged"]), ("x", [130, 140])]) == [
        "2031-01-14T01:30:00", None
    ]  # fmt: skip


@pytest.mark.parametrize(
    "columns",
    [
        [["2031-01-14 10:00"], [130]], [["word"], [130]], [["2031-01-14"], ["word"]],
        [["2031-01-14"], [130], [5]], [[17.5], [130]],
    ],
)  # fmt: skip
def test_what_is_no_date_beside_a_clock(columns: list[list[Any]]) -> None:
    """A moment with a clock of its own, words, three columns, a number."""
    assert parts([("f", c) for c in columns]) is None


def test_counted_days_beside_a_clock_are_dates_too() -> None:
    """45000 is 15 March 2023."""
    assert read([("date", ["45000", "45001"]), ("x", [130, 140])]) == [
        "2023-03-15T01:30:00", "2023-03-16T01:40:00"
    ]  # fmt: skip


# ------------------------------------------------------------------ which cells are numbers


@pytest.mark.parametrize(
    ("cells", "numeric"),
    [
        (["1", "x"], False), (["1", "2", "x"], True), (["1", "", ""], True), (["", ""], False),
        (["7,5"], True), (["123456789"], False), (["12345678"], True), (["-1"], False),
        ([None, 1.0], True), ([None, None], False), ([True], False),
    ],
)  # fmt: skip
def test_a_column_is_one_of_numbers_where_more_than_half_of_what_it_holds_is(
    cells: list[Any], numeric: bool
) -> None:
    kind = pa.float64() if cells == [None, None] else None
    assert _part(pa.array(cells, kind)).numeric == numeric


def test_words_in_the_first_two_hundred_cells_make_a_column_one_of_words() -> None:
    assert not _part(pa.array(["x"] * 200 + ["7"] * 1000)).numeric
    assert _part(pa.array(["x"] * 199 + ["7"] * 1000)).numeric


# ------------------------------------------------------------------ finding them


def clock_beside(date: Sequence[str], **others: Sequence[Any]) -> tuple[str, ...]:
    columns = {"Date": date, **others}
    return find_clock("Date", list(columns), [pa.array(c) for c in columns.values()])


DAYS = ["2031-01-14"] * 6


@pytest.mark.parametrize(("sound", "found"), [(5, True), (4, False)])
def test_more_than_four_fifths_of_the_cells_are_times_of_day(sound: int, found: bool) -> None:
    """Of six: 5/6 is more than 0.8 and 4/6 less; of five 4/5 is just as much."""
    cells = ["07:30"] * sound + ["late"] * (6 - sound)
    assert clock_beside(DAYS, At=cells) == (("At",) if found else ())
    assert clock_beside(DAYS[:5], At=["07:30"] * 4 + ["late"]) == ()


def test_cells_beyond_the_first_two_hundred_do_not_count() -> None:
    cells = ["07:30"] * 160 + ["late"] * 40 + ["07:30"]
    assert clock_beside(["2031-01-14"] * 201, At=cells) == ()


@pytest.mark.parametrize(("sound", "found"), [(5, True), (4, False)])
def test_so_for_the_half_of_the_day_in_a_column_of_its_own(sound: int, found: bool) -> None:
    halves = ["PM"] * sound + ["x"] * (6 - sound)
    columns = {"At": ["07:30"] * 6, "Half": halves}
    assert clock_beside(DAYS, **columns) == (("At", "Half") if found else ("At",))


def test_a_clock_that_says_its_half_needs_no_other_column() -> None:
    assert clock_beside(DAYS, At=["07:30 PM"] * 6, Half=["PM"] * 6) == ("At",)


def test_blanks_are_no_cells_and_numbers_no_times() -> None:
    assert clock_beside(DAYS, At=["07:30", None, "", " ", "", ""]) == ("At",)
    assert clock_beside(DAYS, Temp=[20.5] * 6) == ()
    assert clock_beside(["07:30"] * 2) == ()  # the dates themselves are not looked at


@pytest.mark.parametrize(
    ("head", "found"),
    [("Hour", True), ("hhmm", True), ("Time", True), ("Uhrzeit", True), ("heure", True),
     ("Temp", False), ("Minute", False), ("column 2", True), ("column 2b", False)],
)  # fmt: skip
def test_figures_beside_a_date_are_a_clock_where_the_head_says_so(head: str, found: bool) -> None:
    """Or where there is no head, and four figures each that differ: times such as 0930."""
    cells = ["0930", "0940", "0950", "1000", "1010", "1020"]
    assert clock_beside(DAYS, **{head: cells}) == ((head,) if found else ())


@pytest.mark.parametrize(
    ("cells", "found"),
    [
        (["0930", "0940", "0950"], True), (["0930", "0940", "0940"], False),
        (["930", "0940", "0950"], False), (["0930", "0940", "9950"], False),
        ([930, 940, 950], False),
    ],
)  # fmt: skip
def test_figures_without_a_head_must_all_be_times(cells: list[Any], found: bool) -> None:
    assert clock_beside(DAYS[:3], **{"column 2": cells}) == (("column 2",) if found else ())


@pytest.mark.parametrize("date", ["13/04/2031", "04/13/2031"])
def test_a_clock_in_figures_is_found_whichever_of_day_and_month_comes_first(date: str) -> None:
    assert clock_beside([date] * 3, Time=["0930", "0940", "0950"]) == ("Time",)


def test_figures_without_a_head_stand_right_behind_the_date() -> None:
    cells = ["0930", "0940", "0950"]
    assert clock_beside(DAYS[:3], Temp=[1.0, 2.0, 3.0], **{"column 3": cells}) == ()


def found_parts(**columns: Sequence[Any]) -> tuple[str, ...]:
    return find_time_parts(list(columns), [pa.array(c) for c in columns.values()])


DATE = {"Year": [2031], "Month": [1], "Day": [14]}


@pytest.mark.parametrize(
    ("columns", "want"),
    [
        (DATE, ("Year", "Month", "Day")),
        (DATE | {"Hour": [7], "Minute": [5], "Second": [6], "Temp": [20.5]},
         ("Year", "Month", "Day", "Hour", "Minute", "Second")),
        (DATE | {"hhmm": [730]}, ("Year", "Month", "Day", "hhmm")),
        ({"Year": [2031], "DOY": [14], "hhmm": [730]}, ("Year", "DOY", "hhmm")),
        ({"Year": [2031], "DOY": [14], "Hour": [7], "Minute": [5]},
         ("Year", "DOY", "Hour", "Minute")),
        ({"Year": [2031], "DOY": [14]}, ("Year", "DOY")),
        ({"yyyy": [2031], "dd": [14], "hh": [7], "mm": [1]}, ("yyyy", "mm", "dd", "hh")),
        (DATE | {"hh": [7], "mm": [45]}, ("Year", "Month", "Day", "hh", "mm")),
        ({"Year": [2031], "Month": [1]}, ()),
        ({"Year": [2031], "Hour": [1]}, ()),
        ({"Month": [1], "Day": [14]}, ()),
        ({"Year": [2031]}, ()),
        (DATE | {"Hour": ["seven"]}, ("Year", "Month", "Day")),
        ({"Year": ["this"], "Month": [1], "Day": [14]}, ()),
        ({"Temp": [20.5]}, ()),
    ],
)  # fmt: skip
def test_parts_are_found_by_their_heads(
    columns: dict[str, Sequence[Any]], want: tuple[str, ...]
) -> None:
    assert found_parts(**columns) == want


def test_of_two_columns_for_one_part_the_first_is_taken() -> None:
    assert found_parts(Year=[2031], yr=[2030], DOY=[14]) == ("Year", "DOY")


@pytest.mark.parametrize(("sound", "found"), [(5, True), (4, False)])
def test_more_than_four_fifths_of_the_rows_must_be_moments(sound: int, found: bool) -> None:
    days = [14] * sound + [32] * (6 - sound)
    want = ("Year", "Month", "Day") if found else ()
    assert found_parts(Year=[2031] * 6, Month=[1] * 6, Day=days) == want
    assert found_parts(Year=[2031] * 5, Month=[1] * 5, Day=[14] * 4 + [32]) == ()
