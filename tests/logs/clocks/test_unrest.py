"""Clocks whole hours off from the first day: found by the room's unrest, silent on sound clocks.

The rooms are made here, by their own formulas (decays that follow the room with a delay of their
own in each chamber, lamps at hours of their own, doors, weather, heating), not by the demo.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.signal import lfilter

from tests.logs.folder import make_trial
from trialkit.logs.climate.read import read_environment
from trialkit.logs.clocks.unrest import find_offsets
from trialkit.logs.log import Log

MINUTE = 60_000_000_000
START = pd.Timestamp("2031-01-13", tz="UTC").value


def follow(signal: np.ndarray, minutes: float) -> np.ndarray:
    """Follow a signal with a delay: first-order decay."""
    keep = np.exp(-1 / minutes)
    return np.asarray(lfilter([1 - keep], [1, -keep], signal))


def room(rng: np.random.Generator, days: int) -> np.ndarray:
    """Give the room's temperature once a minute: a daily wave, weather and doors."""
    t = np.arange(days * 1440)
    wave = rng.uniform(0.5, 3) * np.sin(2 * np.pi * (t / 1440 - rng.uniform()))
    weather = follow(rng.normal(0, 25, len(t)), rng.uniform(300, 900))
    doors = np.zeros(len(t))
    doors[rng.integers(0, len(t), 5 * days)] = -60.0
    return np.asarray(wave + weather + follow(doors, 25))


def loggers(
    seed: int, *, n: int = 5, days: int = 14, late_h: int = 0, common: float = 1.0
) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """Give times and temperatures of loggers in one room; the first one's clock is late."""
    rng = np.random.default_rng(seed)
    outside = room(rng, days)
    t = np.arange(len(outside))
    times, temps = [], []
    for i in range(n):
        lamp = (t - 60 * int(rng.choice([6, 7, 8, 18]))) % 1440 < 60 * int(rng.integers(8, 14))
        x = 15 + common * follow(outside, np.exp(rng.uniform(np.log(5), np.log(120))))
        x = x + follow(2.0 * lamp, rng.uniform(10, 60)) - 0.4 * ((t + rng.integers(9)) % 8 < 3)
        x = np.round(x + rng.normal(0, 0.05, len(t)), 1)
        step = int(rng.choice([1, 2, 5, 10]))
        at = t[int(rng.integers(step)) :: step]
        times.append(START + (at + 60 * (late_h if i == 0 else 0)) * MINUTE)
        temps.append(x[at])
    return times, temps


@pytest.mark.parametrize("late_h", [1, -1, 2, 12])
def test_a_clock_off_by_whole_hours_is_found_with_its_sign(late_h: int) -> None:
    for seed in range(4):
        out = find_offsets(*loggers(seed, late_h=late_h), range(5))
        assert [(o.unit, o.hours) for o in out] == [(0, late_h)]
        assert out[0].peers >= 2


def test_sound_clocks_are_never_accused() -> None:
    """Chambers differ in delay, lamps and steps; with and without a room in common."""
    for seed in range(12):
        for common in (1.0, 0.2, 0.0):
            n = 3 + seed % 4
            assert find_offsets(*loggers(seed, n=n, days=10, common=common), range(n)) == []


def test_a_lamp_an_hour_later_every_day_is_no_witness() -> None:
    """What comes every day at the same hour may differ: chambers with lamps and no room."""
    t = np.arange(0, 14 * 1440, 5)
    rng = np.random.default_rng(3)
    times, temps = [], []
    for i in range(5):
        lamp = (t - 60 * (7 + (i == 0))) % 1440 < 600
        temps.append(np.round(15 + follow(3.0 * lamp, 6) + rng.normal(0, 0.05, len(t)), 1))
        times.append(START + t * MINUTE)
    assert find_offsets(times, temps, range(5)) == []


