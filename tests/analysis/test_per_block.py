"""One row per block of a trial of ranges: what it gave in all, where that is known."""

import numpy as np
import pandas as pd

import trialkit as tk
from trialkit.analysis.tuned import per_block


def table(trial, values):
    """Give rows of three blocks with two flushes each; a value is a count or why there is none."""
    units = trial.unit_table().head(3)
    rows = units.merge(pd.DataFrame({"flush": [1, 2]}), how="cross")
    for name, factor in trial.factors.items():
        rows[name] = factor.reference
    rows["status"] = [v if isinstance(v, str) else "ok" for v in values]
    rows["caps"] = [np.nan if isinstance(v, str) else v for v in values]
    return rows


def test_a_block_whose_total_is_not_known_is_left_out():
    """Sums by hand: 7 + 4; 9 and then lost, so 9; 8 and then not counted, so not known."""
    trial = tk.read_trial(tk.demo_folder(tuned=True))
    for unknown in ("missing", "ok"):
        got = per_block(trial, table(trial, [7, 4, 9, "contaminated", 8, unknown]), "caps")
        assert got["caps"].tolist() == [11, 9]
