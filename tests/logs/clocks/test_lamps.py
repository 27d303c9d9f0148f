"""Lamps as witness of a clock an hour off, and corrections along lines: minutes by hand."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.logs.folder import make_trial
from trialkit.logs.climate.read import read_environment
from trialkit.logs.clocks.correction import correct_clock
from trialkit.logs.clocks.unrest import find_offsets
from trialkit.logs.log import Log
from trialkit.trial.sections import Clock

NS = 1_000_000_000
SECTION = '\n[logs.environment]\nfiles = ["T*.csv"]\ntime_zone = "UTC"\n'


def log_of(
    folder: Path, late_min: int, days: range, *, loggers: int = 4, lux: int = 300, dark: int = 0
) -> Log:
    """Read loggers of ten days, every 5 min, lamps from 8 to 18 h; T1 is late on some days."""
    files = {}
    time = pd.date_range("2031-01-13", periods=10 * 288, freq="5min")
    for k in range(1, loggers + 1):
        minute = time.hour * 60 + time.minute
        moved = late_min if k == 1 else 0
        here = np.isin(np.arange(len(time)) // 288, list(days))
        start = 480 + np.where(here, moved, 0)
        bright = (minute >= start) & (minute < 1080)
        table = pd.DataFrame(
            {
                "time": time.strftime("%Y-%m-%d %H:%M"),
                "temp_c": 15 + 0.1 * (np.arange(len(time)) % 3),
                "light_lux": np.where(bright, lux, dark),
            }
        )
        files[f"T{k}.csv"] = table.to_csv(index=False).encode()
    return read_environment(make_trial(folder, files, SECTION))


def told(log: Log) -> list[tuple[str, str]]:
    return [(f.message, f.remedy) for f in log.findings if f.code == "clock_hour_off"]


@pytest.mark.parametrize(
    ("minutes", "found"),
    [(45, False), (50, True), (60, True), (70, True), (75, False), (-50, True), (-60, True),
     (-75, False)],
)  # fmt: skip
def test_lamps_fifty_to_seventy_minutes_late_point_at_the_clock(
    minutes: int, found: bool, tmp_path: Path
) -> None:
    """Four days, from 17 to 20 January; set right by midnight before the next right morning."""
    got = told(log_of(tmp_path, minutes, range(4, 8)))
    assert len(got) == found
    if found:
        [(message, remedy)] = got
        assert "T1.csv" in message
        assert f"{abs(minutes)}" in message
        # lamps that seem late mean a clock that runs ahead: an hour is taken off
        assert f"add_s = {-3600 if minutes > 0 else 3600}" in remedy
        assert "since = 2031-01-17T00:00:00" in remedy
        assert "until = 2031-01-21T00:00:00" in remedy


@pytest.mark.parametrize(("days", "found"), [(range(4, 5), False), (range(4, 6), True)])
def test_one_day_is_no_clock_two_are(days: range, found: bool, tmp_path: Path) -> None:
    assert bool(told(log_of(tmp_path, 60, days))) == found


@pytest.mark.parametrize(("loggers", "found"), [(2, False), (3, True)])
def test_two_loggers_cannot_tell_who_is_wrong(loggers: int, found: bool, tmp_path: Path) -> None:
    assert bool(told(log_of(tmp_path, 60, range(4, 8), loggers=loggers))) == found


@pytest.mark.parametrize(
    ("lux", "dark", "found"), [(11, 0, True), (10, 0, False), (300, 10, True), (300, 11, False)]
)
def test_light_begins_above_ten_lux(lux: int, dark: int, found: bool, tmp_path: Path) -> None:
    """What is never over 10 lux has no morning; what is always over it neither."""
    assert bool(told(log_of(tmp_path, 60, range(4, 8), lux=lux, dark=dark))) == found


def test_to_the_end_of_the_log_there_is_no_until(tmp_path: Path) -> None:
    [(_, remedy)] = told(log_of(tmp_path, 60, range(7, 10)))
    assert "since = 2031-01-20T00:00:00" in remedy
    assert "until" not in remedy


def moment(day: int) -> dt.datetime:
    return dt.datetime(2031, 1, 1) + dt.timedelta(days=day)


def test_drift_follows_each_stretch_and_goes_on_beyond() -> None:
    """Known at days 0, 10 and 20: right, a minute fast, three minutes fast.

    6 s a day at first, 12 s a day then; before and after, the first and the last stretch go on.
    """
    known = [
        Clock(shows=moment(day), truth=moment(day) - dt.timedelta(seconds=fast))
        for day, fast in ((0, 0), (10, 60), (20, 180))
    ]
    at = np.array([-5, 0, 5, 10, 15, 20, 25])
    start = np.datetime64("2031-01-01", "ns").astype(np.int64)
    add, _ = correct_clock(start + at * 86400 * NS, known, zone=dt.UTC, aware=False, file="x")
    assert (add / NS).tolist() == [30, 0, -30, -60, -120, -180, -240]


def test_one_known_moment_moves_all_alike() -> None:
    known = [Clock(shows=moment(10), truth=moment(10) + dt.timedelta(seconds=90))]
    start = np.datetime64("2031-01-01", "ns").astype(np.int64)
    add, touched = correct_clock(
        start + np.arange(3) * 86400 * NS, known, zone=dt.UTC, aware=False, file="x"
    )
    assert (add / NS).tolist() == [90, 90, 90]
    assert touched.all()


def test_two_corrections_add_up_where_both_hold() -> None:
    known = [Clock(add_s=60), Clock(add_s=3600, since=moment(1), until=moment(2))]
    start = np.datetime64("2031-01-01", "ns").astype(np.int64)
    add, _ = correct_clock(
        start + np.array([0, 1, 2]) * 86400 * NS, known, zone=dt.UTC, aware=False, file="x"
    )
    assert (add / NS).tolist() == [60, 3660, 60]


def unrest(days: int, late_min: int, *, every_min: int = 10, seed: int = 4) -> list:
    """Find offsets of four loggers that see one random walk; the third is late."""
    rng = np.random.default_rng(seed)
    n = days * 1440 // every_min
    walk = np.cumsum(rng.normal(0, 0.3, n))
    at = np.arange(n) * every_min
    times, temps = [], []
    for k in range(4):
        times.append((at + late_min * (k == 2)) * 60 * NS)
        temps.append(walk + rng.normal(0, 0.05, n))
    return [(o.unit, o.hours, o.peers) for o in find_offsets(times, temps, range(4))]


@pytest.mark.parametrize(
    ("late_min", "hours"),
    [(60, 1), (-60, -1), (180, 3), (780, 13), (-780, -13), (65, 1), (50, 1), (0, None),
     (15, None), (90, None), (115, 2)],
)  # fmt: skip
def test_the_lag_of_one_random_walk_is_rounded_to_hours(late_min: int, hours: int | None) -> None:
    """Three sound loggers agree; what is over 20 min off a whole hour is told of no clock."""
    want = [] if hours is None else [(2, hours, 3)]
    assert unrest(12, late_min) == want


@pytest.mark.parametrize(("days", "found"), [(4, False), (8, True)])
def test_six_days_in_common_are_needed(days: int, found: bool) -> None:
    assert bool(unrest(days, 120)) == found


@pytest.mark.parametrize(("every", "found"), [(30, True), (60, False)])
def test_records_every_half_hour_are_needed(every: int, found: bool) -> None:
    assert bool(unrest(20, 120, every_min=every)) == found


def test_further_than_fourteen_hours_is_not_looked_at() -> None:
    assert unrest(12, 16 * 60) == []


def test_parts_of_a_second_are_kept() -> None:
    """It shows half a second past, and two seconds past is true: 1.5 s are added."""
    half, two = dt.timedelta(seconds=0.5), dt.timedelta(seconds=2)
    known = [Clock(shows=moment(0) + half, truth=moment(0) + two)]
    add, _ = correct_clock(np.zeros(1, np.int64), known, zone=dt.UTC, aware=False, file="x")
    assert add.tolist() == [1_500_000_000]
