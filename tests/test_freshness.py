"""A report is fresh while it was made from what is there now, whatever the dates of files say."""

import os

import pytest

import trialkit as tk
from tests.bare_plans import write_bare
from tests.small_trials import make_trial
from trialkit.folder import read_log
from trialkit.report.made_from import differences, made_from, made_from_tag, read_made_from
from trialkit.status import trial_status

LOGS = '[logs.harvest]\nfiles = ["harvest.csv"]\n[logs.mist]\nfiles = ["m*.csv"]'
ROW = b"unit,flush,date,fresh_g\nB1-C1-1,1,2031-01-30,500\n"
MIST = b"time,chamber,state\n2031-01-14 10:00,C1,on\n2031-01-14 10:05,C1,off\n"


@pytest.fixture
def trial(tmp_path):
    trial = make_trial(tmp_path, more=LOGS)
    write_bare(tk.assign(trial), tmp_path)
    (tmp_path / "harvest.csv").write_bytes(ROW)
    (tmp_path / "mist.csv").write_bytes(MIST)
    logs = {kind: read_log(trial, kind) for kind in ("harvest", "mist")}
    tag = made_from_tag(made_from(trial, tk.read_plan(trial), logs))
    (tmp_path / "report.html").write_text(f"<html><head>{tag}</head></html>", encoding="utf-8")
    return trial


def report(trial):
    row = trial_status(tk.read_trial(trial.folder)).table.set_index("step").loc["report"]
    return row["state"], str(row["detail"])


def test_dates_say_nothing(trial):
    assert report(trial)[0] == "done"
    for name in ("harvest.csv", "trial.toml", "mist.csv"):
        os.utime(trial.folder / name, (4e9, 4e9))  # a clock that is ahead
    assert report(trial)[0] == "done"
    os.utime(trial.folder / "report.html", (1, 1))  # a clock that was set back
    assert report(trial)[0] == "done"


@pytest.mark.parametrize("name", ["harvest.csv", "mist.csv", "trial.toml"])
def test_other_contents_are_told_by_name_and_the_same_again_are_fresh(trial, name):
    path = trial.folder / name
    before, stat = path.read_bytes(), path.stat()
    path.write_bytes(before + b"\n")
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))  # as if nothing had happened
    state, detail = report(trial)
    assert state == "needs care"
    assert name in detail
    path.write_bytes(before)
    assert report(trial)[0] == "done"


def test_another_plan_a_log_more_and_a_log_less_are_told(trial):
    write_bare(tk.assign(trial, seed=77), trial.folder, keep_old=True)
    assert "plan" in report(trial)[1]
    write_bare(tk.assign(trial), trial.folder, keep_old=True)
    assert report(trial)[0] == "done"
    (trial.folder / "m2.csv").write_bytes(MIST)
    assert "m2.csv" in report(trial)[1]
    (trial.folder / "m2.csv").unlink()
    (trial.folder / "harvest.csv").unlink()
    assert "harvest.csv" in report(trial)[1]


@pytest.mark.parametrize("head", ["", '<meta name="trialkit-made-from" content="[1]">', "\x00\xff"])
def test_a_page_that_does_not_say_what_it_was_made_from_is_not_fresh(trial, head):
    (trial.folder / "report.html").write_text(head, encoding="latin-1")
    assert report(trial)[0] == "needs care"


def test_names_with_marks_of_html_come_back_as_they_are(tmp_path):
    inputs = {"trial": {}, "plan": {}, "logs": {'a "b" <c> & 5 g.csv': "12", "ü\n": "x"}}
    (tmp_path / "r.html").write_text(str(made_from_tag(inputs)), encoding="utf-8")
    assert read_made_from(tmp_path / "r.html") == inputs
    assert differences(inputs, {**inputs, "plan": {"plan": "1"}}) == ["plan"]
