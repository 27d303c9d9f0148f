"""Early looks and uneven losses against limits and counts done by hand."""

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import trialkit as tk
from tests.small_trials import make_data, make_trial
from trialkit.decision.doubts import REPEATED_PCT, _far_apart, early_look, uneven_losses


def with_margin(trial, folder, margin_pct):
    path = folder / "trial.toml"
    text = path.read_text(encoding="utf-8")
    old = f"margin_pct = {trial.question.margin_pct:g}\n"
    assert old in text
    path.write_text(text.replace(old, f"margin_pct = {margin_pct!r}\n"), encoding="utf-8")
    return tk.read_trial(folder)


def with_a_batch_to_come(result, status="missing"):
    """Add the rows of a second batch that has no weights yet."""
    table = result.data.table
    later = table.assign(batch="later", fresh_g=np.nan, status=status)
    both = pd.concat([table, later], ignore_index=True)
    return replace(result, data=replace(result.data, table=both))


def fieller_low(table, level):
    """Lower limit of the ratio of two means of five runs each, 8 df (Fieller 1954)."""
    runs = table.dropna(subset="fresh_g").groupby("chamber", sort=False)
    runs = runs.agg(y=("fresh_g", "mean"), s=("schedule", "first"))
    groups = runs.groupby("s")["y"]
    assert set(groups.size()) == {5}
    m1, m0 = groups.mean()[["sparse", "usual"]]
    v = groups.var().mean() / 5
    t2 = stats.t.ppf((1 + level) / 2, 8) ** 2
    return np.roots([m0**2 - t2 * v, -2 * m1 * m0, m1**2 - t2 * v]).min()


@pytest.mark.parametrize(("room", "named"), [(0.05, True), (-0.05, False)])
def test_whether_acting_early_is_safe_is_judged_by_limits_of_99_9_percent(tmp_path, room, named):
    """Half of two batches is in; the margin lies 0.05 points beside the 99.9 % limit by hand."""
    trial = make_trial(tmp_path, batches=1, chambers=10)
    data = make_data(trial, effect=1.0, sd_run=20, seed=3)
    low = fieller_low(data.table, 0.999)
    assert low < fieller_low(data.table, 0.95) - 0.01
    trial = with_margin(trial, tmp_path, round(float(100 * (1 - low) + room), 6))
    result = with_a_batch_to_come(tk.analyse(trial, replace(data, trial=trial)))
    (told,) = early_look(trial, result)
    assert (told.code, told.severity) == ("looked_early", "caution")
    assert ("sparse" in told.remedy) == named
    assert "1 of 2" in told.message


def test_a_whole_harvest_or_one_without_fates_is_no_early_look(tmp_path):
    trial = make_trial(tmp_path, batches=1, chambers=10)
    result = tk.analyse(trial, make_data(trial))
    assert early_look(trial, result) == []
    assert early_look(trial, with_a_batch_to_come(result, status="discarded")) == []
    early = with_a_batch_to_come(result)
    assert len(early_look(trial, early)) == 1
    table = early.data.table
    without = replace(early, data=replace(early.data, table=table.drop(columns="status")))
    assert early_look(trial, without) == []
    table.loc[table.index[-1], "status"] = "ok"  # one row of the batch is in: it is under way
    assert early_look(trial, early) == []


def test_false_alarms_of_repeated_looks():
    """Simulated: 5 % tests after each of k equal parts of a normal sample, any of them.

    Armitage, McPherson and Rowe (1969), table 2 (from memory): 8.3, 10.7, 12.6 and 14.2 %.
    400 000 samples: four standard errors are 0.22 points.
    """
    steps = np.random.default_rng(7).normal(size=(400_000, 5))
    sums = np.abs(np.cumsum(steps, axis=1)) / np.sqrt(np.arange(1, 6))
    crossed = np.maximum.accumulate(sums, axis=1) > stats.norm.ppf(0.975)
    share = 100 * crossed.mean(axis=0)
    assert set(REPEATED_PCT) == {2, 3, 4, 5}
    for looks, stated in REPEATED_PCT.items():
        assert stated == pytest.approx(share[looks - 1], abs=0.27)  # and 0.05 of rounding


