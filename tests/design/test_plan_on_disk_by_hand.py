"""A plan's folder piece by piece: what counts as begun, what is kept, what is refused."""

import datetime as dt
import errno
import json
from types import SimpleNamespace

import pandas as pd
import pytest

from trialkit.design.layout.draw_record import UNKNOWN, Draw, read_draw, under_other_names
from trialkit.design.sheets import plan_folder
from trialkit.design.sheets.plan_dates import dated, read_draws, read_record, stands_in
from trialkit.design.sheets.plan_folder import (
    _carry_over,
    _check_fit,
    _check_hash,
    _check_over_time,
    _exchange,
    _existing_hash,
    _is_filled,
    begun,
    plan_hash,
    write_plan,
)
from trialkit.errors import PlanError

MIDDAY = dt.datetime(2031, 5, 1, 12, tzinfo=dt.UTC)


def trial_of(folder, files=("harvest*.csv",), **more):
    logs = {"harvest": SimpleNamespace(files=files)} if files else {}
    columns = {"fresh_g": None}
    return SimpleNamespace(folder=folder, logs=logs, harvest_columns=columns, **more)


# ------------------------------------------------------------------ begun


def test_a_trial_has_begun_once_a_row_stands_below_the_head(tmp_path):
    trial, plan = trial_of(tmp_path), tmp_path / "plan"
    assert begun(trial, plan) is None
    (tmp_path / "harvest-1.csv").write_text("unit,fresh_g\n\n  \n")
    assert begun(trial, plan) is None
    (tmp_path / "harvest-2.csv").write_text("unit,fresh_g\na,3\n")
    assert begun(trial, plan) == "harvest-2.csv"
    assert begun(trial_of(tmp_path, ()), plan) is None
    (tmp_path / "harvest-2.csv").unlink()
    (tmp_path / "harvest-3.csv").mkdir()
    assert begun(trial, plan) is None


def test_a_sheet_of_the_plan_that_is_filled_in_tells_too(tmp_path):
    trial, plan = trial_of(tmp_path, ()), tmp_path / "plan"
    plan.mkdir()
    sheet = plan / "harvest_sheet.csv"
    sheet.write_text("unit,date,fresh_g,status,note\na,,, ,\n")
    assert begun(trial, plan) is None
    sheet.write_text("unit,date,fresh_g,status,note\na,,,,\nb,,12,,\n")
    assert begun(trial, plan) == "harvest_sheet.csv"
    sheet.write_text("unit\na\n")
    assert begun(trial, plan) is None
    sheet.write_text("")
    assert begun(trial, plan) == "harvest_sheet.csv"  # unreadable: it may hold weights
    (plan / "harvest_sheet.xlsx").write_bytes(b"no workbook")
    assert _is_filled(plan / "harvest_sheet.xlsx", trial)
    assert not _is_filled(plan / "assignment.xlsx", trial)


# ------------------------------------------------------------------ the folder


def test_the_hash_of_the_plan_there(tmp_path):
    assert _existing_hash(tmp_path) is None
    (tmp_path / "assignment.csv").write_text("unit\n")
    assert _existing_hash(tmp_path) == "unknown"
    for text, told in (('{"hash": "abc"}', "abc"), ("{}", "unreadable"), ("[]", "unreadable"),
                       ("{", "unreadable")):  # fmt: skip
        (tmp_path / "plan.json").write_text(text)
        assert _existing_hash(tmp_path) == told


def test_a_hash_is_sha_256_of_the_table_the_seed_and_the_version():
    r"""By `printf 'unit\nA\nseed=5\nversion=1\n' | sha256sum`, as hashlib has it too."""
    import hashlib

    want = hashlib.sha256(b"unit\nA\nseed=5\nversion=1\n").hexdigest()
    assert plan_hash(pd.DataFrame({"unit": ["A"]}), 5, "1") == want


def test_folders_change_places_and_the_old_one_is_kept_where_asked(tmp_path):
    def made(text):
        folder = tmp_path / "made"
        folder.mkdir()
        (folder / "note").write_text(text)
        return folder

    target = tmp_path / "plan"
    _exchange(target, made("1"), keep=True)
    assert [p.name for p in tmp_path.iterdir()] == ["plan"]
    _exchange(target, made("2"), keep=False)
    assert (target / "note").read_text() == "2"
    assert [p.name for p in tmp_path.iterdir()] == ["plan"]
    _exchange(target, made("3"), keep=True)
    _exchange(target, made("4"), keep=True)
    _exchange(target, made("5"), keep=False)
    told = {p.name: (p / "note").read_text() for p in tmp_path.iterdir()}
    assert told == {"plan": "5", "plan-old-1": "2", "plan-old-2": "3"}