def test_a_chamber_visited_an_hour_after_the_others_is_no_wrong_clock() -> None:
    """Every day, at no fixed hour, doors are opened in turn; nothing else is felt in common."""
    for seed in range(6):
        rng = np.random.default_rng(seed)
        t = np.arange(0, 20 * 1440)
        visits = [d * 1440 + int(rng.integers(360, 1200)) for d in range(19)]
        times, temps = [], []
        for i in range(4):
            doors = np.zeros(len(t))
            doors[[v + 60 * (i == 0) for v in visits]] = -60.0
            temps.append(15 + follow(doors, 25) + rng.normal(0, 0.05, len(t)))
            times.append(START + t * MINUTE)
        assert find_offsets(times, temps, range(4)) == []


def test_two_against_two_and_two_alone_accuse_nobody() -> None:
    times, temps = loggers(1, n=4)
    times[1] = times[1] + 60 * MINUTE
    times[0] = times[0] + 60 * MINUTE
    assert find_offsets(times, temps, range(4)) == []
    assert find_offsets(times[1:3], temps[1:3], range(2)) == []


def test_two_files_of_one_logger_are_not_two_witnesses() -> None:
    times, temps = loggers(2, n=3, late_h=1)
    assert [o.hours for o in find_offsets(times, temps, [0, 1, 2])] == [1]
    assert find_offsets(times, temps, [0, 1, 1]) == []


def test_a_few_days_or_a_span_of_decades_say_nothing() -> None:
    assert find_offsets(*loggers(0, days=4, late_h=1), range(5)) == []
    times, temps = loggers(0, late_h=1)
    times[4] = times[4].copy()
    times[4][-1] += 30 * 365 * 1440 * MINUTE
    assert find_offsets(times, temps, range(5)) == []


def _read(folder: Path, late_h: int, *, logs: str = "", one_file: bool = False) -> Log:
    times, temps = loggers(5, n=4, days=12, late_h=late_h)
    tables = {}
    for k, (time, temp) in enumerate(zip(times, temps, strict=True)):
        shown = pd.to_datetime(time, utc=True).tz_convert("Europe/Vienna")
        tables[f"T{k + 1}"] = pd.DataFrame(
            {"time": shown.strftime("%Y-%m-%d %H:%M"), "temp_c": temp}
        )
    if one_file:
        long = pd.concat([t.assign(chamber=name) for name, t in tables.items()])
        files = {"Tall.csv": long.to_csv(index=False).encode()}
    else:
        files = {f"{name}.csv": t.to_csv(index=False).encode() for name, t in tables.items()}
    return read_environment(
        make_trial(folder, files, f'\n[logs.environment]\nfiles = ["T*.csv"]\n{logs}')
    )


def test_the_finding_gives_a_correction_that_puts_it_right(tmp_path: Path) -> None:
    [told] = [f for f in _read(tmp_path, 2).findings if f.code == "clock_off"]
    assert "T1.csv" in told.message
    assert "2 hours later" in told.message
    assert 'clock = [{ file = "T1.csv", add_s = -7200 }]' in told.remedy
    right = _read(tmp_path, 2, logs=told.remedy[told.remedy.index("clock = [") :] + "\n")
    assert not [f for f in right.findings if f.code == "clock_off"]
    assert (right.table["time"].max() - _read(tmp_path, 0).table["time"].max()).total_seconds() == 0


def test_a_log_with_sound_clocks_says_nothing_of_clocks(tmp_path: Path) -> None:
    assert not [f for f in _read(tmp_path, 0).findings if f.code.startswith("clock")]


def test_in_a_file_of_many_loggers_the_remedy_says_to_part_it(tmp_path: Path) -> None:
    """A correction is by file, and would move the sound loggers of that file too."""
    [told] = [f for f in _read(tmp_path, -1, one_file=True).findings if f.code == "clock_off"]
    assert "1 hour earlier" in told.message
    assert "a file of its own" in told.remedy
