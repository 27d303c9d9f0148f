"""Lamps that are seen an hour off, and how a clock's doubt is told; each case by hand."""

from __future__ import annotations

import datetime as dt
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from trialkit.logs.climate.logger_clocks import (
    Shift,
    _find_shifts,
    _lamps_on,
    _pieces,
    _runs_off,
    _set_right,
    _tell_offset,
    _tell_shift,
    tell_clocks,
)
from trialkit.logs.clocks.zones import Change

MINUTE, DAY = 60_000_000_000, 86_400_000_000_000
VIENNA = ZoneInfo("Europe/Vienna")
#: Midnight of 14 January 2031 in UTC, and the day's number since 1970.
START = (dt.date(2031, 1, 14) - dt.date(1970, 1, 1)).days * DAY


def records(time: list[int], **values: list[float]) -> SimpleNamespace:
    n = len(time)
    return SimpleNamespace(
        time=np.array(time), values={k: np.array(v) for k, v in values.items()},
        part=np.zeros(n, int), sensor=np.zeros(n, int), sensors=["s"],
        accounts=[SimpleNamespace(file="a.csv")],
    )  # fmt: skip


# ------------------------------------------------------------------ when lamps come on


def test_the_first_light_above_ten_lux_of_each_local_day() -> None:
    """Vienna is an hour ahead: 22:50 and 23:10 UTC are 23:50 and 00:10 of the next day."""
    at = [START + m * MINUTE for m in (360, 370, 380, 390, 1370, 1380, 1390)]
    made = records(at, light_lux=[10.0, 10.1, 0.0, 50.0, 0.0, np.nan, 20.0])
    found = _lamps_on(made, made.values["light_lux"], np.arange(7), np.zeros(7, int), VIENNA)
    day = START // DAY
    assert found[["day", "minute", "at"]].to_numpy().tolist() == [
        [day, 430.0, 1], [day + 1, 10.0, 6]
    ]  # fmt: skip


def test_light_of_another_series_is_no_dawn() -> None:
    at = [START, START + MINUTE, START + 2 * MINUTE]
    made = records(at, light_lux=[0.0, 20.0, 0.0])
    found = _lamps_on(made, made.values["light_lux"], np.arange(3), np.array([0, 1, 1]), VIENNA)
    assert len(found) == 0


# ------------------------------------------------------------------ days on which it is off


def runs(off: list[float], days: list[int] | None = None) -> list[tuple[int, int, float]]:
    days = days or list(range(len(off)))
    part = pd.DataFrame({"off": off, "day": days, "at": np.arange(len(off))})
    made = records([START + d * DAY for d in days])
    found = _runs_off(made, part, np.arange(len(off)), VIENNA)
    return [(one.first, one.last, one.minutes) for one in found]


@pytest.mark.parametrize(
    ("off", "found"),
    [
        ([0, 60, 60, 0], [(1, 2, 60)]), ([0, 60, 0], []), ([50, 50], [(0, 1, 50)]),
        ([49.9, 49.9], []), ([70, 70], [(0, 1, 70)]), ([70.1, 70.1], []),
        ([-60, -62, -64], [(0, 2, -62)]), ([0, 60, 60, 0, -60, -60], [(1, 2, 60), (4, 5, -60)]),
        ([0, 0], []), ([60, 60, 120, 60, 60], [(0, 1, 60), (3, 4, 60)]),
    ],
)  # fmt: skip
def test_fifty_to_seventy_minutes_on_two_days_in_a_row(off: list[float], found: list) -> None:
    assert runs(off) == found


def test_a_run_ends_at_the_first_right_day_or_not_at_all() -> None:
    part = pd.DataFrame({"off": [60.0, 60.0, 0.0], "day": [5, 6, 7], "at": [0, 1, 2]})
    made = records([START, START + DAY, START + 2 * DAY])
    [one] = _runs_off(made, part, np.arange(3), dt.UTC)
    # a day without a record is a gap: its end is the moment it was set right
    assert (one.file, one.sensor, one.until) == ("a.csv", "s", START + 2 * DAY)
    [open_] = _runs_off(made, part.iloc[:2], np.arange(3), dt.UTC)
    assert open_.until is None


@pytest.mark.parametrize(("gap", "at_the_gap"), [(50, True), (49, False)])
def test_a_clock_is_set_right_at_a_gap_of_fifty_minutes(gap: int, at_the_gap: bool) -> None:
    """Records each ten minutes from 06:00 to 07:00, then after the gap; right at 08:00 or so."""
    before = [START + m * MINUTE for m in range(360, 421, 10)]
    after = [before[-1] + (gap + 10 * k) * MINUTE for k in range(3)]
    time = np.array([*before, *after])
    until = _set_right(time, int(before[2]), int(after[1]), dt.UTC)
    assert until == (after[0] if at_the_gap else START)
    assert _set_right(time, int(after[0]), int(after[0]), dt.UTC) == START
    vienna = _set_right(time, int(before[2]), int(after[1]), VIENNA)
    assert vienna == (after[0] + 60 * MINUTE if at_the_gap else START)


