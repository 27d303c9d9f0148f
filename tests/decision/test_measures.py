"""Shares of the weight: over what is known of both the part and the whole."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import trialkit as tk
from tests.small_trials import make_data, make_trial
from trialkit.decision.measures import measures_by_level
from trialkit.decision.use import run_totals

GRADE = """
[columns.first_grade_g]
unit = "g"
label = "first grade"
range = [0, 3000]
pools = "sum"
"""


def measures(trial, data):
    got = measures_by_level(trial, data, run_totals(trial, data))
    return got.set_index(["measure", "level"])["estimate"]


def two_flushes(folder):
    """Every block gives 300 g and then about 100 g: the share of the first is close to 75 %."""
    make_trial(folder, batches=2, chambers=4)
    path = folder / "trial.toml"
    path.write_text(path.read_text("utf-8").replace("flushes = 1", "flushes = 2"), "utf-8")
    trial = tk.read_trial(folder)
    data = make_data(trial)
    late = 100 + np.sin(np.arange(len(data.table)))
    parts = [data.table.assign(flush=f, fresh_g=w) for f, w in ((1, 300.0), (2, late))]
    return trial, replace(data, table=pd.concat(parts, ignore_index=True))


def test_a_block_that_was_not_weighed_in_one_flush_counts_in_neither_part(tmp_path):
    trial, data = two_flushes(tmp_path)
    data.table.loc[data.table.index[[0, 7, 20]], ["fresh_g", "status"]] = [np.nan, "missing"]
    share = measures(trial, data)["first_flush_share"]
    assert share.to_numpy() == pytest.approx([75.0, 75.0], abs=0.2)  # as nothing: 68.7, 71.9


def test_what_a_lost_block_gave_before_counts(tmp_path):
    """All second flushes of one level lost in half of its runs: 300 of 300 beside 300 of 400."""
    trial, data = two_flushes(tmp_path)
    table = data.table
    runs = table.loc[table["schedule"] == "sparse", ["batch", "chamber"]].drop_duplicates()
    for row in runs.iloc[::2].itertuples():
        gone = (table["batch"] == row.batch) & (table["chamber"] == row.chamber)
        table.loc[gone & (table["flush"] == 2), ["fresh_g", "status"]] = [np.nan, "contaminated"]
    share = measures(trial, data)["first_flush_share"]
    assert share["usual"] == pytest.approx(75.0, abs=0.2)
    assert share["sparse"] == pytest.approx(100 * 600 / 700, abs=0.2)


def test_a_grade_that_was_not_sorted_in_some_runs_is_not_taken_for_none(tmp_path):
    trial = make_trial(tmp_path, more=GRADE)
    data = make_data(trial)
    table = data.table
    table["first_grade_g"] = 0.6 * table["fresh_g"] + np.sin(np.arange(len(table)))
    table.loc[table["batch"] == table["batch"].iloc[0], "first_grade_g"] = np.nan
    table.loc[table.index[-5:], "first_grade_g"] = np.nan
    share = measures(trial, data)["share:first_grade_g"]
    assert share.to_numpy() == pytest.approx([60.0, 60.0], abs=0.2)
    table["first_grade_g"] = np.nan
    assert "share:first_grade_g" not in measures(trial, data)
