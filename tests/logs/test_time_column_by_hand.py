"""Typed moments, numbers as moments, dates and clocks apart, clocks that were reset; by hand."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from tests.logs.folder import TRIAL, make_trial
from trialkit.logs.climate.read import read_environment
from trialkit.logs.clocks.zones import Change
from trialkit.logs.log import Log
from trialkit.logs.text.raw_table import RawTable
from trialkit.logs.time_column import (
    _figures,
    _typed,
    date_of,
    local_time,
    tell_stayed,
    time_column,
)

NS = 1_000_000_000


def since_1970(text: str) -> int:
    return int((dt.datetime.fromisoformat(text) - dt.datetime(1970, 1, 1)).total_seconds())


# ------------------------------------------------------------------ typed cells


@pytest.mark.parametrize(("unit", "each"), [("s", 1), ("ms", 1000), ("us", 10**6), ("ns", NS)])
def test_moments_of_every_unit(unit: str, each: int) -> None:
    second = since_1970("2031-01-14T07:00:00")
    found = _typed(pa.array([second * each, None], pa.timestamp(unit)))
    assert found.wall.tolist() == [second * NS, 0]
    assert (found.ok.tolist(), found.blank.tolist()) == ([True, False], [False, True])
    assert (found.aware, found.offset_s, found.serial) == (None, None, False)
    assert not found.date_only.any()
    assert len(found.undecided) == 0


def test_moments_with_a_zone_are_in_utc() -> None:
    found = _typed(pa.array([5, None], pa.timestamp("s", tz="Europe/Vienna")))
    assert found.wall.tolist() == [5 * NS, 0]
    assert found.aware is not None
    assert found.offset_s is not None
    assert (found.aware.tolist(), found.offset_s.tolist()) == ([True, True], [0, 0])


@pytest.mark.parametrize(
    ("moment", "sound"),
    [("2200-01-02T00:00:00", True), ("2200-01-03T00:00:00", False), ("1739-12-31T00:00:00", True),
     ("1739-12-30T00:00:00", False)],
)  # fmt: skip
@pytest.mark.parametrize("unit", ["s", "us"])
def test_typed_moments_lie_within_230_years_of_1970(moment: str, sound: bool, unit: str) -> None:
    """230 · 365.25 days are 84 007.5: noon of 2 January 2200, and midday of 30 December 1739."""
    seconds = since_1970(moment)
    assert abs(abs(seconds) - 230 * 365.25 * 86_400) < 86_400
    found = _typed(pa.array([seconds * (1 if unit == "s" else 10**6)], pa.timestamp(unit)))
    assert found.ok.tolist() == [sound]
    assert found.wall.tolist() == [seconds * NS if sound else 0]


@pytest.mark.parametrize(
    ("value", "text"),
    [(None, ""), (float("nan"), ""), (float("inf"), ""), (5.0, "5"), (-3.0, "-3"), (0.1, "0.1"),
     (1234567890.25, "1234567890.25"), (1e15, "1000000000000000"), (47862.5, "47862.5"),
     (0.123456789, "0.123456789"), (2.5e-7, "0.00000025")],
)  # fmt: skip
def test_numbers_are_written_without_a_power_of_ten(value: float | None, text: str) -> None:
    assert _figures(value) == text


# ------------------------------------------------------------------ a date and a clock apart


def joined(*columns: list[Any]) -> list[str | None]:
    named = {f"c{k}": pa.array(cells) for k, cells in enumerate(columns)}
    raw = RawTable("x", named, np.arange(len(columns[0])))
    return time_column(raw, tuple(named)).to_pylist()


@pytest.mark.parametrize(
    ("date", "clock", "want"),
    [
        ("2031-01-14", "07:30", "2031-01-14 07:30"),
        (" 2031-01-14 ", " 07:30 ", "2031-01-14 07:30"),
        ("2031-01-14 00:00", "07:30", "2031-01-14 07:30"),
        ("2031-01-14 00:00:00", "07:30", "2031-01-14 07:30"),
        ("2031-01-14T00:00:00.000", "07:30", "2031-01-14 07:30"),
        ("2031-01-14 00:00:01", "07:30", "2031-01-14 00:00:01 07:30"),
        ("2031-01-14", "1899-12-30 07:30:00", "2031-01-14 07:30:00"),
        ("2031-01-14", "1899-12-31 07:30:00", "2031-01-14 07:30:00"),
        ("2031-01-14", "1900-01-00 07:30:00", "2031-01-14 07:30:00"),
        ("2031-01-14", "1900-01-01T07:30:00", "2031-01-14 07:30:00"),
        ("2031-01-14", "1900-01-02 07:30:00", "2031-01-14 1900-01-02 07:30:00"),
    ],
)  # fmt: skip
def test_a_workbooks_midnight_and_first_day_are_left_out(date: str, clock: str, want: str) -> None:
    """Workbooks count days from 30 or 31 December 1899, and write a date with midnight."""
    assert joined([date], [clock]) == [want]
    assert joined([date, "x"], [clock, "y"])[1] == "x y"


def test_three_parts_and_one() -> None:
    assert joined(["2031-01-14"], ["7:30"], ["PM"]) == ["2031-01-14 7:30 PM"]
    assert joined([5]) == [5]
    assert joined([20310114], [730]) == ["20310114 730"]
    assert joined(["2031-01-14", None], ["7:30", "7:40"]) == ["2031-01-14 7:30", None]


# ------------------------------------------------------------------ days and moments in words


def test_moments_and_days_as_the_trial_file_has_them() -> None:
    assert local_time(since_1970("2031-01-14T07:30:05") * NS + 999) == "2031-01-14T07:30:05"
    assert date_of(0) == dt.date(1970, 1, 1)
    assert date_of(31) == dt.date(1970, 2, 1)


def test_clocks_that_stayed_are_told_with_the_line_that_sets_them_right() -> None:
    """Vienna, 30 March 2031, 02:00 → 03:00, and 26 October, 03:00 → 02:00; both at 01:00 UTC."""
    spring = Change(since_1970("2031-03-30T01:00:00") * NS, 3600, 7200)
    autumn = Change(since_1970("2031-10-26T01:00:00") * NS, 7200, 3600)
    end = since_1970("2031-04-04T12:00:00") * NS
    told = tell_stayed([("a", spring, 6), ("b", autumn, 7), ("c", spring, 8)], "mist",
                       [None, None, end])  # fmt: skip
    values = [dict(one.values) for one in told]
    assert [v["line"] for v in values] == [
        'clock = [{ file = "a", since = 2031-03-30T02:00:00, add_s = 3600 }]',
        'clock = [{ file = "b", since = 2031-10-26T03:00:00, add_s = -3600 }]',
        'clock = [{ file = "c", since = 2031-03-30T02:00:00, until = 2031-04-04T12:00:00, '
        "add_s = 3600 }]",
    ]
    assert [v["minutes"] for v in values] == [60, 60, 60]
    assert [v["day"] for v in values] == [
        dt.date(2031, 3, 30), dt.date(2031, 10, 26), dt.date(2031, 3, 30)
    ]  # fmt: skip
    assert [v["until"] for v in values] == ["", "", dt.date(2031, 4, 4)]
    assert [v["way"].key for v in values] == [
        "clock_way.early", "clock_way.late", "clock_way.early"
    ]  # fmt: skip
    assert [v["records"].key for v in values] == [
        "clock_records.no_hour", "clock_records.double_hour", "clock_records.no_hour"
    ]  # fmt: skip
    assert len(tell_stayed([("a", spring, 6)], "mist")) == 1


# ------------------------------------------------------------------ clocks that were reset


def log_of(folder: Path, *times: str, trial: str = TRIAL, section: str = "") -> Log:
    text = "time,temp_c\n" + "".join(f"{time},{15 + k / 10}\n" for k, time in enumerate(times))
    logs = f'\n[logs.environment]\nfiles = ["T1.csv"]\n{section}\n'
    return read_environment(make_trial(folder, {"T1.csv": text.encode()}, logs, trial=trial))


def kept(log: Log) -> list[str]:
    return [t.strftime("%Y-%m-%d %H:%M") for t in log.table["time"]]


def test_three_years_from_the_start_of_the_first_batch_a_clock_was_reset(tmp_path: Path) -> None:
    """It begins on 13 January 2031 at 08:00 UTC; 3 · 365.25 days are 1095 days and 18 hours."""
    log = log_of(tmp_path, "2028-01-13 15:00", "2028-01-13 14:59", "2031-01-14 10:00",
                 "2034-01-13 03:00", "2034-01-13 03:01")  # fmt: skip
    assert kept(log) == ["2028-01-13 14:00", "2031-01-14 09:00", "2034-01-13 02:00"]
    assert log.ledger.lines["rule"].tolist() == ["clock reset"] * 2
    [told] = [f for f in log.findings if f.code == "clock_reset"]
    values = dict(told.values)
    assert values["count"] == 2
    assert (values["first"], values["last"]) == (dt.date(2028, 1, 13), dt.date(2034, 1, 13))
    assert "shows = 2028-01-13T14:59:00" in values["line"]
    assert "until = 2035-01-01T00:00:00" in values["line"]


def test_a_reset_that_the_trial_file_corrects_is_none(tmp_path: Path) -> None:
    clock = "clock = [{ shows = 2000-01-01T00:00:00, truth = 2031-01-14T10:00:00 }]"
    log = log_of(tmp_path, "2000-01-01 00:00", "2000-01-01 00:10", section=clock)
    assert kept(log) == ["2031-01-14 09:00", "2031-01-14 09:10"]
    assert not [f for f in log.findings if f.code == "clock_reset"]


def test_without_dates_of_batches_the_middle_of_the_times_counts(tmp_path: Path) -> None:
    trial = TRIAL.partition("[batches]")[0]
    log = log_of(tmp_path, "2000-01-01 00:00", "2031-01-14 10:00", "2031-01-14 10:10", trial=trial)
    assert kept(log) == ["2031-01-14 09:00", "2031-01-14 09:10"]


def test_counted_days_are_told_by_their_first_cell(tmp_path: Path) -> None:
    """Day 47862 of a spreadsheet is 14 January 2031."""
    log = log_of(tmp_path, "47862.25", "47862.5")
    [told] = [f for f in log.findings if f.code == "serial_days"]
    assert dict(told.values) | {"file": ""} == {
        "file": "", "cell": "47862.25", "moment": "2031-01-14 06:00:00"
    }  # fmt: skip


def test_a_form_of_ones_own_reads_the_parts_as_they_are_joined(tmp_path: Path) -> None:
    """3 April by the form, 09:30; without it day and month would have to be asked for."""
    text = "day,clock,temp_c\n03/04/2031,0930,15.1\n04/04/2031,0940,15.2\n"
    form = 'columns.time = "day + clock"\ntime_format = "%d/%m/%Y %H%M"\n'
    logs = f'\n[logs.environment]\nfiles = ["T1.csv"]\n{form}'
    log = read_environment(make_trial(tmp_path, {"T1.csv": text.encode()}, logs))
    assert kept(log) == ["2031-04-03 07:30", "2031-04-04 07:40"]
