"""Lost runs, weights that were never taken, and logs that stop: what they cost, by hand."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import trialkit as tk
from tests.small_trials import make_data, make_trial
from trialkit.analysis.by_run import fit_by_run
from trialkit.decision.money import value_by_level
from trialkit.decision.use import run_findings, run_totals, use_by_level

PRICES = """
[prices]
mushrooms_per_kg = 10
water_per_m3 = 50
block_each = 2
batch_each = 8
"""


def runs_of(data, level, count):
    """Give the rows of the first runs of a level."""
    runs = data.runs[data.runs["schedule"] == level].iloc[:count]
    keys = set(zip(runs["batch"], runs["chamber"], strict=True))
    table = data.table
    return np.array([key in keys for key in zip(table["batch"], table["chamber"], strict=True)])


def without(data, rows, status):
    table = data.table.copy()
    table.loc[rows, "fresh_g"], table.loc[rows, "status"] = np.nan, status
    return replace(data, table=table)


@pytest.fixture
def one_batch(tmp_path):
    trial = make_trial(tmp_path, batches=1, chambers=10, more=PRICES)
    return trial, make_data(trial, sd_run=20, seed=3)


def test_a_lost_run_earned_nothing_and_has_cost_its_blocks_and_water(one_batch):
    """Ten chambers of six blocks: 2 each for blocks, 8 / 10 of the batch, 50 per m³ of water."""
    trial, data = one_batch
    data = without(data, runs_of(data, "sparse", 2), "contaminated")
    totals = run_totals(trial, data)
    assert len(totals) == 10
    lost = totals[totals["kg_all"] == 0]
    counts = ["started", "blocks", "lost", "unweighed"]
    assert lost[counts].to_numpy().tolist() == [[6, 0, 6, 0]] * 2
    money, _ = value_by_level(trial, totals)
    value = totals["kg"] * 10 - totals["water_l"] / 1000 * 50 - 6 * 2 - 8 / 10
    plain = value.groupby(totals["schedule"]).mean()
    got = money.table.set_index("level")
    assert got["estimate"].to_dict() == pytest.approx(plain.to_dict())
    assert got.loc["sparse", "gain"] == pytest.approx(plain["sparse"] - plain["usual"])
    assert value[lost.index].max() < -12
    assert [f.code for f in run_findings(trial, totals)] == ["runs_lost"]
    assert money.counted == ("mushrooms", "water", "block", "batch")


def test_a_run_that_was_not_weighed_is_neither_nothing_nor_whole(one_batch):
    trial, data = one_batch
    rows = runs_of(data, "sparse", 1)
    whole = run_totals(trial, data)
    totals = run_totals(trial, without(data, rows, "missing"))
    (open_,) = totals.index[totals["kg_all"].isna()]
    assert totals.loc[open_, "unweighed"] == 6
    (told,) = run_findings(trial, totals)
    assert (told.code, told.severity) == ("runs_incomplete", "caution")
    money, _ = value_by_level(trial, totals)
    kept = value_by_level(trial, whole.drop(index=open_))[0]
    gain = money.table.set_index("level").loc["sparse", "gain"]
    assert gain == pytest.approx(kept.table.set_index("level").loc["sparse", "gain"])
    assert set(use_by_level(trial, totals)[0].query("level == 'sparse'")["runs"]) == {4}


@pytest.mark.parametrize(("weighed", "filled"), [(3, True), (2, False), (5, True)])
def test_single_weights_are_filled_from_at_least_half_of_the_run(one_batch, weighed, filled):
    """Six blocks: the mean of those weighed stands for the others, from three on."""
    trial, data = one_batch
    rows = np.flatnonzero(runs_of(data, "sparse", 1))
    table = data.table.copy()
    table.loc[table.index[rows[weighed:]], ["fresh_g", "status"]] = [np.nan, "missing"]
    totals = run_totals(trial, replace(data, table=table))
    mine = totals[totals["unweighed"] > 0].iloc[0]
    mean = table["fresh_g"].to_numpy()[rows[:weighed]].mean()
    assert mine["kg"] == pytest.approx(mean * weighed / 1000)
    if filled:
        assert mine["kg_all"] == pytest.approx(6 * mean / 1000)
    else:
        assert np.isnan(mine["kg_all"])
    code = "runs_filled" if filled else "runs_incomplete"
    assert [f.code for f in run_findings(trial, totals)] == [code]


def test_a_flush_that_was_not_weighed_leaves_the_run_out(tmp_path):
    """Two flushes; the second of one run was forgotten, and one block rotted after its first."""
    trial = make_trial(tmp_path, batches=1, chambers=10)
    path = tmp_path / "trial.toml"
    path.write_text(path.read_text("utf-8").replace("flushes = 1", "flushes = 2"), "utf-8")
    trial = tk.read_trial(tmp_path)
    data = make_data(trial, sd_run=20)
    first = data.table
    second = first.assign(flush=2, fresh_g=first["fresh_g"] / 2)
    rows = runs_of(data, "sparse", 1)
    second.loc[rows, ["fresh_g", "status"]] = [np.nan, "missing"]
    rotten = second.index[~rows][0]
    second.loc[rotten, ["fresh_g", "status"]] = [np.nan, "contaminated"]
    both = replace(data, table=pd.concat([first, second], ignore_index=True))
    totals = run_totals(trial, both)
    assert totals["kg_all"].isna().sum() == 1
    run = totals[totals["lost"] == 1].iloc[0]
    key = (first["batch"] == run["batch"]) & (first["chamber"] == run["chamber"])
    by_hand = first.loc[key, "fresh_g"].sum() + second.loc[key, "fresh_g"].sum()
    assert run["kg_all"] == pytest.approx(by_hand / 1000)


def test_a_batch_to_come_is_not_part_of_the_totals(tmp_path):
    trial = make_trial(tmp_path)
    data = make_data(trial)
    last = (data.table["batch"] == data.table["batch"].iloc[-1]).to_numpy()
    totals = run_totals(trial, without(data, last, "missing"))
    assert len(totals) == 12
    assert run_findings(trial, totals) == []


def test_gains_hold_the_truth_where_a_quarter_of_whole_runs_is_lost(tmp_path):
    """Simulated: 4 batches of 6 chambers, a run lost whole with chance 0.25, no true difference.

    The gains of 2 000 trials through the engine's batches, single 95 % limits: four standard
    errors are 1.9 points.
    """
    from trialkit.model.batch import refit_batch

    trial = make_trial(tmp_path, chambers=6)
    totals = run_totals(trial, make_data(trial))
    rng, draws = np.random.default_rng(9), 2000
    batch = totals["batch"].factorize()[0]
    kg = 3 + 0.4 * rng.normal(size=(draws, 4))[:, batch] + 0.25 * rng.normal(size=(draws, 24))
    value = 10 * np.where(rng.random((draws, 24)) < 0.25, 0.0, kg) - 14.0
    fit = fit_by_run(trial, totals.assign(value=value[0]), "value")
    row = fit.design.rows(pd.DataFrame({"schedule": ["usual", "sparse"]}))
    got = refit_batch(fit, value).contrast(row[1] - row[0])
    held = ((got["low"] <= 0) & (got["high"] >= 0)).mean()
    assert 0.93 <= held <= 0.97


def logged(data, *, hours=600.0, coverage=100.0):
    return replace(data, runs=data.runs.assign(window_h=hours, mist_coverage_pct=coverage))


def test_a_log_that_stops_is_taken_from_the_timer_and_marked(one_batch):
    """20 s of every 480 s for 600 h at 1 L/h: 25 L; 25 h at 100 W: 2.5 kWh."""
    trial, data = one_batch
    data = logged(data)
    runs = data.runs.copy()
    short = runs.index[runs["schedule"] == "sparse"][:2]
    runs.loc[short, ["water_l", "energy_kwh"]] /= 4
    runs.loc[short, "mist_coverage_pct"] = 25.0
    totals = run_totals(trial, replace(data, runs=runs))
    planned = totals[totals["planned"]]
    assert len(planned) == 2
    assert planned["water_l"].to_numpy() == pytest.approx(25.0)
    assert planned["energy_kwh"].to_numpy() == pytest.approx(2.5)
    (told,) = run_findings(trial, totals)
    assert (told.code, told.severity) == ("use_planned", "caution")
    before = use_by_level(trial, run_totals(trial, data))[0].set_index(["use", "level"])
    after = use_by_level(trial, totals)[0].set_index(["use", "level"])
    at = ("water_l", "sparse")
    assert after["planned"].to_dict() == {
        ("water_l", "usual"): 0, at: 2, ("energy_kwh", "usual"): 0, ("energy_kwh", "sparse"): 2,
    }  # fmt: skip
    assert after.loc[at, "saving_pct"] == pytest.approx(before.loc[at, "saving_pct"], abs=1.5)


def test_a_sensor_has_no_plan_so_its_short_logs_are_left_out(tmp_path):
    make_trial(tmp_path, batches=1, chambers=10)
    path = tmp_path / "trial.toml"
    timed = "levels.sparse = { on_s = 20, off_s = 460 }"
    held = "levels.sparse = { start_below_rh = 85, stop_above_rh = 92 }"
    path.write_text(path.read_text("utf-8").replace(timed, held), "utf-8")
    trial = tk.read_trial(tmp_path)
    data = logged(make_data(trial, sd_run=20))
    runs = data.runs.copy()
    short = runs.index[runs["schedule"] == "sparse"][:2]
    runs.loc[short, ["water_l", "energy_kwh"]] /= 4
    runs.loc[short, "mist_coverage_pct"] = 25.0
    totals = run_totals(trial, replace(data, runs=runs))
    assert totals["water_l"].isna().sum() == 2
    assert [f.code for f in run_findings(trial, totals)] == ["mist_log_short"]
    table = use_by_level(trial, totals)[0]
    assert set(table.query("level == 'sparse'")["runs"]) == {3}
    kept = totals[totals["water_l"].notna()].groupby("schedule")[["water_l", "kg"]].sum()
    per = kept["water_l"] / kept["kg"]
    at = table.set_index(["use", "level"]).loc[("water_l", "sparse")]
    assert at["saving_pct"] == pytest.approx(100 * (1 - per["sparse"] / per["usual"]), abs=0.01)


def test_a_log_with_a_small_gap_stands_for_the_whole_run(one_batch):
    """90 % covered: what was counted over 0.9; at the least share (80 %) still, below it not."""
    trial, data = one_batch
    data = logged(data)
    for share, kept in ((90.0, True), (80.0, True), (79.9, False)):
        runs = data.runs.copy()
        runs.loc[runs.index[0], "mist_coverage_pct"] = share
        totals = run_totals(trial, replace(data, runs=runs))
        assert totals["planned"].any() != kept
        if kept:
            whole = data.runs["water_l"].iloc[0] / (share / 100)
            assert totals["water_l"].iloc[0] == pytest.approx(whole)


@pytest.mark.parametrize("seed", [0, 2])
def test_batches_to_come_do_not_change_what_would_settle_it(tmp_path, seed):
    """Four of eight planned batches are in: as many are needed as by a trial of just these four.

    Give or take one: a plan of eight batches arranges the chambers a little better.
    """
    from trialkit.decision.settle import batches_to_settle

    (tmp_path / "four").mkdir()
    four = make_trial(tmp_path / "four", chambers=6)
    eight = make_trial(tmp_path, batches=8, chambers=6)
    data = make_data(eight, effect=0.97, sd_run=60, seed=seed)
    late = ~data.table["batch"].isin(list(dict.fromkeys(data.table["batch"]))[:4])
    only = replace(data, table=data.table[~late].reset_index(drop=True), trial=four)
    some = without(data, late.to_numpy(), "missing")
    needed = batches_to_settle(eight, tk.analyse(eight, some))[1]
    alone = batches_to_settle(four, tk.analyse(four, only))[1]
    assert needed is not None
    assert alone is not None
    assert abs(needed - alone) <= 1
