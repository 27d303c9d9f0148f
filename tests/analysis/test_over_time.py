"""The analysis follows the order of the starts: a trend in the model, or time blocks."""

import numpy as np
import pytest
from scipy import stats

import trialkit as tk
from tests.design.conftest import write_trial
from trialkit.alignment.measures import ExposureSettings
from trialkit.alignment.result import Aligned
from trialkit.analysis.by_run import fit_by_run
from trialkit.analysis.terms import derive_terms
from trialkit.decision.settle import batches_to_settle
from trialkit.trial.over_time import with_starts

UNITS = 'structure = "(batch * chamber) / block"\nbatch = {}\nchamber = {}\nblock = 5'


def make(folder, way, batch=8, chamber=1, flushes=1, levels=2):
    units = UNITS.format(batch, chamber) + f'\nflushes = {flushes}\nover_time = "{way}"'
    return write_trial(folder, units, {"schedule": ("batch:chamber", levels, 'control = "s0"')})


def grow(trial, seed=1, drift=30.0, flushes=1):
    """Draw yields that drift over the starts, with a good and a bad start now and then."""
    rng = np.random.default_rng(seed)
    table = tk.assign(trial).table
    number = table["batch"].map({b: i for i, b in enumerate(trial.levels["batch"])}).to_numpy()
    starts = np.linspace(0, drift, len(trial.levels["batch"])) + rng.normal(0, 6, number.max() + 1)
    parts = []
    for flush in range(1, flushes + 1):
        noise = rng.normal(0, 12, len(table))
        parts.append(table.assign(flush=flush, fresh_g=500 + 5 * (starts[number] + noise) / flush))
    table = tk_concat(parts).assign(status="ok", days=9.0)
    runs = table.drop_duplicates(["batch", "chamber"])[["batch", "chamber", "schedule"]]
    runs = runs.assign(window="whole", coverage_pct=100.0, water_l=rng.normal(90, 3, len(runs)))
    empty = tk_concat([])
    return Aligned(
        table, runs, empty, empty, (), ExposureSettings(band_low_rh=82, band_high_rh=95), trial
    )


def tk_concat(parts):
    import pandas as pd

    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def start_means(trial, data):
    """Give the mean of each start in order, and whether it had s1."""
    order = list(trial.levels["batch"])
    table = data.table
    means = table.groupby("batch")["fresh_g"].mean().reindex(order).to_numpy()
    held = table.drop_duplicates("batch").set_index("batch")["schedule"].reindex(order)
    return means, (held == "s1").to_numpy().astype(float)


def least_squares(y, X):
    """Give estimate, standard error and df of the second column, by the textbook formula."""
    beta, *_ = np.linalg.lstsq(X, y, rcond=None)
    left, df = y - X @ beta, len(y) - X.shape[1]
    se = np.sqrt(left @ left / df * np.linalg.inv(X.T @ X)[1, 1])
    return beta[1], se, df


def test_a_trend_is_ordinary_least_squares_on_the_means_of_starts(tmp_path):
    trial = make(tmp_path, "trend")
    data = grow(trial)
    assert derive_terms(trial).fixed == "schedule + start_no"
    row = tk.analyse(trial, data).differences["schedule"].iloc[0]
    y, held = start_means(trial, data)
    X = np.column_stack([np.ones(8), held, np.arange(8)])
    estimate, se, df = least_squares(y, X)
    assert row["estimate"] == pytest.approx(estimate, rel=1e-8)
    assert row["se"] == pytest.approx(se, rel=1e-6)
    assert row["df"] == pytest.approx(df, rel=1e-6)


def test_time_blocks_are_a_paired_t_test_of_the_means_of_starts(tmp_path):
    trial = make(tmp_path, "time blocks")
    data = grow(trial)
    result = tk.analyse(trial, data)
    assert result.terms.random == ("time_block", "time_block:batch")
    row = result.differences["schedule"].iloc[0]
    y, held = start_means(trial, data)
    first = np.where(held[::2] == 1, y[::2], y[1::2])
    second = np.where(held[::2] == 1, y[1::2], y[::2])
    paired = stats.ttest_rel(first, second)
    assert row["estimate"] == pytest.approx((first - second).mean(), rel=1e-8)
    assert row["p"] == pytest.approx(paired.pvalue, rel=1e-6)
    assert row["df"] == pytest.approx(3, rel=1e-6)


