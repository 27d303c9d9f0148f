"""Rows of a file passed by or summed, and wet sensors beside mist that never stops, by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

import trialkit as tk
from trialkit.alignment.cells import Cells
from trialkit.alignment.checks import check_logs, named_runs
from trialkit.alignment.engine import _piece_of_batch
from trialkit.alignment.kernel import Summer
from trialkit.alignment.measures import ExposureSettings
from trialkit.errors import Finding

START = pd.Timestamp("2031-01-13 08:00", tz="UTC")
TRIAL = """
[trial]
title = "two tents"
time_zone = "UTC"
[units]
structure = "(batch * chamber) / block"
batch = 3
chamber = ["T1", "T2"]
block = 2
[factors.schedule]
applied_to = "batch:chamber"
levels.usual = { on_s = 20, off_s = 220 }
levels.sparse = { on_s = 20, off_s = 460 }
[question]
primary = "schedule"
[batches]
B1 = { start = 2031-01-13T08:00:00, end = 2031-01-17T08:00:00 }
B2 = { start = 2031-03-13T08:00:00, end = 2031-03-17T08:00:00 }
B3 = { start = 2031-05-13T08:00:00, end = 2031-05-17T08:00:00 }
"""


@pytest.fixture
def trial(tmp_path):
    (tmp_path / "trial.toml").write_text(TRIAL, encoding="utf-8")
    return tk.read_trial(tmp_path)


# ------------------------------------------------------------------ rows of a file


def summed(chamber, minute, temp, sensor=None, kind=None):
    """Sum a batch of records over an hour of T1: covered seconds and the integral of °C."""
    hour = pd.DataFrame(
        {"chamber": ["T1"], "start": [START], "stop": [START + pd.Timedelta(hours=1)]}
    )
    summer = Summer(Cells(hour), ExposureSettings(max_gap_min=10))
    stamps = [None if m is None else START + pd.Timedelta(minutes=m) for m in minute]
    columns = {
        "chamber": pa.array(chamber, pa.string()),
        "time": pa.array(stamps, kind or pa.timestamp("ns", "UTC")),
        "temp_c": pa.array(temp, pa.float32()),
    }
    if sensor is not None:
        columns["sensor"] = pa.array(sensor, pa.string()).dictionary_encode()
    batch = pa.RecordBatch.from_pydict(columns)
    piece = _piece_of_batch(batch, summer)
    if piece is None:
        return None
    whole = summer.join_pieces([piece])
    names = [name for i, name in enumerate(whole.names) if whole.sums["temp_c|seconds"][i].sum()]
    inside = {k: v[:, 1].sum() for k, v in whole.sums.items() if k.startswith("temp_c|")}
    return inside["temp_c|seconds"], inside["temp_c|mean"], names


@pytest.mark.parametrize("kind", [pa.timestamp("ns", "UTC"), pa.timestamp("s", "UTC")])
def test_rows_without_chamber_time_or_window_are_passed_by(kind):
    """10 °C at 0 and 20 °C at 10 min: 600 s of 15 °C. Nothing else may count."""
    sound = (["T1", "T1"], [0, 10], [10.0, 20.0])
    want = (600.0, 9000.0, [("T1", "")])
    assert summed(*sound, kind=kind) == want
    more = (["T1", "T2", "T1", None, "T1"], [0, 2, None, 5, 10], [10.0, 99.0, 99.0, 99.0, 20.0])
    assert summed(*more, kind=kind) == want
    no_time = (["T1", "T1", "T1"], [0, None, 10], [10.0, 99.0, 20.0])
    assert summed(*no_time, kind=kind) == want
    other = (["T1", "T9", "T1"], [0, 5, 10], [10.0, 99.0, 20.0])
    assert summed(*other, kind=kind) == want
    assert summed(["T9", "T2"], [0, 10], [10.0, 20.0], kind=kind) is None
    assert summed([], [], [], kind=kind) is None


def test_sensors_of_a_file_are_series_of_their_own():
    """Sensor a reads 10 °C, b 20 °C, one without a name 40 °C: each 600 s."""
    chamber, minute = ["T1"] * 7, [0, 0, 0, 10, 10, 10, 5]
    temp = [10.0, 20.0, 40.0, 10.0, 20.0, 40.0, 99.0]
    sensor = ["a", "b", None, "a", "b", None, "a"]
    chamber[6] = None  # a row of no chamber
    seconds, integral, names = summed(chamber, minute, temp, sensor)
    assert (seconds, integral) == (1800.0, 600.0 * 70)
    assert names == [("T1", ""), ("T1", "a"), ("T1", "b")]


# ------------------------------------------------------------------ wet sensors and mist


def logs(wet_h=(), chamber="T1"):
    """Give a reading a minute and a pulse each 4 min over four days; wet and silent for hours."""
    minute = np.arange(4 * 1440)
    lively = 0.1 * np.array([0, 1, -1, 1])[(minute // 4) % 4]
    rh = 85.0 + lively + 2.0 * np.isin(minute % 4, (1, 2))
    for low, high in wet_h:
        hours = (minute >= low * 60) & (minute < high * 60)
        rh = np.where(hours, 99.6 + 0.1 * (minute % 2), rh)
    time = START + pd.to_timedelta(minute, unit="min")
    climate = pd.DataFrame(
        {"chamber": chamber, "time": time, "rh_pct": rh,
         "temp_c": 15.0 + 0.01 * np.array([0, 1, -1, 1])[minute % 4]}
    )  # fmt: skip
    start = time[minute % 4 == 0]
    mist = pd.DataFrame(
        {"chamber": chamber, "start": start, "stop": start + pd.Timedelta(seconds=20)}
    )
    return climate, mist


def test_a_wet_sensor_is_left_out_and_yet_a_witness_of_mist_that_never_stops(trial):
    """Six hours of 99.6 %: not used for exposures, but the air answered no pulse, being full."""
    climate, mist = logs(wet_h=[(30, 36)])
    found = check_logs(trial, climate, mist)
    assert "saturated" in set(found.flags.table["flag"])
    wet = climate["time"].between(
        START + pd.Timedelta(hours=30), START + pd.Timedelta(hours=36), inclusive="left"
    )
    assert found.climate.loc[wet, "rh_pct"].isna().all()
    assert found.climate.loc[~wet, "rh_pct"].notna().all()
    [row] = found.response.table.to_dict("records")
    assert row["fault"] == "wet all the time"
    assert row["hours"] == pytest.approx(6.0, abs=0.2)
    codes = {f.code for f in found.findings}
    assert {"sensor_saturated", "mist_wet_all_the_time"} <= codes
    sound = check_logs(trial, *logs())
    assert len(sound.flags.table) == 0
    assert sound.findings == ()


def test_without_humidity_or_mist_nothing_is_said_of_the_answer(trial):
    climate, mist = logs(wet_h=[(30, 36)])
    assert check_logs(trial, climate, None).response is None
    assert check_logs(trial, climate.drop(columns="rh_pct"), mist).response is None
    nothing = check_logs(trial, None, mist)
    assert (nothing.climate, nothing.flags, nothing.findings) == (None, None, ())


def test_a_clock_told_by_the_reader_is_not_told_again(trial):
    """Readings an hour late from the second day on; the reader may have said so already."""
    climate, mist = logs()
    irregular = 7 * np.sort(np.random.default_rng(5).choice(820, 400, replace=False))
    start = START + pd.to_timedelta(irregular, unit="min")
    mist = pd.DataFrame({"chamber": "T1", "start": start, "stop": start + pd.Timedelta(seconds=20)})
    minute = np.arange(4 * 1440)
    wet = np.isin(minute - 1, irregular) | np.isin(minute - 2, irregular)
    climate["rh_pct"] = 80.0 + 3.0 * wet + 0.1 * (minute % 3)
    late = climate["time"] >= START + pd.Timedelta(hours=48)
    climate.loc[late, "time"] += pd.Timedelta(hours=1)
    codes = [f.code for f in check_logs(trial, climate, mist).findings]
    assert "mist_clock" in codes
    [told] = [f for f in check_logs(trial, climate, mist).findings if f.code == "mist_clock"]
    known = (Finding("clock_hour_off", "caution", "said already"),)
    again = [f.code for f in check_logs(trial, climate, mist, told=known).findings]
    assert "mist_clock" not in again
    other = (Finding("units_missing", "caution", "of the harvest"),)
    assert told.code in [f.code for f in check_logs(trial, climate, mist, told=other).findings]


def test_runs_end_with_the_log_and_not_before_they_begin(trial):
    climate, _ = logs()
    runs = named_runs(trial, climate[climate["time"] < START + pd.Timedelta(hours=10)])
    assert runs["run"].tolist() == ["B1 T1", "B1 T2"]
    assert set(runs["stop"]) == {START + pd.Timedelta(minutes=599)}
    early = climate.assign(time=climate["time"] - pd.Timedelta(days=10))
    assert len(named_runs(trial, early)) == 0