@pytest.mark.parametrize("same", [True, False])
def test_files_that_are_not_ours_and_filled_sheets_of_this_plan_are_carried_over(tmp_path, same):
    trial, old, new = trial_of(tmp_path), tmp_path / "old", tmp_path / "new"
    for folder in (old, new):
        folder.mkdir()
        (folder / "assignment.csv").write_text(folder.name)
        (folder / "harvest_sheet.csv").write_text("unit,fresh_g\na,\n")
    (old / "harvest_sheet.csv").write_text("unit,fresh_g\na,7\n")
    (old / "notes.txt").write_text("mine")
    (old / "photos").mkdir()
    (old / "photos" / "1.jpg").write_text("x")
    _carry_over(old, new, trial, filled=same)
    assert (new / "assignment.csv").read_text() == "new"
    assert ("7" in (new / "harvest_sheet.csv").read_text()) is same
    assert (new / "notes.txt").read_text() == "mine"
    assert (new / "photos" / "1.jpg").exists()


# ------------------------------------------------------------------ writing


@pytest.fixture
def disk(tmp_path, monkeypatch):
    """Write a plan of one file; what a run of `write_plan` was told is noted."""
    told = {}

    def files(plan, folder, question, *, blind, labels):
        told.update(blind=blind, labels=labels, question=question)
        (folder / "plan.json").write_text(json.dumps({"hash": plan.hash, "question": question}))
        return ["plan.json"]

    def dates(plan, target, moment, weighed, rows, *, same):
        told.update(moment=moment, weighed=weighed, rows=rows, same=same)
        return plan

    monkeypatch.setattr(plan_folder, "_write_files", files)
    monkeypatch.setattr(plan_folder, "dated", dates)
    monkeypatch.setattr(plan_folder, "stands_in", lambda target, plan: told.get("stands", False))
    monkeypatch.setattr(
        plan_folder, "record_question", lambda trial, code, *, before_harvest: before_harvest
    )

    def write(code, **options):
        plan = SimpleNamespace(trial=trial_of(tmp_path), hash=code)
        return write_plan(plan, tmp_path, **options)

    return write, told


def harvest(tmp_path):
    (tmp_path / "harvest.csv").write_text("unit,fresh_g\na,3\n")


def folders(tmp_path):
    return sorted(p.name for p in tmp_path.iterdir() if p.is_dir())


def test_before_the_harvest_plans_follow_one_another(disk, tmp_path):
    write, told = disk
    assert write("one") == [tmp_path / "plan" / "plan.json"]
    assert told["blind"] is True
    assert told["labels"] is None
    assert told["question"] is True  # asked before any harvest
    assert told["same"] is False
    assert told["rows"] == ""
    assert abs(told["moment"] - dt.datetime.now(dt.UTC)) < dt.timedelta(minutes=5)
    write("one", blind=False, labels="70x37", now=MIDDAY, weighed=("1",))
    assert (told["blind"], told["labels"], told["moment"]) == (False, "70x37", MIDDAY)
    assert (told["same"], told["weighed"]) == (True, ("1",))
    write("two", keep_old=True)  # nothing of the old one was used: it need not be kept
    assert _existing_hash(tmp_path / "plan") == "two"
    assert folders(tmp_path) == ["plan"]


def test_once_begun_another_plan_is_refused_or_put_beside(disk, tmp_path):
    write, told = disk
    write("one")
    harvest(tmp_path)
    with pytest.raises(PlanError, match=r"harvest\.csv"):
        write("two")
    assert _existing_hash(tmp_path / "plan") == "one"
    write("one")  # the same is no other
    assert told["rows"] == "harvest.csv"
    assert told["question"] is True  # as it stood before
    write("one", now=MIDDAY)
    assert told["rows"] == ""  # what stood at another moment is not known
    assert folders(tmp_path) == ["plan"]
    write("two", keep_old=True)
    assert told["question"] is False
    assert folders(tmp_path) == ["plan", "plan-old-1"]
    told["stands"] = True  # all that was drawn stands in the new one
    write("three")
    assert folders(tmp_path) == ["plan", "plan-old-1", "plan-old-2"]
    write("three", keep_old=True)
    assert folders(tmp_path) == ["plan", "plan-old-1", "plan-old-2", "plan-old-3"]