def dawns(late: dict[int, list[int]], loggers: int = 3, days: int = 6) -> tuple[Any, Any, Any]:
    """Make loggers that see the lamps at 06:00, those in `late` an hour later on some days."""
    time, lux, series = [], [], []
    for k in range(loggers):
        for day in range(days):
            on = 360 + 60 * (day in late.get(k, []))
            for minute, light in ((0, 0.0), (on, 300.0), (on + 600, 0.0)):
                time.append(START + day * DAY + minute * MINUTE)
                lux.append(light)
                series.append(k)
    made = records(time, light_lux=lux)
    made.part = np.array(series)
    made.accounts = [SimpleNamespace(file=f"T{k}.csv") for k in range(loggers)]
    return made, np.arange(len(time)), np.array(series)


def test_three_loggers_tell_who_is_off_and_two_do_not() -> None:
    found = _find_shifts(*dawns({1: [1, 2]}), dt.UTC)
    day = START // DAY
    assert [(s.file, s.first, s.last, s.minutes) for s in found] == [
        ("T1.csv", day + 1, day + 2, 60)
    ]  # fmt: skip
    assert _find_shifts(*dawns({1: [1, 2]}, loggers=2), dt.UTC) == []
    assert _find_shifts(*dawns({}), dt.UTC) == []
    made, kept, series = dawns({1: [1, 2]})
    assert _find_shifts(made, kept[:0], series, dt.UTC) == []
    made.values = {}
    assert _find_shifts(made, kept, series, dt.UTC) == []


def test_a_logger_that_is_always_later_is_only_usual() -> None:
    assert _find_shifts(*dawns({1: [0, 1, 2, 3, 4, 5]}), dt.UTC) == []


@pytest.mark.parametrize(
    ("days", "told"),
    [(2, ["clock_not_changed"]), (3, ["clock_not_changed", "clock_hour_off"])],
)
def test_a_change_not_followed_and_lamps_within_two_days_of_it_are_one_doubt(
    days: int, told: list[str]
) -> None:
    """The clocks changed so many days before the logger is seen an hour off."""
    made, kept, series = dawns({1: [4, 5]}, days=12)
    change = Change(START + (4 - days) * DAY + 60 * MINUTE, 3600, 7200)
    found = tell_clocks(made, kept, series, stayed=[("T1.csv", change, 5)], zone=dt.UTC,
                        kind="environment")  # fmt: skip
    assert [f.code for f in found] == told
    until = dict(found[0].values)["until"]
    assert (until == "") == (days == 3)
    other = tell_clocks(made, kept, series, stayed=[("T2.csv", change, 5)], zone=dt.UTC,
                        kind="environment")  # fmt: skip
    assert [f.code for f in other] == ["clock_not_changed", "clock_hour_off"]


# ------------------------------------------------------------------ how it is told


@pytest.mark.parametrize(
    ("minutes", "add", "way"), [(58.0, -3600, "later"), (-61.0, 3600, "earlier")]
)
def test_the_line_takes_off_what_the_clock_is_late(minutes: float, add: int, way: str) -> None:
    day = START // DAY
    shift = Shift("a.csv", "s", day, day + 2, START + 3 * DAY, minutes)
    values = dict(_tell_shift(shift, "environment").values)
    assert values["line"] == (
        'clock = [{ file = "a.csv", since = 2031-01-14T00:00:00, until = 2031-01-17T00:00:00, '
        f"add_s = {add} }}]"
    )
    assert (values["minutes"], values["way"].key) == (abs(minutes), f"clock_way.{way}")
    assert (values["first"], values["last"]) == (dt.date(2031, 1, 14), dt.date(2031, 1, 16))
    one = Shift("a.csv", "s", day, day, None, minutes)
    assert "until" not in dict(_tell_shift(one, "environment").values)["line"]
    assert _tell_shift(one, "environment").message != _tell_shift(shift, "environment").message


@pytest.mark.parametrize(("hours", "add", "way"), [(2, -7200, "later"), (-1, 3600, "earlier")])
def test_whole_hours_are_told_for_each_file(hours: int, add: int, way: str) -> None:
    told = _tell_offset("s", ["a.csv", "b.csv"], hours, 3, "environment", shared=False)
    values = dict(told.values)
    assert values["line"] == (
        f'clock = [{{ file = "a.csv", add_s = {add} }}, {{ file = "b.csv", add_s = {add} }}]'
    )
    assert (values["off"].key, values["peers"]) == (f"clock_hours.{way}", 3)
    assert dict(values["off"].values)["count"] == abs(hours)


def test_pieces_are_of_one_series_and_one_file_and_six_days_of_hours_long() -> None:
    """144 records at least: series 0 in one file, series 1 in two, of which one is too short."""
    series = np.array([0] * 144 + [1] * 200 + [1] * 143)
    made = SimpleNamespace(part=np.array([0] * 344 + [1] * 143))
    found = _pieces(made, np.arange(len(series)), series)
    assert [(int(p[0]), len(p)) for p in found] == [(0, 144), (144, 200)]
