"""Tents that came later and batches that were given up are asked for nowhere."""

import datetime as dt

import pandas as pd
import pytest

import trialkit as tk
from tests.lived.garage import FIRST, before, grow, write_garage
from trialkit.alignment.windows import derive_windows, list_runs
from trialkit.analysis.look import Look
from trialkit.decision.look_due import look_due
from trialkit.decision.look_words import look_words
from trialkit.next_plan import next_plan
from trialkit.status import _next_step
from trialkit.today.due import list_due

LATER = """
[[happened]]
on = 2031-03-30
added = "T5"
reason = "bought"
because_of_harvest = false
"""
LOST = """
[[happened]]
on = 2031-04-20
given_up = "B3"
reason = "no spawn"
because_of_harvest = false
"""
TENTS = ("T1", "T2", "T3", "T4", "T5")


@pytest.fixture
def trial(tmp_path):
    """Five tents and three batches: T5 is there from B2 on, and B3 never began."""
    write_garage(tmp_path, chambers=TENTS, happened=LATER + LOST)
    path = tmp_path / "trial.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("margin_pct = 10", "margin_pct = 10\nlooks = [2]"))
    return tk.read_trial(tmp_path)


def harvest_of(trial, batches, *, without=()):
    units = trial.unit_table()
    units = units[units["batch"].isin(batches) & ~units["unit"].isin(trial.never_grown)]
    units = units[~units["unit"].isin(without)].copy()
    tents = units["chamber"].isin(["T1", "T3", "T5"])
    grow(trial.folder, units.assign(schedule=tents.map({True: "usual", False: "sparse"})))
    return tk.read_harvest(trial)


def test_runs_are_those_that_were_grown(trial):
    runs = list_runs(trial)
    # four tents in B1, five in B2, none in B3
    assert runs.groupby("batch").size().to_dict() == {"B1": 4, "B2": 5}
    assert "T5" not in set(runs.loc[runs["batch"] == "B1", "chamber"])


def test_nothing_is_due_for_what_was_never_there(trial):
    log = harvest_of(trial, ["B1", "B2"])
    now = (FIRST + dt.timedelta(days=50)).replace(tzinfo=dt.UTC)
    said = [str(line) for line in list_due(trial, log.table, now)]
    assert len(said) == 1
    assert "look planned after 2 batches" in said[0]
    left = harvest_of(trial, ["B1", "B2"], without=["B2-T5-1"])
    said = [str(line) for line in list_due(trial, left.table, now)]
    # five tents of four blocks in B2
    assert any("1 of 20" in line and "B2-T5-1" in line for line in said), said


def test_missing_weights_are_counted_among_those_that_can_be_there(trial):
    log = harvest_of(trial, ["B1", "B2"], without=["B2-T5-1"])
    told = [str(f.message) for f in log.findings if f.code == "units_missing"]
    # 16 blocks in B1 and 20 in B2, one flush
    assert len(told) == 1
    assert told[0].startswith("1 of 36 weights")


MIDDLE = LOST.replace("B3", "B2").replace("2031-04-20", "2031-03-30")


