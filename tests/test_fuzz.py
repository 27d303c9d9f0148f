"""Hostile files, drawn by the thousand: none ends in a traceback or a value that is not there."""

import gzip
import itertools
import subprocess
import sys
import time
from pathlib import Path

import pandas as pd
import pytest

from tests.fuzzing.cases import Bench, _in_cut_stream
from tests.fuzzing.judging import FAULTS, OverTimeError, invented, lines_of, within
from tests.logs.folder import make_trial
from trialkit.logs.climate.read import read_environment

ROOT = Path(__file__).parents[1]
LOG = b"time,chamber,temp_c\n2031-01-14 10:00,T1,20.5\n2031-01-14 10:10,T1,20.7\n"


def test_some_hostile_files_are_read_or_refused(tmp_path):
    bench = Bench(tmp_path, seed=1)
    seen = [(number, *bench.run(number)) for number in range(120)]
    assert [case for case in seen if case[2].result in FAULTS] == []
    assert {area for _, area, _ in seen} == {"log", "trial file", "packed", "parquet", "workbook"}
    assert {outcome.result for *_, outcome in seen} == {"read", "refused"}


def test_a_case_is_the_same_again_from_its_seed_and_number(tmp_path):
    made = []
    for name in ("one", "two"):
        bench = Bench(tmp_path / name, seed=9)
        for number in range(4):
            bench.run(number)
        files = sorted(p for p in (tmp_path / name).rglob("*") if p.is_file())
        made.append([p.read_bytes() for p in files if p.suffix == ".dat"])
    assert made[0] == made[1]


def test_the_judge_sees_a_value_or_a_time_that_is_not_in_the_file(tmp_path):
    trial = make_trial(tmp_path, {"log.csv": LOG}, '\n[logs.environment]\nfiles = ["log.csv"]\n')
    log = read_environment(trial)
    assert invented(log, "environment", lines_of(LOG)) == ""
    assert invented(log, "environment", lines_of(LOG.replace(b"20.7", b"20.8"))) != ""
    assert invented(log, "environment", lines_of(LOG.replace(b"10:10", b"10:11"))) != ""
    log.table.loc[0, "time"] += pd.Timedelta(minutes=1)
    assert invented(log, "environment", lines_of(LOG)) != ""


def test_the_judge_takes_values_of_one_moment_together_and_no_others(tmp_path):
    """Two rows of one moment that complete each other are one record; another moment's are not."""
    halves = (
        b"time,chamber,temp_c,rh_pct\n2031-01-14 10:00,T1,20.5,\n2031-01-14 10:00,T1,,90.1\n"
        b"2031-01-14 10:10,T1,20.7,90.3\n"
    )
    trial = make_trial(tmp_path, {"log.csv": halves}, '\n[logs.environment]\nfiles = ["log.csv"]\n')
    log = read_environment(trial)
    assert log.table[["temp_c", "rh_pct"]].to_numpy().tolist() == [[20.5, 90.1], [20.7, 90.3]]
    assert invented(log, "environment", lines_of(halves)) == ""
    log.table.loc[0, "rh_pct"] = 90.3  # stands in the file, at another moment
    assert invented(log, "environment", lines_of(halves)) != ""


def test_a_date_alone_is_the_beginning_of_its_day_whatever_else_stands_beside_it(tmp_path):
    """A colon that is no clock, as in JSON, tells no time of day."""
    lines = b'{"time": "2031-01-31", "chamber": "T1", "temp_c": "20.5"}\n'
    trial = make_trial(
        tmp_path, {"log.json": lines}, '\n[logs.environment]\nfiles = ["log.json"]\n'
    )
    log = read_environment(trial)
    assert invented(log, "environment", lines_of(lines)) == ""
    assert invented(log, "environment", lines_of(lines.replace(b"-31", b"-31 05:00"))) != ""


def test_the_judge_stops_what_computes_too_long_and_waits_for_a_busy_machine():
    with pytest.raises(OverTimeError), within(0.05):
        max(k for k in itertools.count())
    with within(0.05):  # asleep, as while others have the processor
        time.sleep(0.2)
    with pytest.raises(OverTimeError), within(0.05):  # but not for ever
        time.sleep(5)


def test_the_judge_unpacks_a_stream_by_itself_only_where_its_end_is_lost():
    packed = gzip.compress(LOG * 50, mtime=0)
    assert _in_cut_stream(packed) == b"" == _in_cut_stream(LOG)
    cut = _in_cut_stream(packed[:-9])
    assert cut
    assert (LOG * 50).startswith(cut)


@pytest.mark.slow
def test_thousands_of_hostile_files():
    """As many on a fast machine as on a slow one: a longer look is a command of its own."""
    command = [sys.executable, "benchmarks/fuzz.py", "--files", "2500", "--seed", "11"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_a_day_of_the_year_is_found_by_the_judge(tmp_path):
    """ISO 8601-1, 4.1.3: 2031-019 is the nineteenth day of 2031."""
    text = b"time,chamber,temp_c,rh_pct\n2031-019 02:00:00,T1,18.000,\n"
    trial = make_trial(tmp_path, {"log.csv": text}, '\n[logs.environment]\nfiles = ["log.csv"]\n')
    log = read_environment(trial)
    assert len(log.table) == 1
    assert invented(log, "environment", lines_of(text)) == ""
    assert invented(log, "environment", lines_of(text.replace(b"-019", b"-020"))) != ""