def test_a_first_plan_may_follow_the_harvest(disk, tmp_path):
    write, told = disk
    harvest(tmp_path)
    write("one")
    assert told["question"] is False
    assert told["rows"] == "harvest.csv"


@pytest.mark.parametrize(
    ("problem", "named"),
    [(OSError(errno.ENOSPC, "full"), True), (OSError("odd"), False), (ValueError("x"), False),
     (OSError(errno.EACCES, "denied", "other.txt"), False)],
)  # fmt: skip
def test_what_fails_leaves_nothing_behind_and_names_the_folder(
    disk, tmp_path, problem, named, monkeypatch
):
    write, _ = disk

    def fail(*_, **__):
        raise problem

    monkeypatch.setattr(plan_folder, "_write_files", fail)
    with pytest.raises(type(problem)) as told:
        write("one")
    assert list(tmp_path.iterdir()) == []
    if isinstance(problem, OSError):
        assert (told.value.filename == str(tmp_path / "plan")) is named


# ------------------------------------------------------------------ reading


def fitting(units=("1-A", "1-B"), never=frozenset()):
    return SimpleNamespace(
        structure=SimpleNamespace(factors=("batch", "chamber")),
        factors={"mist": SimpleNamespace(levels={"wet": 1, "dry": 2})},
        unit_table=lambda: pd.DataFrame({"unit": list(units)}), never_grown=never,
    )  # fmt: skip


def table_of(*units, levels=None):
    table = pd.DataFrame({"unit": list(units)})
    table[["batch", "chamber"]] = table["unit"].str.split("-", expand=True)
    return table.assign(mist=levels or "wet")


def test_a_plan_must_be_of_these_units_and_levels(tmp_path):
    two = table_of("1-A", "1-B")
    _check_fit(fitting(), two, tmp_path, partly=False)
    with pytest.raises(PlanError, match="no column 'mist'"):
        _check_fit(fitting(), two.drop(columns="mist"), tmp_path, partly=False)
    three = fitting(("1-A", "1-B", "1-C"))
    with pytest.raises(PlanError, match="'1-C' is in only one of them"):
        _check_fit(three, two, tmp_path, partly=False)
    _check_fit(three, two, tmp_path, partly=True)
    _check_fit(fitting(("1-A", "1-B", "1-C"), {"1-C"}), two, tmp_path, partly=False)
    for partly in (True, False):
        with pytest.raises(PlanError, match="'1-Z' is in only one of them"):
            _check_fit(three, table_of("1-A", "1-Z"), tmp_path, partly=partly)
        with pytest.raises(PlanError, match="one appears twice"):
            _check_fit(fitting(), table_of("1-A", "1-B", "1-B"), tmp_path, partly=partly)
        odd = table_of("1-A", "1-B", levels=["wet", "foggy"])
        with pytest.raises(PlanError, match="the mist 'foggy'"):
            _check_fit(fitting(), odd, tmp_path, partly=partly)


def test_a_plan_must_be_the_one_drawn_and_as_the_trial_is_laid_out(tmp_path):
    _check_hash("abc", "abc", tmp_path)
    with pytest.raises(PlanError, match=r"0123456789ab, but plan\.json says ba9876543210\."):
        _check_hash("0123456789abXX", "ba9876543210XX", tmp_path)
    trial = SimpleNamespace(over_time="trend")
    _check_over_time(trial, "trend", tmp_path)
    with pytest.raises(PlanError, match='over_time = "random"'):
        _check_over_time(trial, "random", tmp_path)


def test_a_record_lacks_what_it_must_have(tmp_path):
    (tmp_path / "plan.json").write_text('{"seed": 1, "hash": "x", "version": "2"}')
    assert read_record(tmp_path)["hash"] == "x"
    for text, lacks in (('{"seed": 1}', "version, hash"), ("[1]", "seed, version, hash")):
        (tmp_path / "plan.json").write_text(text)
        with pytest.raises(ValueError, match=f"lacks {lacks}"):
            read_record(tmp_path)


# ------------------------------------------------------------------ dates