def test_a_batch_lost_in_the_middle_is_left_out_of_the_looks(tmp_path):
    """The look after two batches is after the first two that grew, and the third is the end."""
    write_garage(tmp_path, batches=4, happened=MIDDLE)
    path = tmp_path / "trial.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("margin_pct = 10", "margin_pct = 10\nlooks = [2]"))
    trial = tk.read_trial(tmp_path)
    plan = next_plan(trial, now=before(1))

    log = harvest_of(trial, ["B1"])
    state, words = look_due(trial, log.table)
    assert state == "to do"
    assert "look 1 of 2 is due after batch 2 of 3; 1 are in" in str(words)
    assert "8 May 2031" in str(words)  # B3 starts 56 days after 3 March and lasts 10

    log = harvest_of(trial, ["B1", "B3"])
    state, words = look_due(trial, log.table)
    assert state == "under way"
    assert "look 1 of 2 is due now, after 2 of 3 batches" in str(words)
    now = (FIRST + dt.timedelta(days=70)).replace(tzinfo=dt.UTC)
    assert any("planned after 2 batches" in str(line) for line in list_due(trial, log.table, now))
    first = tk.analyse(trial, tk.align(trial, log, plan=plan)).look
    assert (first.batches, first.number, first.of) == (("B1", "B3"), 1, 2)
    assert (first.total, first.following, first.is_last) == (3, 3, False)
    assert first.level > 0.95  # only a part of the error is spent

    log = harvest_of(trial, ["B1", "B3", "B4"])
    state, words = look_due(trial, log.table)
    assert state == "done"
    assert "the end of the trial: all 3 batches are in" in str(words)
    assert "due now" not in str(words)
    assert "can end there" not in str(words)  # it ends whatever they show
    last = tk.analyse(trial, tk.align(trial, log, plan=plan)).look
    assert (last.batches, last.number, last.is_last) == (("B1", "B3", "B4"), 2, True)
    assert last.share == 1
    assert last.spent == pytest.approx(0.025)
    assert 0.95 < last.level < first.level  # the first look has spent some


def test_the_look_before_batches_given_up_is_the_end(trial):
    log = harvest_of(trial, ["B1", "B2"])
    state, words = look_due(trial, log.table)
    assert state == "done"
    assert "given up" in str(words)
    plan = next_plan(trial, now=before(1))
    result = tk.analyse(trial, tk.align(trial, log, plan=plan))
    look = result.look
    assert (look.number, look.of, look.is_last, look.following) == (1, 1, True, None)
    # no look came before it, so all of the error is there to be spent: 95 % limits
    assert look.level == pytest.approx(0.95, abs=1e-6)
    said = str(tk.decide(trial, result).sentence)
    assert "end of the trial" in said
    assert "Carry on" not in said
    assert "stricter" not in said


def test_a_look_that_is_due_is_the_next_step():
    done = dict.fromkeys(("plan", "batches"), "done")
    way = {**done, "harvest": "under way", "report": "to do"}
    assert _next_step({**way, "looks": "under way"}) == "look"
    assert _next_step({**way, "looks": "to do"}) == "go_on"
    assert _next_step(way) == "go_on"


@pytest.mark.parametrize(("level", "said"), [
    (0.95 + 1e-9, "next to nothing of the 2.5 % chance"),
    (0.9527, "95.3 % limits instead of 95 %"),
])  # fmt: skip
def test_the_last_look_does_not_tell_95_from_95(level, said):
    look = Look(2, 2, ("B1", "B2"), (), 2, None, 1.0, 0.025, 0.025, level, level)
    words = str(look_words(look, "not enough evidence", ["not enough evidence"]).said)
    assert said in words
    assert "95 % limits instead of 95 %" not in words.replace(f"{100 * level:.1f}", "")


def test_a_batch_given_up_without_harvest_asks_nothing_of_its_logs(tmp_path):
    """Nothing rests on what it got; one that was harvested once is judged until it was given up."""
    told = '[[happened]]\non = 2031-04-05\ngiven_up = "B2"\nreason = "mould"\n'
    trial = write_garage(tmp_path, happened=told)
    units = trial.unit_table()
    none = pd.DataFrame({"batch": [], "chamber": [], "flush": [], "time": []})
    spans, _ = derive_windows(trial, none)
    assert set(spans["batch"]) == {"B1", "B3"}
    first = units[units["batch"] == "B2"]
    day = pd.Timestamp("2031-04-03 10:00", tz="UTC")
    rows = first.assign(flush=1, time=day, fresh_g=300.0)
    spans, _ = derive_windows(trial, rows)
    whole = spans[(spans["window"] == "whole") & (spans["batch"] == "B2")]
    assert len(whole) == 4
    given_up = pd.Timestamp("2031-04-05 12:00", tz="Europe/Vienna")  # a date alone is noon
    assert (whole["stop"] <= given_up).all()
