"""The ratio test of simulated trials is that of the analysis, trial by trial."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import special

from trialkit.design.power.power import power
from trialkit.design.power.ratio_tests import ratio_tests
from trialkit.model.answers.fieller import ratio_lines
from trialkit.model.answers.means import mean_cells
from trialkit.model.batch import fit_batch
from trialkit.model.fit import fit


def layout(plan: str) -> pd.DataFrame:
    """Two batches of six chambers with four blocks, or unequal numbers of these."""
    levels = {"equal": "ababab", "unequal": "aaaabb", "sizes": "ababab"}[plan]
    rows = []
    for b in range(2):
        for c in range(6):
            level = levels[(c + 3 * b) % 6 if plan == "unequal" else (c + b) % 6]
            rows += [(f"B{b}", f"T{c}", level)] * ((2 + (3 * b + c) % 5) if plan == "sizes" else 4)
    return pd.DataFrame(rows, columns=["batch", "chamber", "schedule"])


@pytest.mark.parametrize("plan", ["equal", "unequal", "sizes"])
def test_many_trials_at_once_beside_one_at_a_time(plan: str) -> None:
    """The one-sided p at the margin is that of `noninferior`, in each of 12 drawn trials."""
    table, random = layout(plan), ["batch", "chamber", "batch:chamber"]
    rng = np.random.default_rng(4)
    run = pd.factorize(table["batch"] + table["chamber"])[0]
    Y = 100 + 6 * rng.standard_normal((12, run.max() + 1))[:, run]
    Y += 12 * rng.standard_normal(Y.shape)
    batch = fit_batch(table, Y, fixed="schedule", random=random)
    found = ratio_tests(batch, np.array([[0.0, 1.0]]), np.array([1.0, 0.0]), 0.85)
    p = special.stdtr(found.df, -found.estimate / found.se)
    far = special.stdtr(found.mean_df, -found.mean_t)
    seen = set()
    for i, y in enumerate(Y):
        made = fit(table.assign(y=y), response="y", fixed="schedule", random=random)
        (line,) = ratio_lines(made, next(iter(mean_cells(made, "schedule"))), 0)
        assert line is not None
        assert p[i] == pytest.approx(line.chance(0.85, above=True), rel=1e-6), line.method
        assert far[i] == pytest.approx(line.chance(-1e9, above=True), rel=1e-5), line.method
        row = made.noninferior("schedule", against="a", margin_pct=15).iloc[0]
        seen.add(row["method"])
        assert row["p_alone"] >= max(p[i], far[i]) * (1 - 1e-5)
        assert row["p_alone"] <= max(p[i], far[i]) * 1.05  # a peak between the two
    assert (plan == "unequal") == any("spread by" in method for method in seen)


def test_no_worse_with_unequal_numbers_agrees_with_simulation(make_trial) -> None:
    """Eight runs of one schedule and four of the other, within Monte-Carlo error and 2 points."""
    trial = make_trial(
        "structure = '(batch * chamber) / block'\nbatch = 2\nchamber = 6\nblock = 4",
        {"schedule": ("batch:chamber", 2, "replication = { s0 = 2, s1 = 1 }")},
    )
    spread = {"batch": 8, "chamber": 4, "batch:chamber": 6, "batch:chamber:block": 16}
    options = {"variation": spread, "difference_pct": 20, "margin_pct": 20, "lost": 0}
    options["questions"] = ("no worse",)
    exact = power(trial, method="exact", **options).table["power"][0]
    drawn = power(trial, method="simulation", trials=2000, workers=1, **options).table["power"][0]
    error = np.sqrt(exact * (1 - exact) / 2000)
    assert abs(exact - drawn) < 3 * error + 0.02, (exact, drawn)