@pytest.mark.parametrize(
    ("first", "second", "size", "told"),
    [
        (20, 49, 1000, False),  # 2.9 points, error 0.81: certain, and too small to matter
        (20, 71, 1000, True),  # 5.1 points
        (200, 699, 10_000, False),  # 4.99 points
        (200, 701, 10_000, True),  # 5.01
        (0, 2, 20, False),  # 10 points; error sqrt(0.05 0.95 / 10) = 6.9: 1.45 errors
        (0, 3, 20, True),  # 15 points; error sqrt(0.075 0.925 / 10) = 8.3: 1.80 errors
        (3, 0, 20, True),  # whichever of them lost more
        (10, 16, 40, False),  # 15 points; error sqrt(0.325 0.675 / 20) = 10.5: 1.43
        (10, 18, 40, True),  # 20 points; error sqrt(0.35 0.65 / 20) = 10.7: 1.88
    ],
)  # fmt: skip
def test_which_losses_are_spoken_of(first, second, size, told):
    """More than 5 points and more than 1.64 binomial errors apart, worked out by hand."""
    counts = pd.DataFrame({"sum": [first, second], "size": [size, size]})
    assert _far_apart(counts) is told
    both = (first + second) / (2 * size)
    apart = abs(first - second) / size
    errors = apart / math.sqrt(both * (1 - both) * 2 / size)
    assert (apart > 0.05 and errors > 1.64) is told


def test_groups_of_unequal_size_share_their_error():
    """0 of 40 and 3 of 20: both 5 %, error sqrt(0.05 0.95 (1/40 + 1/20)) = 6.0: 2.5 errors.

    0 of 40 and 1 of 15: 6.7 points, error sqrt(0.01818 0.98182 (1/40 + 1/15)) = 4.0: 1.65.
    0 of 40 and 1 of 16: 6.25 points, error sqrt(0.01786 0.98214 (1/40 + 1/16)) = 3.9: 1.60.
    """
    for (lost, size), told in {(3, 20): True, (1, 15): True, (1, 16): False}.items():
        assert _far_apart(pd.DataFrame({"sum": [0, lost], "size": [40, size]})) is told


def lost_blocks(data, *, sparse, usual, status="contaminated"):
    """Lose the first blocks of each schedule."""
    table = data.table.copy()
    for name, count in (("sparse", sparse), ("usual", usual)):
        here = table.index[table["schedule"] == name][:count]
        table.loc[here, "fresh_g"], table.loc[here, "status"] = np.nan, status
    return replace(data, table=table)


def test_lost_blocks_are_counted_among_blocks_whose_fate_is_known(tmp_path):
    """One of two batches is in: 10 chambers, 5 of each schedule, with 6 blocks: 30 of each.

    Two of the blocks of usual that were grown have no row in the sheet: nobody knows whether they
    were lost, so they are neither among the lost nor among the others, as in the table of lost
    blocks. Blocks of the batch to come are not there at all.
    """
    trial = make_trial(tmp_path, batches=2, chambers=10)
    table = lost_blocks(make_data(trial, sd_run=5), sparse=9, usual=2).table
    first = sorted(table["batch"].unique())[0]
    assert set(table.loc[table["status"] == "contaminated", "batch"]) == {first}
    to_come = table["batch"] != first
    unwritten = table.index[~to_come & (table["schedule"] == "usual") & (table["status"] == "ok")]
    for rows in (table.index[to_come], unwritten[:2]):
        table.loc[rows, "fresh_g"], table.loc[rows, "status"] = np.nan, "missing"
    data = replace(make_data(trial), table=table)
    (told,) = uneven_losses(trial, tk.analyse(trial, data))
    assert "sparse lost 9 of 30 blocks, usual 2 of 28" in told.message
    beside = tk.other_outcomes(trial, data).proportions
    beside = beside[beside["outcome"] == "contaminated"].set_index("level")
    assert beside.loc[["sparse", "usual"], "events"].tolist() == [9, 2]
    assert beside.loc[["sparse", "usual"], "blocks"].tolist() == [30, 28]