def test_draws_come_back_as_they_were_written():
    levels = {"batch": ("1", "2"), "tent": ("A", "B")}
    whole = Draw(MIDDAY, 5, "1.0", ("1-A", "1-B", "2-A", "2-B"), ("1",), "h.csv", levels)
    data = whole.to_data()
    assert data["units"] == "all"
    assert data["at"] == "2031-05-01T12:00:00+00:00"
    assert read_draw(json.loads(json.dumps(data))) == whole
    part = Draw(UNKNOWN, 5, "1.0", ("2-B",))
    assert part.to_data()["at"] is None
    assert part.to_data()["units"] == ["2-B"]
    assert read_draw(part.to_data()) == part
    with pytest.raises(PlanError, match="a draw cannot be read"):
        read_draw({"at": None})
    renamed = under_other_names(whole, {"1-A": "1-tent"}, {"tent": {"A": "tent"}, "batch": {}})
    assert renamed.units == ("1-tent", "1-B", "2-A", "2-B")
    assert renamed.levels["tent"] == ("tent", "B")
    assert renamed.begun == ("1",)
    other = under_other_names(whole, {}, {"batch": {"1": "first"}})
    assert other.begun == ("first",)
    assert read_draws({"draws": [data]}, codes={"1-A": "x"})[0].units[0] == "x"
    assert read_draws({}) == ()


@pytest.fixture
def plan():
    """Give a plan of two units in two batches, of which the first began two days before."""
    day = dt.timedelta(days=2)
    batches = {"1": SimpleNamespace(start=MIDDAY - day), "2": SimpleNamespace(start=MIDDAY + day)}
    trial = SimpleNamespace(batches=batches, zone=dt.UTC, levels={"batch": ("1", "2")}, aliases={},
                            factors={"mist": None}, never_grown=set(),
                            structure=SimpleNamespace(factors=("batch",)))  # fmt: skip
    from trialkit.design.layout.allocation import Allocation

    table = pd.DataFrame({"unit": ["1", "2"], "batch": ["1", "2"], "mist": ["wet", "dry"]})
    return Allocation(trial, table, 5, "1.0", "abc", {})


def test_a_new_plan_gets_its_date_and_what_had_begun(plan, tmp_path):
    (draw,) = dated(plan, tmp_path, MIDDAY, rows="h.csv").draws
    assert (draw.at, draw.seed, draw.version, draw.weighed) == (MIDDAY, 5, "1.0", "h.csv")
    assert draw.units == ("1", "2")
    assert draw.begun == ("1",)
    assert draw.levels == {"batch": ("1", "2")}
    (draw,) = dated(plan, tmp_path, MIDDAY, ("2",)).draws
    assert draw.begun == ("1", "2")
    again = dated(plan, tmp_path, MIDDAY).draws
    assert dated(dated(plan, tmp_path, MIDDAY), tmp_path, UNKNOWN).draws == again


def test_the_same_plan_keeps_the_date_it_has_or_has_none(plan, tmp_path):
    assert dated(plan, tmp_path, MIDDAY, same=True) is plan  # no record there
    record = {"seed": 5, "version": "1.0", "hash": "abc"}
    (tmp_path / "plan.json").write_text(json.dumps(record))
    assert dated(plan, tmp_path, MIDDAY, same=True).draws == ()
    old = Draw(UNKNOWN, 5, "1.0", ("1", "2"))
    (tmp_path / "plan.json").write_text(json.dumps({**record, "draws": [old.to_data()]}))
    assert dated(plan, tmp_path, MIDDAY, same=True).draws == (old,)


def test_what_was_drawn_stands_in_another_plan_where_no_level_changed(plan, tmp_path):
    def stands(text, **trial):
        (tmp_path / "assignment.csv").write_text("unit,batch,mist\n" + text)
        vars(plan.trial).update(never_grown=set(), **trial)
        return stands_in(tmp_path, plan)

    assert stands("1,1,wet\n2,2,dry\n")
    assert stands("1,1,wet\n")  # what joined is new
    assert not stands("1,1,dry\n2,2,dry\n")
    assert not stands("1,1,wet\n3,3,dry\n")  # one is gone
    vars(plan.trial).update(never_grown={"3"})
    assert stands_in(tmp_path, plan)
    (tmp_path / "assignment.csv").write_text("unit,batch\n1,1\n")
    assert not stands_in(tmp_path, plan)
    assert not stands_in(tmp_path / "none", plan)
    # a unit that is in no draw ran already: its level may be told otherwise
    from dataclasses import replace

    part = replace(plan, draws=(Draw(UNKNOWN, 5, "1.0", ("2",)),))
    (tmp_path / "assignment.csv").write_text("unit,batch,mist\n1,1,dry\n2,2,dry\n")
    assert stands_in(tmp_path, part)
