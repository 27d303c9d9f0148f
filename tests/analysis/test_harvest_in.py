"""What of a planned harvest is in, counted by hand."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import trialkit as tk
from tests.small_trials import make_data, make_trial
from trialkit.analysis.harvest_in import (
    flushes_lacking,
    has_a_fate,
    has_begun,
    progress,
    units_known,
)

GIVEN_UP = """
[batches]
B1 = { start = 2031-01-01T09:00:00 }
B2 = { start = 2031-02-01T09:00:00 }
[[happened]]
on = 2031-01-20
given_up = "B2"
reason = "no substrate"
"""

ROWS = pd.DataFrame(
    [
        ("1", "a", "ok", 500.0),
        ("1", "a", "missing", np.nan),
        ("1", "b", "discarded", np.nan),
        ("1", "c", "missing", np.nan),  # grown, but not in the sheet
        ("2", "d", "missing", np.nan),
        ("3", "e", None, 410.0),  # a weight without a state
    ],
    columns=["batch", "unit", "status", "fresh_g"],
)


def test_a_weight_or_a_state_is_a_fate():
    assert has_a_fate(ROWS).tolist() == [True, False, True, False, False, True]
    told = {"a": True, "b": True, "c": False, "d": False, "e": True}
    assert units_known(ROWS).to_dict() == told
    assert has_begun(ROWS).tolist() == [True, True, True, True, False, True]
    assert has_begun(ROWS.drop(columns="batch")).all()


def test_batches_to_come_are_told_from_those_that_were_given_up(tmp_path):
    trial = make_trial(tmp_path)
    table = make_data(trial).table
    names = [str(name) for name in trial.levels["batch"]]
    late = table["batch"].astype(str).isin(names[1:])
    table.loc[late, "fresh_g"], table.loc[late, "status"] = np.nan, "missing"
    found = progress(trial, table)
    assert (found.begun, found.to_come, found.planned) == ((names[0],), tuple(names[1:]), 4)
    given_up = make_trial(tmp_path, more=GIVEN_UP)
    found = progress(given_up, table)
    assert (found.begun, found.to_come, found.planned) == ((names[0],), tuple(names[2:]), 3)


def flush_rows(*rows):
    """Give one block per chamber and flush: batch, chamber, flush, weight and state."""
    return pd.DataFrame(rows, columns=["batch", "chamber", "flush", "fresh_g", "status"])


def test_a_flush_lacks_where_it_was_lost_or_others_have_it():
    none = np.nan
    rows = flush_rows(
        ("B1", "T1", 1, 500.0, "ok"), ("B1", "T1", 2, 250.0, "ok"),
        ("B1", "T2", 1, 500.0, "ok"), ("B1", "T2", 2, none, "missing"),  # T1 has it
        ("B1", "T3", 1, none, "contaminated"), ("B1", "T3", 2, none, "contaminated"),  # lost whole
        ("B2", "T1", 1, 500.0, "ok"), ("B2", "T1", 2, none, "missing"),  # flush 2 is to come
        ("B2", "T2", 1, 500.0, "ok"), ("B2", "T2", 2, none, "discarded"),  # lost before
        ("B3", "T1", 1, none, "missing"), ("B3", "T1", 2, none, "missing"),  # to come
    )  # fmt: skip
    assert flushes_lacking(rows, "fresh_g", ["batch", "chamber"]) == [
        {"batch": "B1", "chamber": "T2", "flush": "2"},
        {"batch": "B2", "chamber": "T2", "flush": "2"},
    ]
    one_kept = rows.assign(fresh_g=rows["fresh_g"].where(rows["status"] == "ok", 0.0))
    assert flushes_lacking(one_kept, "fresh_g", ["batch", "chamber"]) == []


@pytest.mark.parametrize("status", ["discarded", "missing"])
def test_a_run_that_lost_a_flush_is_named_and_its_zeros_are_not(tmp_path, status):
    text = make_trial(tmp_path, batches=2).source.read_text(encoding="utf-8")
    (tmp_path / "trial.toml").write_text(text.replace("flushes = 1", "flushes = 2"), "utf-8")
    trial = tk.read_trial(tmp_path)
    data = make_data(trial)
    both = [data.table.assign(flush=n, fresh_g=data.table["fresh_g"] / n) for n in (1, 2)]
    table = pd.concat(both, ignore_index=True)
    batch, chamber = table.loc[0, ["batch", "chamber"]]
    gone = (table["batch"] == batch) & (table["chamber"] == chamber) & (table["flush"] == 2)

    def told(weight, state):
        rows = table.copy()
        rows.loc[gone, "fresh_g"], rows.loc[gone, "status"] = weight, state
        found = tk.analyse(trial, replace(data, table=rows)).findings
        return [f for f in found if f.code == "flush_lacking"]

    (one,) = told(np.nan, status)
    assert one.severity == "caution"
    assert f"no fresh weight of flush 2 in chamber {chamber} in batch {batch}:" in one.message
    assert "if schedule may have caused it" in one.remedy
    assert "enter 0" in one.remedy
    assert told(0.0, "ok") == []
