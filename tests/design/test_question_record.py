"""The question as it stood when the plan was drawn: kept, proved, and compared."""

import json

import pytest

import trialkit as tk
from tests.bare_plans import write_bare
from tests.small_trials import make_trial
from trialkit.design.question_record import (
    fixed_before_harvest,
    question_changes,
    question_findings,
)
from trialkit.errors import PlanError
from trialkit.status import trial_status

LOGS = '[logs.harvest]\nfiles = ["harvest.csv"]'
ROW = "unit,flush,date,fresh_g\nB1-C1-1,1,2031-01-30,500\n"


@pytest.fixture
def trial(tmp_path):
    trial = make_trial(tmp_path, more=LOGS)
    write_bare(tk.assign(trial), tmp_path)
    return trial


def ask(trial, old, new):
    text = trial.source.read_text(encoding="utf-8")
    assert old in text
    trial.source.write_text(text.replace(old, new), encoding="utf-8")
    return tk.read_trial(trial.folder)


def kept(trial):
    return json.loads((trial.folder / "plan" / "plan.json").read_text("utf-8"))["question"]


def test_the_plan_keeps_every_part_of_the_question(trial):
    record = kept(trial)
    asked = {k: record[k] for k in ("primary", "margin_pct", "difference_pct", "control", "level")}
    assert asked == {
        "primary": "schedule",
        "margin_pct": 10.0,
        "difference_pct": 15.0,
        "control": "usual",
        "level": 0.95,
    }
    assert record["before_harvest"] is True
    plan = tk.read_plan(trial)
    assert question_changes(trial, plan) == []
    assert fixed_before_harvest(trial, plan)


@pytest.mark.parametrize(
    ("old", "new", "part"),
    [
        ("margin_pct = 10", "margin_pct = 20", "margin_pct"),
        ("difference_pct = 15", "difference_pct = 9", "difference_pct"),
        ('control = "usual"', 'control = "sparse"', "control"),
        ("difference_pct = 15", 'difference_pct = 15\nresponse = "dry_g"', "response"),
        ("difference_pct = 15", "difference_pct = 15\nlevel = 0.9", "level"),
        ("difference_pct = 15", 'difference_pct = 15\nscale = "logarithm"', "scale"),
    ],
)
def test_any_part_that_changes_is_told_by_finding_and_status(trial, old, new, part):
    after = ask(trial, old, new)
    plan = tk.read_plan(after)
    [found] = question_findings(after, plan)
    assert (found.code, found.severity) == ("question_changed", "caution")
    assert f"({part})" in found.message or part == "control"
    assert not fixed_before_harvest(after, plan)
    rows = trial_status(after).table.set_index("step")
    assert rows.loc["question", "state"] == "needs care"


def test_before_the_first_harvest_a_new_plan_writes_the_new_question_down(trial):
    after = ask(trial, "margin_pct = 10", "margin_pct = 20")
    write_bare(tk.assign(after), after.folder)
    assert question_findings(after, tk.read_plan(after)) == []
    assert fixed_before_harvest(after, tk.read_plan(after))


def test_once_rows_are_there_the_old_question_stays_with_the_plan(trial):
    (trial.folder / "harvest.csv").write_text(ROW, encoding="utf-8")
    after = ask(trial, "margin_pct = 10", "margin_pct = 20")
    write_bare(tk.assign(after), after.folder)  # the same plan again
    assert kept(after)["margin_pct"] == 10
    assert [f.code for f in question_findings(after, tk.read_plan(after))] == ["question_changed"]


def test_a_plan_drawn_when_rows_were_there_proves_nothing(tmp_path):
    trial = make_trial(tmp_path, more=LOGS)
    (tmp_path / "harvest.csv").write_text(ROW, encoding="utf-8")
    write_bare(tk.assign(trial), tmp_path)
    assert kept(trial)["before_harvest"] is False
    assert not fixed_before_harvest(trial, tk.read_plan(trial))


@pytest.mark.parametrize("change", ["margin", "moment", "no record", "no table"])
def test_a_record_that_was_changed_by_hand_is_refused_and_an_older_plan_proves_nothing(
    trial, change
):
    path = trial.folder / "plan" / "plan.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    if change == "margin":
        record["question"]["margin_pct"] = 20.0
    elif change == "moment":
        record["question"]["before_harvest"] = False
    elif change == "no record":
        del record["question"]
    else:
        record["question"] = "10 %"
    path.write_text(json.dumps(record), encoding="utf-8")
    if change == "no record":
        plan = tk.read_plan(trial)
        assert question_findings(trial, plan) == []
        assert not fixed_before_harvest(trial, plan)
    else:
        with pytest.raises(PlanError, match="question does not fit"):
            tk.read_plan(trial)
