"""Plans on disk: whole or not at all, checked when read, never overwritten once begun."""

import json

import pandas as pd
import pytest

import trialkit as tk
from tests.bare_plans import write_bare
from trialkit.design.sheets import plan_folder as planfile
from trialkit.errors import PlanError


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    from tests.design.conftest import write_trial

    folder = tmp_path_factory.mktemp("plan")
    trial = write_trial(
        folder,
        "structure = '(batch * chamber) / block'\nbatch = 2\nchamber = 4\nblock = 2\nflushes = 2",
        {"schedule": ("batch:chamber", 2, "")},
        extra="[logs.harvest]\nfiles = ['harvest.csv']\n",
    )
    return trial, tk.assign(trial), tk.assign(trial).write(folder)


FILES = {
    "assignment.csv", "assignment.xlsx", "harvest_sheet.csv", "harvest_sheet.xlsx",
    "timers.csv", "strata.txt", "map.svg", "map.png", "labels.html", "cards.html",
    "checklist.html", "weighing.html", "plan.json",
}  # fmt: skip


def test_every_file_is_written_and_named(written):
    trial, _, paths = written
    assert {p.name for p in paths} == FILES
    assert all(p.exists() and p.parent == trial.folder / "plan" for p in paths)
    assert not list(trial.folder.glob(".plan-*"))


def test_reading_gives_the_plan_back(written):
    trial, plan, _ = written
    again = tk.read_plan(trial)
    pd.testing.assert_frame_equal(again.table, plan.table)
    assert (again.hash, again.seed, again.version) == (plan.hash, plan.seed, plan.version)
    assert again.method == plan.method
    assert again.efficiency == plan.efficiency


def test_harvest_sheet_lists_every_unit_and_flush(written):
    trial, plan, _ = written
    sheet = pd.read_csv(trial.folder / "plan" / "harvest_sheet.csv", keep_default_na=False)
    assert len(sheet) == 2 * len(plan.table)
    assert list(sheet.columns) == ["unit", "batch", "chamber", "block", "flush", "date", "fresh_g",
                                   "dry_g", "caps", "status", "note"]  # fmt: skip
    assert (sheet.loc[:, "date":] == "").all().all()
    assert "schedule" not in sheet.columns  # whoever weighs does not know


def test_a_changed_assignment_is_noticed(written, tmp_path):
    trial, plan, _ = written
    write_bare(plan, tmp_path)
    path = tmp_path / "plan" / "assignment.csv"
    path.write_text(path.read_text().replace("s0", "sX", 1).replace("s1", "s0", 1)
                    .replace("sX", "s1", 1))  # fmt: skip
    with pytest.raises(PlanError, match="has been changed since it was drawn"):
        tk.read_plan(trial, directory=tmp_path)


def test_missing_and_foreign_plans_are_refused(written, tmp_path, make_trial):
    trial, plan, _ = written
    with pytest.raises(PlanError, match="no plan is at"):
        tk.read_plan(trial, directory=tmp_path)
    write_bare(plan, tmp_path)
    other = make_trial("structure = '(batch * chamber) / block'\nbatch = 2\nchamber = 4\nblock = 3",
                       {"schedule": ("batch:chamber", 2, "")})  # fmt: skip
    with pytest.raises(PlanError, match="made for other units"):
        tk.read_plan(other, directory=tmp_path)
    (tmp_path / "plan" / "plan.json").write_text("{", encoding="utf-8")
    with pytest.raises(PlanError, match="cannot be read"):
        tk.read_plan(trial, directory=tmp_path)


@pytest.mark.parametrize("where", ["log", "sheet"])
def test_a_begun_trial_keeps_its_plan(written, tmp_path, where):
    import dataclasses

    trial = dataclasses.replace(written[0], folder=tmp_path)
    first = tk.assign(trial, seed=1)
    second = tk.assign(trial, seed=2)
    write_bare(first, tmp_path)
    write_bare(second, tmp_path)  # nothing has begun: a new plan may replace the old one
    assert tk.read_plan(trial).seed == 2
    if where == "log":
        (tmp_path / "harvest.csv").write_text("unit,fresh_g\nB1-C1-1,100\n")
    else:
        sheet = tmp_path / "plan" / "harvest_sheet.csv"
        filled = pd.read_csv(sheet, dtype=str, keep_default_na=False)
        filled.loc[3, "fresh_g"] = "412"
        filled.to_csv(sheet, index=False)
    with pytest.raises(PlanError, match="the trial has begun"):
        write_bare(first, tmp_path)
    assert tk.read_plan(trial).seed == 2
    write_bare(second, tmp_path)  # the same plan may be written again
    write_bare(first, tmp_path, keep_old=True)
    assert tk.read_plan(trial).seed == 1
    old = json.loads((tmp_path / "plan-old-1" / "plan.json").read_text())
    assert old["seed"] == 2


def test_weights_already_filled_in_survive_writing_the_same_plan(written, tmp_path):
    import dataclasses

    trial, _, _ = written
    trial = dataclasses.replace(trial, folder=tmp_path)
    plan = tk.assign(trial, seed=3)
    write_bare(plan, tmp_path)
    sheet = tmp_path / "plan" / "harvest_sheet.csv"
    filled = pd.read_csv(sheet, dtype=str, keep_default_na=False)
    filled.loc[0, "fresh_g"] = "399"
    filled.to_csv(sheet, index=False)
    write_bare(plan, tmp_path)
    again = pd.read_csv(sheet, dtype=str, keep_default_na=False)
    assert again.loc[0, "fresh_g"] == "399"


def test_a_failure_leaves_what_was_there(written, tmp_path, monkeypatch):
    trial, plan, _ = written
    write_bare(plan, tmp_path)
    before = {p.name: p.read_bytes() for p in (tmp_path / "plan").iterdir()}

    def fail(*_args, **_options):
        raise OSError("disk full")

    monkeypatch.setattr("trialkit.design.sheets.workbook.write_workbook", fail)
    with pytest.raises(OSError, match="disk full"):
        tk.assign(trial, seed=77).write(tmp_path)
    assert {p.name: p.read_bytes() for p in (tmp_path / "plan").iterdir()} == before
    assert not list(tmp_path.glob(".plan-*"))


def test_notes_beside_the_plan_are_not_lost(written, tmp_path):
    trial, plan, _ = written
    write_bare(plan, tmp_path)
    (tmp_path / "plan" / "my notes.txt").write_text("door of C2 sticks")
    write_bare(tk.assign(trial, seed=5), tmp_path)
    assert (tmp_path / "plan" / "my notes.txt").read_text() == "door of C2 sticks"


def test_hash_depends_on_assignment_seed_and_version(written):
    _, plan, _ = written
    table = plan.table
    base = planfile.plan_hash(table, 1, "0.1")
    assert base != planfile.plan_hash(table, 2, "0.1")
    assert base != planfile.plan_hash(table, 1, "0.2")
    assert base != planfile.plan_hash(table.iloc[::-1], 1, "0.1")
