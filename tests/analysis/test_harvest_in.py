"""What of a planned harvest is in, counted by hand."""

import numpy as np
import pandas as pd

from tests.small_trials import make_data, make_trial
from trialkit.analysis.harvest_in import has_a_fate, has_begun, progress, units_known

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