def test_losses_are_counted_by_block_and_told_with_the_yield_of_started_blocks(tmp_path):
    """The ratio of the totals: as many blocks of each were started."""
    trial = make_trial(tmp_path, batches=2, chambers=10)
    data = lost_blocks(make_data(trial, sd_run=5), sparse=18, usual=2)
    (told,) = uneven_losses(trial, tk.analyse(trial, data))
    assert (told.code, told.severity) == ("losses_uneven", "caution")
    assert "18 of 60" in told.message
    assert "2 of 60" in told.message
    totals = data.table.groupby("schedule")["fresh_g"].sum()
    share = 100 * totals["sparse"] / totals["usual"]  # as many blocks of each were started
    assert f" {share:.0f} %" in told.message
    for status in ("discarded", "contaminated"):
        again = lost_blocks(make_data(trial), sparse=18, usual=2, status=status)
        assert len(uneven_losses(trial, tk.analyse(trial, again))) == 1
    other = lost_blocks(make_data(trial), sparse=18, usual=2, status="missing")
    assert uneven_losses(trial, tk.analyse(trial, other)) == []  # not lost: not in yet
    alike = lost_blocks(make_data(trial), sparse=10, usual=8)
    assert uneven_losses(trial, tk.analyse(trial, alike)) == []


@pytest.mark.parametrize("status", ["missing", "ok"], ids=["no row", "a row without a weight"])
def test_a_run_that_is_not_whole_is_not_part_of_the_yield_of_started_blocks(tmp_path, status):
    trial = make_trial(tmp_path, batches=1, chambers=10)
    data = lost_blocks(make_data(trial, sd_run=5), sparse=9, usual=0)
    table = data.table.copy()
    run = table["chamber"] == table.loc[table["schedule"] == "sparse", "chamber"].iloc[-1]
    table.loc[table.index[run][0], ["fresh_g", "status"]] = [np.nan, status]
    data = replace(data, table=table)
    (told,) = uneven_losses(trial, tk.analyse(trial, data))
    # one batch: plain means of run totals over blocks started
    runs = table[~run].groupby("chamber", sort=False)
    per = runs.agg(y=("fresh_g", "sum"), n=("unit", "nunique"), s=("schedule", "first"))
    ratio = (per["y"] / per["n"]).groupby(per["s"]).mean()
    with_it = table.groupby("schedule")["fresh_g"].sum()
    told_of = 100 * ratio["sparse"] / ratio["usual"]
    assert abs(told_of - 100 * with_it["sparse"] / with_it["usual"]) > 1
    assert f" {told_of:.0f} %" in told.message


@pytest.mark.parametrize("response", ["be_pct", "caps", "dry_g"])
def test_uneven_losses_are_told_of_all_that_a_lost_block_has_none_of(tmp_path, response):
    """Biological efficiency, caps and dry weight: the ratio of totals, as many blocks started."""
    trial = make_trial(tmp_path, batches=2, chambers=10, more="[blocks]\ndry_substrate_g = 950")
    data = make_data(trial, sd_run=5)
    data.table[response] = data.table["fresh_g"] / 9.5
    data = lost_blocks(data, sparse=18, usual=2)
    data.table.loc[data.table["status"] == "contaminated", response] = np.nan
    (told,) = uneven_losses(trial, tk.analyse(trial, data, response=response))
    totals = data.table.groupby("schedule")[response].sum()
    assert f" {100 * totals['sparse'] / totals['usual']:.0f} %" in told.message


def test_a_response_that_a_lost_block_could_have_is_not_counted_as_nothing(tmp_path):
    """Days to harvest: a lost block has none, and none is not zero days."""
    trial = make_trial(tmp_path, batches=2, chambers=10)
    data = lost_blocks(make_data(trial), sparse=18, usual=2)
    table = data.table.copy()
    table["days"] = 9 + np.random.default_rng(1).normal(size=len(table))
    data = replace(data, table=table)
    assert uneven_losses(trial, tk.analyse(trial, data, response="days")) == []
