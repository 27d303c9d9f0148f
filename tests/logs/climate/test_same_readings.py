"""One log under two chambers' names is found; two sensors that are merely alike are not accused."""

import numpy as np
import pandas as pd
import pytest

import trialkit as tk
from tests.logs.folder import make_trial
from trialkit.logs.climate.large import read_large_environment

LOGS = """[logs.environment]
files = ["logs/climate_*.csv"]
columns = { time = "time", temp_c = "temp", rh_pct = "rh" }
"""
ROWS = 1500  # at 10 minutes: ten days


def _course(seed, *, step=0.1):
    """Make a room's day with a sensor's own noise, rounded to its step."""
    rng = np.random.default_rng(seed)
    hours = np.arange(ROWS) / 6
    temp = 15 + np.sin(hours * np.pi / 12) + rng.normal(0, 0.15, ROWS)
    rh = 90 + 4 * np.sin(hours) + rng.normal(0, 0.5, ROWS)
    return np.round(np.column_stack([temp, rh]) / step) * step


def _csv(values, start="2031-01-13 10:00"):
    times = pd.date_range(start, periods=len(values), freq="10min")
    lines = [
        f"{t:%Y-%m-%d %H:%M:%S},{v:.1f},{h:.1f}" for t, (v, h) in zip(times, values, strict=True)
    ]
    return ("time,temp,rh\n" + "\n".join(lines) + "\n").encode()


def _found(tmp_path, courses, starts=None):
    starts = starts or {}
    files = {
        f"logs/climate_{name}.csv": _csv(values, starts.get(name, "2031-01-13 10:00"))
        for name, values in courses.items()
    }
    trial = make_trial(tmp_path, files, LOGS)
    small = tk.read_environment(trial, cache=False).findings
    assert read_large_environment(trial).findings == small
    return [f for f in small if f.code == "same_readings"]


def test_a_copied_file_is_found_with_both_names(tmp_path):
    one, two = _course(1), _course(2)
    (found,) = _found(tmp_path, {"T1": one, "T2": two, "T3": one})
    assert found.severity == "caution"
    for words in ("T1", "T3", "logs/climate_T1.csv", "logs/climate_T3.csv"):
        assert words in found.message
    assert "(temperature and humidity)" in found.message


def test_a_copy_of_a_part_and_one_with_a_few_cells_changed_are_found(tmp_path):
    one, two = _course(1), _course(2)
    two[300:900] = one[300:900]
    two[400:405] += 0.3
    (found,) = _found(tmp_path, {"T1": one, "T2": two})
    start = pd.Timestamp("2031-01-13 10:00")  # rows 300 and 900, ten minutes each
    assert abs(pd.Timestamp(found.values["start"]) - (start + pd.Timedelta("50h"))).days <= 1
    assert abs(pd.Timestamp(found.values["stop"]) - (start + pd.Timedelta("150h"))).days <= 1


def test_a_column_copied_alone_is_named_alone(tmp_path):
    one, two = _course(1), _course(2)
    two[:, 1] = one[:, 1]
    (found,) = _found(tmp_path, {"T1": one, "T2": two})
    assert "(humidity)" in found.message


@pytest.mark.parametrize(
    ("start", "first", "hours"),
    [
        ("2031-01-13 11:00", "T1", 1),
        ("2031-01-12 22:00", "T3", 12),
        ("2031-01-14 10:20", "T1", 24 + 1 / 3),
    ],
)
def test_a_copy_with_its_clock_moved_is_found(tmp_path, start, first, hours):
    """The hours and who comes first follow from the two starts."""
    one, two = _course(1), _course(2)
    (found,) = _found(tmp_path, {"T1": one, "T2": two, "T3": one}, {"T3": start})
    second = "T3" if first == "T1" else "T1"
    assert (found.values["first"], found.values["second"]) == (first, second)
    assert found.values["hours"] == pytest.approx(hours, abs=0.01)
    assert f"{second} has the readings of {first}" in found.message
    for file in ("logs/climate_T1.csv", "logs/climate_T3.csv"):
        assert file in found.message


def test_a_part_copied_to_another_time_is_found(tmp_path):
    one, two = _course(1), _course(2)
    two[500:1100] = one[100:700]  # 400 readings later
    (found,) = _found(tmp_path, {"T1": one, "T2": two})
    assert found.values["first"] == "T1"
    assert found.values["hours"] == pytest.approx(400 / 6)


@pytest.mark.parametrize("step", [0.1, 0.5, 1.0])
def test_a_day_that_comes_again_is_no_copy(tmp_path, step):
    """Every day is like the day before, in every chamber; each sensor has noise of its own."""
    rng = np.random.default_rng(3)
    hours = np.arange(ROWS) / 6
    courses = {}
    for k in range(1, 4):
        cells = np.column_stack([15 + 4 * np.sin(hours * np.pi / 12), 85 + 9 * np.sin(hours)])
        cells += rng.normal(0, 0.1 * step, cells.shape)
        courses[f"T{k}"] = np.round(cells / step) * step
    assert _found(tmp_path, courses) == []


@pytest.mark.parametrize("seed", range(5, 11))
def test_sensors_that_agree_to_a_fiftieth_of_their_step_are_not_accused(tmp_path, seed):
    """One room with fast changes and coarse sensors: about 1 change in 45 differs."""
    rng = np.random.default_rng(seed)
    hours = np.arange(ROWS) / 6
    room = np.column_stack([15 + 8 * np.sin(hours * np.pi / 12), 80 + 15 * np.sin(hours)])
    courses = {f"T{k}": np.round(room + rng.normal(0, 0.02, room.shape)) for k in (1, 2)}
    assert _found(tmp_path, courses) == []


def test_two_sensors_that_stand_at_100_are_not_accused(tmp_path):
    one, two = _course(1), _course(2)
    one[:, 1] = two[:, 1] = 100.0
    assert _found(tmp_path, {"T1": one, "T2": two}) == []


@pytest.mark.parametrize("step", [0.1, 0.5, 1.0])
def test_sensors_that_round_are_not_accused(tmp_path, step):
    courses = {f"T{k}": _course(k, step=step) for k in range(1, 5)}
    assert _found(tmp_path, courses) == []


def test_lamps_on_one_timer_are_not_accused(tmp_path):
    logs = LOGS.replace('rh_pct = "rh"', 'light_lux = "rh"')
    files = {}
    for k in (1, 2):
        values = _course(k)
        values[:, 1] = np.where(np.arange(ROWS) // 3 % 2, 500.0, 0.0)  # 500 changes, two values
        files[f"logs/climate_T{k}.csv"] = _csv(values)
    found = tk.read_environment(make_trial(tmp_path, files, logs), cache=False).findings
    assert "same_readings" not in {f.code for f in found}
