"""Logs in memory, in files, on a cluster, or too large for memory: the same rules and numbers."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import dask.dataframe as dd
import numpy as np
import pandas as pd
import pytest

import trialkit as tk
from tests.alignment.large_world import (
    CHAMBERS,
    TRIAL,
    assert_alike,
    harvest_of,
    house_log,
    mist_of,
    plan_of,
    write_files,
)
from tests.logs.folder import make_trial
from trialkit.alignment import engine
from trialkit.alignment.align import align, default_settings
from trialkit.alignment.frame import expose_frame
from trialkit.alignment.slow_readings import SLOW_COLUMNS, judge_readings
from trialkit.cli.timelines import write_timelines
from trialkit.logs.climate import chamber_store, large, split_file
from trialkit.logs.climate.large import read_large_environment
from trialkit.logs.climate.read import read_environment
from trialkit.pipeline import SHARE, Pipeline
from trialkit.signals.calibration import calibrate_sensors
from trialkit.signals.mist_response import check_response
from trialkit.signals.sensors import flag_sensors, leave_out


@pytest.fixture(scope="module")
def world(tmp_path_factory):
    folder = tmp_path_factory.mktemp("large")
    log = house_log()
    trial = make_trial(folder, write_files(folder, log), "", trial=TRIAL)
    return trial, log


@pytest.fixture(autouse=True)
def small_pieces(monkeypatch):
    """Pieces so small that every chamber comes in many."""
    monkeypatch.setattr(engine, "BATCH", 1500)
    monkeypatch.setattr(chamber_store, "ROWS", 2000)
    monkeypatch.setattr(chamber_store, "WAITING", 5000)


@pytest.fixture(scope="module")
def wanted(world):
    trial, log = world
    return align(trial, harvest_of(trial), log, mist_of(), plan=plan_of(trial))


def again(world, climate, **more):
    trial, _ = world
    return align(trial, harvest_of(trial), climate, mist_of(), plan=plan_of(trial), **more)


def test_the_world_has_every_trouble(wanted):
    """What is compared below is not empty: each kind of check found or did something."""
    flags = set(wanted.check.flags.table["flag"])
    assert {"stuck", "saturated", "gap", "left out by request"} <= flags
    assert {"trusted", "left out"} <= set(wanted.check.flags.table["action"])
    codes = {f.code for f in wanted.findings}
    assert {"readings_slow", "sensor_trusted", "sensor_left_out", "idle_request"} <= codes
    assert {"calibrated", "calibration_idle"} <= codes
    assert len(wanted.check.response.table)
    assert wanted.runs["rh_slow_pct"].notna().any()


@pytest.mark.parametrize(
    ("kind", "order"), [("parquet", "by sensor"), ("csv", "by time"), ("parquet", "in no order")]
)
def test_files_are_judged_as_memory_is(world, wanted, tmp_path, kind, order):
    _, log = world
    table = {
        "by sensor": log,
        "by time": log.sort_values("time", kind="stable"),
        "in no order": log.sample(frac=1, random_state=3),
    }[order]
    half = len(table) // 2
    for number, part in enumerate((table.iloc[:half], table.iloc[half:])):
        if kind == "parquet":
            part.to_parquet(tmp_path / f"{number}.parquet", row_group_size=1111)
        else:
            part.to_csv(tmp_path / f"{number}.csv", index=False)
    assert_alike(wanted, again(world, tmp_path / f"*.{kind}"))


def test_dask_is_judged_as_memory_is(world, wanted):
    _, log = world
    mixed = log.sample(frac=1, random_state=4).reset_index(drop=True)
    assert_alike(wanted, again(world, dd.from_pandas(mixed, npartitions=5)))


@pytest.mark.slow
def test_a_local_cluster_judges_as_memory_does(world, wanted):
    from distributed import Client, LocalCluster

    _, log = world
    table = log.sort_values("time").reset_index(drop=True)
    with (
        LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=":0") as cluster,
        Client(cluster),
    ):
        got = again(world, dd.from_pandas(table, npartitions=6))
    assert_alike(wanted, got)


def test_chamber_by_chamber_is_the_log_as_a_whole(world, wanted):
    """The verbs of each stage, on the whole log at once, give what the chambers gave."""
    trial, log = world
    spec, zone = trial.logs["environment"], trial.zone
    settings = default_settings(trial, log)
    set_right = calibrate_sensors(log, spec.calibration, zone=zone)
    runs = wanted.runs[wanted.runs["window"] == "whole"].assign(
        run=lambda t: t["batch"] + " " + t["chamber"],
        stop=lambda t: t["stop"].clip(upper=log["time"].max()),
    )
    gap = settings.max_gap_min
    flags = flag_sensors(set_right.table, within=runs, max_gap_min=gap, zone=zone, asked=spec.asked)
    clean = leave_out(set_right.table, flags)
    seen = leave_out(set_right.table, flags, keep=("saturated",))
    columns = ["batch", "chamber", "window", "start", "stop"]
    whole = expose_frame(clean, wanted.runs[columns], settings=settings)
    names = [name for name in whole.chambers if name in wanted.runs]
    pd.testing.assert_frame_equal(whole.chambers, wanted.runs[names], rtol=1e-12, atol=1e-12)
    each = [name for name in whole.sensors if name in wanted.sensors]
    pd.testing.assert_frame_equal(whole.sensors[each], wanted.sensors[each], rtol=1e-12)
    slow = judge_readings(clean, mist_of(), whole.chambers, rig=trial.rig, settings=settings)
    pd.testing.assert_frame_equal(slow, wanted.runs[list(SLOW_COLUMNS)], rtol=1e-12)
    pd.testing.assert_frame_equal(flags.table, wanted.check.flags.table)
    response = check_response(seen, mist_of(), within=runs, zone=zone)
    pd.testing.assert_frame_equal(response.runs, wanted.check.response.runs)
    told = (*set_right.findings, *flags.findings, *response.findings)
    assert wanted.findings[: len(told)] == told
    pd.testing.assert_frame_equal(clean, wanted.check.climate)


def test_coverage_is_of_humidity_where_only_one_chamber_lacks_it(wanted):
    """A chamber without humidity is not covered, though its temperature is."""
    dry = wanted.runs[wanted.runs["chamber"] == "T4"]
    assert (dry["coverage_pct"] == 0).all()
    assert (dry["temp_coverage_pct"] > 80).all()
    assert (wanted.runs.loc[wanted.runs["chamber"] == "T2", "coverage_pct"] > 60).all()


def test_large_reading_is_reading(world):
    """Mapping, units, clocks, copies and contradictions: each row has the same fate."""
    trial, _ = world
    small, told = read_environment(trial, cache=False), []
    got = read_large_environment(trial, progress=lambda *now: told.append(now))
    table = pd.concat([got.read(name) for name in CHAMBERS], ignore_index=True)
    pd.testing.assert_frame_equal(small.table, table, check_dtype=False)
    pd.testing.assert_frame_equal(small.ledger.table, got.ledger.table)
    pd.testing.assert_frame_equal(small.ledger.counts, got.ledger.counts)
    pd.testing.assert_frame_equal(small.spans, got.spans)
    assert small.findings == got.findings
    assert small.files == got.files
    rules = set(small.ledger.table["rule"])
    assert {"double export", "same time, other values", "clock corrected"} <= rules
    assert (small.ledger.table["action"] == "kept by request").sum() == 2
    assert told[-1] == (9, 9)  # five files and four chambers
    assert [done for done, _ in told] == sorted(done for done, _ in told)


@pytest.mark.parametrize("packed", [False, True])
def test_a_file_larger_than_memory_is_read_by_chamber(world, tmp_path, monkeypatch, packed):
    """Cut by chamber, every row has the same fate, and its number in the whole file."""
    import gzip

    monkeypatch.setattr(split_file, "SPLIT_BYTES", 8000)
    _, log = world
    files = write_files(tmp_path, log.sort_values("time", kind="stable"))
    if packed:
        files = {name: gzip.compress(data, 1) for name, data in files.items()}
    trial = make_trial(tmp_path, files, "", trial=TRIAL)
    cut = []
    monkeypatch.setattr(large, "read_split", lambda *a: cut.append(split_file.read_split(*a)) or 1)
    small, got = read_environment(trial, cache=False), read_large_environment(trial)
    assert cut == [True] * 5
    table = pd.concat([got.read(name) for name in CHAMBERS], ignore_index=True)
    pd.testing.assert_frame_equal(small.table, table, check_dtype=False)
    pd.testing.assert_frame_equal(small.ledger.counts, got.ledger.counts)
    pd.testing.assert_frame_equal(small.spans, got.spans)
    assert small.findings == got.findings
    assert small.files == got.files

    def rows(ledger):
        """Only how rows are put together in lines may differ: the lines of one chamber each."""
        keys = ["file", "column", "rule", "action", "reason", "remedy"]
        by = ledger.table.groupby(keys)
        return by.agg(rows=("rows", "sum"), first=("row", "min"), last=("row_last", "max"))

    pd.testing.assert_frame_equal(rows(small.ledger), rows(got.ledger))


def test_broken_lines_and_strange_chambers_of_a_cut_file_are_told(tmp_path, monkeypatch):
    monkeypatch.setattr(split_file, "SPLIT_BYTES", 1000)
    time = pd.date_range("2031-03-10 10:00", periods=300, freq="10min").strftime("%Y-%m-%d %H:%M")
    lines = [f"{t},{c},{15 + k % 7}.5" for k, t in enumerate(time) for c in CHAMBERS]
    lines[40] = "2031-03-10 11:00,T9,15.0"
    lines[90] = "2031-03-10 12:00"
    lines[200] = '2031-03-10 13:00,"T2",x'
    text = "\n".join(["made by hand", "time,chamber,temp_c", *lines]) + "\n"
    files = {"logs/all.csv": text.encode()}
    trial = make_trial(tmp_path, files, '[logs.environment]\nfiles = ["logs/*"]\n')
    small, got = read_environment(trial, cache=False), read_large_environment(trial)
    table = pd.concat([got.read(name) for name in CHAMBERS], ignore_index=True)
    pd.testing.assert_frame_equal(small.table, table, check_dtype=False)
    columns = ["file", "row", "rule", "action", "old", "reason"]
    one, two = (
        log.ledger.table[columns].sort_values(["row", "rule"]).reset_index(drop=True)
        for log in (small, got)
    )
    pd.testing.assert_frame_equal(one, two)
    assert {43, 93, 203} <= set(one["row"])  # lines as a person counts them
    pd.testing.assert_frame_equal(small.ledger.counts, got.ledger.counts)


def test_a_file_whose_heads_come_again_is_not_cut(tmp_path, monkeypatch):
    """The columns below may stand in another order; the file is read whole, as small ones are."""
    monkeypatch.setattr(split_file, "SPLIT_BYTES", 1000)
    time = pd.date_range("2031-03-10 10:00", periods=900, freq="10min").strftime("%Y-%m-%d %H:%M")
    lines = [f"{t},{c},{15 + k % 7}.5" for k, t in enumerate(time) for c in CHAMBERS]
    lines[3000] = "time,temp_c,chamber"
    text = "\n".join(["time,chamber,temp_c", *lines]) + "\n"
    logs = '[logs.environment]\nfiles = ["logs/*"]\n'
    trial = make_trial(tmp_path, {"logs/all.csv": text.encode()}, logs)
    cut = []
    monkeypatch.setattr(
        large, "read_split", lambda *a: cut.append(split_file.read_split(*a)) or cut[-1]
    )
    small, got = read_environment(trial, cache=False), read_large_environment(trial)
    assert cut == [False]
    pd.testing.assert_frame_equal(small.ledger.table, got.ledger.table)
    table = pd.concat([got.read(name) for name in CHAMBERS], ignore_index=True)
    pd.testing.assert_frame_equal(small.table, table, check_dtype=False)


def test_large_logs_are_aligned_as_small_ones(world):
    trial, _ = world
    small = read_environment(trial, cache=False)
    want, told = again(world, small), []
    got = again(world, read_large_environment(trial), progress=lambda *now: told.append(now))
    assert_alike(want, got)
    assert told == [(k, 4) for k in (1, 2, 3, 4)]
    # the clock corrections of the trial file hold: the log read is the log that was written
    slow = want.runs.loc[want.runs["chamber"] == "T3", "rh_pct"]
    assert np.isfinite(slow).all()


def test_wide_files_and_unnamed_loggers_are_read_alike(tmp_path):
    """A row of a wide file is used as long as one of its chambers needs it."""
    time = pd.date_range("2031-03-10 10:00", periods=400, freq="10min")
    wave = np.sin(np.arange(400) / 9).round(2)
    wide = pd.DataFrame(
        {"time": time, "T1 temp": 15 + wave, "T2 temp": 16 - wave, "T3 temp": 15.5 + wave / 2}
    )
    again = wide.iloc[100:160].copy()
    again["T2 temp"] += np.where(np.arange(60) < 30, 0.0, 0.5)
    other = wide[["time"]].assign(temp_c=14 + wave)
    files = {
        "logs/a.csv": wide.to_csv(index=False).encode(),
        "logs/b.csv": again.to_csv(index=False).encode(),
        "logs/T4 left.csv": other.to_csv(index=False).encode(),
        "logs/T4 right.csv": other.assign(temp_c=13.5 + wave).to_csv(index=False).encode(),
    }
    spec = '[logs.environment]\nfiles = ["logs/*"]\ncolumns = { temp_c = "{chamber} temp" }\n'
    narrow = spec.replace('"{chamber} temp"', '["{chamber} temp", "temp_c"]')
    trial = make_trial(tmp_path, files, narrow)
    small, got = read_environment(trial, cache=False), read_large_environment(trial)
    table = pd.concat([got.read(name) for name in CHAMBERS], ignore_index=True)
    pd.testing.assert_frame_equal(small.table, table[list(small.table)], check_dtype=False)
    pd.testing.assert_frame_equal(small.ledger.table, got.ledger.table)
    pd.testing.assert_frame_equal(small.ledger.counts, got.ledger.counts)
    assert small.findings == got.findings


@pytest.mark.slow
def test_a_trial_with_large_logs_goes_the_same_way(tmp_path, monkeypatch):
    """The demo, taken as too large: data, findings and pictures as ever, nothing left behind."""
    want = Pipeline(tk.demo_folder())
    monkeypatch.setattr(large, "LARGE_BYTES", 1000)
    got, told = Pipeline(tk.demo_folder(), lambda share, words="": told.append(share)), []
    assert isinstance(got.climate, large.LargeLog)
    assert sum(told) == pytest.approx(SHARE["environment"])
    assert_alike(want.data, got.data)
    made = write_timelines(tmp_path / "pictures", got.data, got.logs)
    assert [path.name for path in made] == [f"humidity_T{i}.png" for i in range(1, 7)]
    assert str(got.climate).startswith(str(want.climate).splitlines()[0])
    assert not (tk.demo_folder() / ".cache").exists()


@pytest.mark.slow
@pytest.mark.parametrize(("way", "files", "within"), [
    ("large", 12, True), ("large", 1, True), ("small", 12, False),
])  # fmt: skip
def test_memory_stays_within_its_bound(way, files, within):
    """Of 3 million rows (100 MB of text) the ordinary way needs several times the bound."""
    script = Path(__file__).parents[2] / "benchmarks" / "large_logs.py"
    asked = ["--rows", "3", "--files", str(files), "--ways", way, "--memory", "220"]
    done = subprocess.run([sys.executable, script, *asked], check=False, capture_output=True)
    assert (done.returncode == 0) == within, done.stderr.decode()
    assert b"mean humidity 86.0" in done.stdout