def test_three_schedules_in_time_blocks_are_a_randomised_block_design(tmp_path):
    trial = make(tmp_path, "time blocks", batch=12, levels=3)
    data = grow(trial, seed=4)
    row = tk.analyse(trial, data).tests.loc["schedule"]
    order = list(trial.levels["batch"])
    y = data.table.groupby("batch")["fresh_g"].mean().reindex(order).to_numpy()
    held = data.table.drop_duplicates("batch").set_index("batch")["schedule"].reindex(order)
    blocks = np.kron(np.eye(4), np.ones((3, 1)))
    levels = np.column_stack([(held == name).to_numpy(float) for name in ("s1", "s2")])
    left = [
        y - X @ np.linalg.lstsq(X, y, rcond=None)[0] for X in (blocks, np.hstack([blocks, levels]))
    ]
    rss = [r @ r for r in left]
    F = (rss[0] - rss[1]) / 2 / (rss[1] / 6)
    assert row["F"] == pytest.approx(F, rel=1e-6)
    assert row["den_df"] == pytest.approx(6, rel=1e-6)


def test_the_time_block_of_each_batch_is_that_of_its_neighbours(tmp_path):
    trial = make(tmp_path, "time blocks", batch=6, levels=3)
    table = with_starts(trial, trial.unit_table()).drop_duplicates("batch")
    assert table["time_block"].tolist() == ["W1"] * 3 + ["W2"] * 3
    trend = make(tmp_path / "t", "trend", batch=5)
    numbers = with_starts(trend, trend.unit_table()).drop_duplicates("batch")["start_no"]
    assert numbers.tolist() == [-2, -1, 0, 1, 2]
    plain = make(tmp_path / "p", "random")
    assert with_starts(plain, plain.unit_table()).columns.tolist() == [
        "batch", "chamber", "block", "unit",
    ]  # fmt: skip


@pytest.mark.parametrize("way", ["trend", "time blocks"])
def test_flushes_and_totals_of_runs_follow_too(tmp_path, way):
    trial = make(tmp_path, way, flushes=2)
    data = grow(trial, flushes=2)
    result = tk.analyse(trial, data)
    df = {"trend": 5, "time blocks": 3}[way]
    row = result.differences["schedule"].iloc[0]
    assert row["df"] == pytest.approx(df, rel=1e-3)
    assert result.flush_means is not None
    made = fit_by_run(trial, data.runs, "water_l")
    assert made.differences("schedule").iloc[0]["df"] == pytest.approx(df, rel=1e-3)
    assert tk.decide(trial, result).answer in ("not enough evidence", "no worse", "better")


@pytest.mark.parametrize("way", ["trend", "time blocks"])
def test_a_lost_batch_leaves_an_honest_analysis(tmp_path, way):
    trial = make(tmp_path, way, batch=12)
    data = grow(trial)
    data.table.loc[data.table["batch"] == "B3", "fresh_g"] = np.nan
    row = tk.analyse(trial, data).differences["schedule"].iloc[0]
    if way == "trend":  # 11 starts less mean, schedule and trend
        assert row["df"] == pytest.approx(8, rel=1e-3)
    else:  # 5 whole pairs less one; the odd start tells a little between the pairs
        assert 4 <= row["df"] < 5


@pytest.mark.parametrize("way", ["trend", "time blocks"])
def test_the_randomisation_test_redraws_by_the_same_procedure(tmp_path, way):
    """Its smallest p is that of the orders there are: two of 46, or of 16, tell the same."""
    trial = make(tmp_path, way)
    plan, data = tk.assign(trial), grow(trial)
    test = tk.randomisation_test(trial, plan, data, draws=999, seed=2)
    least = {"trend": 2 / 46, "time blocks": 2 / 16}[way]
    assert len(np.unique(test.draws.round(9))) <= 1 / least * 1.0001
    assert test.smallest_p == pytest.approx(least, abs=0.03)
    assert 0 < test.p <= 1


def test_a_plan_of_two_boxes_that_swap_is_analysed_with_its_time_blocks(tmp_path):
    """8 × 2 runs: 15 less batches (7), boxes (1), boxes by time block (3), and the schedule (1)."""
    trial = make(tmp_path, "time blocks", chamber=2)
    result = tk.analyse(trial, grow(trial))
    assert result.differences["schedule"].iloc[0]["df"] == pytest.approx(3, rel=1e-3)
    assert {"time_block", "time_block:chamber"} <= set(result.terms.random)


@pytest.mark.parametrize("way", ["trend", "time blocks"])
def test_more_batches_are_said_to_help_by_whole_time_blocks(tmp_path, way):
    trial = make(tmp_path, way)
    data = grow(trial)
    table, _ = batches_to_settle(trial, tk.analyse(trial, data))
    steps = np.diff(table["count"])
    assert set(steps) == ({1} if way == "trend" else {2})
    assert table["count"].iloc[0] == 8
    assert table["no_worse"].iloc[-1] > table["no_worse"].iloc[0]
