"""Answers that speak of batches to come, and the test of flush."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from tests.small_trials import make_data, make_trial
from trialkit.analysis.batches_to_come import batch_findings, batch_part
from trialkit.analysis.fit_response import fit_response
from trialkit.analysis.flush_error import fit_for_flush, with_flush_test
from trialkit.model.fit import Fit, fit
from trialkit.model.inference.crossed_effect import crossed_df, least_ratio


def layout(batches: int, letters: str) -> pd.DataFrame:
    rows = [
        (f"B{b}", f"T{(c + b) % len(letters)}", s, k)
        for b in range(batches)
        for c, s in enumerate(letters)
        for k in range(3)
    ]
    return pd.DataFrame(rows, columns=["batch", "chamber", "schedule", "block"])


def test_degrees_of_freedom_are_those_of_the_analysis_of_variance() -> None:
    """By hand: (4 - 1)(3 - 1) = 6; of 24 runs 12 cells and one place more leave 11."""
    table = layout(4, "aabbcc")
    runs = table.assign(run=np.arange(len(table)) // 3)
    assert crossed_df(
        runs.assign(chamber=runs["run"]), ["batch", "chamber"], "batch", "schedule"
    ) == (
        0,
        0,
    )
    place = runs["run"] % 6 % 2
    assert crossed_df(runs.assign(chamber=place), ["batch", "chamber"], "batch", "schedule") == (
        6,
        11,
    )


def test_the_case_is_read_off_the_layout(tmp_path) -> None:
    for name, batches, chambers, case in (
        ("a", 4, 6, "told"),
        ("b", 2, 6, "too few"),
        ("c", 1, 6, "one batch"),
        ("d", 4, 2, "in the error"),
    ):
        folder = tmp_path / name
        folder.mkdir()
        trial = make_trial(folder, batches=batches, chambers=chambers)
        assert batch_part(trial, make_data(trial).table).case == case


@pytest.mark.parametrize(("sd", "kept"), [(0.0, False), (80.0, True)])
def test_the_term_stays_where_it_stands_clear(tmp_path, sd: float, kept: bool) -> None:
    trial = make_trial(tmp_path, batches=4, chambers=6)
    data = make_data(trial, seed=3)
    rng = np.random.default_rng(2)
    cell = data.table.groupby(["batch", "schedule"]).ngroup().to_numpy()
    data.table["fresh_g"] += sd * rng.standard_normal(8)[cell]
    _, table, made = fit_response(trial, data)
    assert ("batch:schedule" in made.spec.random) is kept
    codes = [f.code for f in batch_findings(trial, table, made)]
    assert codes == (["batches_differ"] if kept else [])


def test_too_few_batches_are_told(tmp_path) -> None:
    trial = make_trial(tmp_path, batches=2, chambers=6)
    _, table, made = fit_response(trial, make_data(trial))
    (finding,) = batch_findings(trial, table, made)
    assert finding.code == "batches_as_tried"
    assert "batches like those tried" in finding.message


def test_least_ratio_is_a_quantile_of_f() -> None:
    assert stats.f.cdf(least_ratio((6, 9)), 6, 9) == pytest.approx(0.6)
    assert stats.f.cdf(least_ratio((4, 9)), 4, 9) == pytest.approx(0.5)


def flushes_apart() -> tuple[pd.DataFrame, Fit]:
    """Give a balanced table of three batches and three flushes, and its fit."""
    rng = np.random.default_rng(5)
    table = layout(3, "aabb").loc[lambda t: t.index.repeat(3)].reset_index(drop=True)
    table["flush"] = np.tile(["1", "2", "3"], len(table) // 3)
    table["unit"] = table["batch"] + table["chamber"] + table["block"].astype(str)
    cell = table.groupby(["batch", "flush"]).ngroup().to_numpy()
    table["y"] = 100 + rng.normal(size=len(table)) + 2 * rng.normal(size=9)[cell]
    random = ["batch", "batch:chamber", "unit", "batch:chamber:flush"]
    return table, fit(table, response="y", fixed="schedule + flush + schedule:flush", random=random)


def test_flush_is_judged_against_batch_by_flush() -> None:
    """A balanced table: the F is MS(flush) / MS(batch x flush) of the analysis of variance."""
    table, made = flushes_apart()
    tests, found = with_flush_test(made.tests(), made, fit_for_flush(made))
    cells = table.pivot_table(index="batch", columns="flush", values="y").to_numpy()
    centred = cells - cells.mean(0) - cells.mean(1)[:, None] + cells.mean()
    error = (centred**2).sum() / 4
    F = 3 * ((cells.mean(0) - cells.mean()) ** 2).sum() / 2 / error
    assert tests.loc["flush", "F"] == pytest.approx(F, rel=1e-6)
    assert tests.loc["flush", "den_df"] == pytest.approx(4, rel=1e-6)
    assert not found
    pd.testing.assert_frame_equal(tests.drop(index="flush"), made.tests().drop(index="flush"))


def test_means_by_flush_hold_what_batches_add() -> None:
    """By hand: a flush's mean over 3 batches varies as (MS batch + 2 MS batch x flush) / 9.

    Mean squares are those of the 9 cell means of batch and flush.
    """
    table, made = flushes_apart()
    other = fit_for_flush(made)
    assert other is not None
    cells = table.pivot_table(index="batch", columns="flush", values="y").to_numpy()
    centred = cells - cells.mean(0) - cells.mean(1)[:, None] + cells.mean()
    batch, both = 3 * cells.mean(1).var(ddof=1), (centred**2).sum() / 4
    means = other.means("flush")
    assert means["se"].tolist() == pytest.approx([np.sqrt((batch + 2 * both) / 9)] * 3, rel=1e-6)
    assert means["estimate"].tolist() == pytest.approx(cells.mean(0).tolist())


def test_one_batch_has_no_error_for_flush() -> None:
    table = layout(1, "aabb").loc[lambda t: t.index.repeat(2)].reset_index(drop=True)
    table["flush"] = np.tile(["1", "2"], len(table) // 2)
    table["y"] = np.random.default_rng(1).normal(size=len(table))
    made = fit(table, response="y", fixed="schedule + flush", random=["chamber"])
    tests, found = with_flush_test(made.tests(), made, fit_for_flush(made))
    assert [f.code for f in found] == ["flush_of_one_batch"]
    pd.testing.assert_frame_equal(tests, made.tests())
