"""Two columns of one file that the trial file gives to one chamber are never read as one."""

import pytest

import trialkit as tk
from tests.logs.folder import TRIAL, make_trial

LOGS = """[logs.environment]
files = ["logs/wide.csv"]
columns = {{ time = "time", temp_c = "temp {{chamber}}" }}
chamber = {{ {names} }}
"""
HEAD = "time;temp 1;temp 2;temp 3\n"


def _trial(tmp_path, rows, names):
    lines = [f"2031-01-13 10:0{k}:00;{row}" for k, row in enumerate(rows)]
    data = (HEAD + "\n".join(lines) + "\n").encode()
    return make_trial(tmp_path, {"logs/wide.csv": data}, LOGS.format(names=names))


def test_two_columns_of_one_chamber_are_refused_with_the_line_of_the_trial_file(tmp_path):
    trial = _trial(tmp_path, ["15.1;16.1;17.1", "15.2;16.2;17.2"], '"1" = "T1", "2" = "T1"')
    with pytest.raises(tk.errors.LogError) as problem:
        tk.read_environment(trial)
    line = len(TRIAL.splitlines()) + 4  # counted in LOGS
    for words in ("T1 is named twice, for '1' and '2'", "'temp 1'", "'temp 2'", f"(line {line})"):
        assert words in str(problem.value)


def test_a_sensor_that_follows_another_in_a_column_of_its_own_loses_nothing(tmp_path):
    trial = _trial(tmp_path, ["15.1;;17.1", ";16.2;17.2"], '"1" = "T1", "2" = "T1", "3" = "T3"')
    table = tk.read_environment(trial).table
    assert table.loc[table["chamber"] == "T1", "temp_c"].tolist() == [15.1, 16.2]
    assert table.loc[table["chamber"] == "T3", "temp_c"].tolist() == [17.1, 17.2]


def test_two_switches_of_one_chamber_are_refused(tmp_path):
    logs = LOGS.replace("environment", "mist").replace("temp_c", "state")
    data = b"time;temp 1;temp 2\n2031-01-13 10:00:00;on;off\n2031-01-13 10:01:00;off;on\n"
    names = '"1" = "T1", "2" = "T1"'
    trial = make_trial(tmp_path, {"logs/wide.csv": data}, logs.format(names=names))
    with pytest.raises(tk.errors.LogError, match="T1 is named twice, for '1' and '2'"):
        tk.read_mist(trial)
