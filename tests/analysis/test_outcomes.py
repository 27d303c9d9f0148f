"""Proportions count independent units; other outcomes follow the same model as yield."""

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from tests.small_trials import make_data, make_trial
from trialkit.analysis.lost_blocks import _Plans, _redrawn_p, cluster_interval
from trialkit.analysis.outcomes import other_outcomes


def test_limits_are_clopper_pearson_at_the_effective_size():
    """Exact limits of statsmodels (method 'beta') at the effective number of units."""
    p, low, high = cluster_interval([0] * 8, [6] * 8)
    assert (p, low) == (0.0, 0.0)
    assert high == pytest.approx(proportion_confint(0, 8, method="beta")[1])
    # never surer than independent blocks would be
    events, sizes = [1, 0, 2, 1, 0, 1], [10] * 6
    p, low, high = cluster_interval(events, sizes)
    plain = proportion_confint(5, 60, method="beta")
    assert p == pytest.approx(5 / 60)
    assert low <= plain[0]
    assert high >= plain[1]


def test_coverage_with_clustered_blocks():
    """2 000 draws, 8 runs of 6 blocks, beta-distributed risk: limits hold the truth >= 94 %."""
    rng = np.random.default_rng(11)
    truth, hits, naive, draws = 0.2, 0, 0, 2000
    for _ in range(draws):
        risk = rng.beta(truth * 3, (1 - truth) * 3, 8)
        events = rng.binomial(6, risk)
        _, low, high = cluster_interval(events.tolist(), [6] * 8)
        hits += low <= truth <= high
        plain = proportion_confint(events.sum(), 48, method="beta")
        naive += plain[0] <= truth <= plain[1]
    assert hits / draws > 0.94
    assert naive / draws < 0.92, "counting blocks as independent must be seen to fail here"


def test_contamination_by_level_counts_chamber_runs(tmp_path):
    trial = make_trial(tmp_path)
    data = make_data(trial)
    bad = data.table.index[data.table["schedule"] == "sparse"][:5]
    data.table.loc[bad, "status"] = "contaminated"
    got = other_outcomes(trial, data).proportions.set_index("level")
    assert got.loc["sparse", "events"] == 5
    assert got.loc["usual", "events"] == 0
    assert (got["clusters"] == 8).all()
    assert 0 < got["p"].iloc[0] <= 1


def test_efficiency_is_fresh_over_dry_substrate(tmp_path):
    """Biological efficiency: 500 g from 950 g dry substrate is 52.63 % (standard formula)."""
    trial = make_trial(tmp_path, more="[blocks]\ndry_substrate_g = 950")
    data = make_data(trial)
    data.table["fresh_g"], data.table["dry_g"] = 500.0, 45.0
    got = other_outcomes(trial, data).efficiency
    assert got["be_total_pct"].to_numpy() == pytest.approx(100 * 500 / 950)
    assert got["be_per_day_pct"].to_numpy() == pytest.approx(100 * 500 / 950 / 9)
    assert got["dry_share_pct"].to_numpy() == pytest.approx(9.0)


def test_the_dry_share_is_that_of_the_weights_that_were_dried(tmp_path):
    """Only every other block is dried: 45 g of its 500 g is 9 %, not 4.5 % of all."""
    trial = make_trial(tmp_path, more="[blocks]\ndry_substrate_g = 950")
    data = make_data(trial)
    table = data.table
    table["fresh_g"], table["dry_g"] = 500.0, 45.0
    table.loc[table.groupby("schedule").cumcount() % 2 == 1, "dry_g"] = np.nan
    got = other_outcomes(trial, data).efficiency
    assert got["dry_share_pct"].to_numpy() == pytest.approx(9.0)


def lose(data, runs, blocks):
    """Lose some blocks of some chamber runs, given by their place."""
    table = data.table
    for at in runs:
        run = data.runs.iloc[at]
        rows = (table["batch"] == run["batch"]) & (table["chamber"] == run["chamber"])
        table.loc[table.index[rows][:blocks], "status"] = "contaminated"


def test_the_p_of_lost_blocks_is_that_of_the_plans_that_could_have_been(tmp_path):
    """Four batches of four chambers, each schedule twice in every batch and every chamber.

    There are 90 such tables of two by two (4 x 4 tables of zeros and ones with all sums 2, a known
    count), all alike likely. Batch k loses k blocks in every run of sparse and none in the others,
    so only the real plan and its mirror reach the difference: p is 2 / 90, from 999 draws with a
    standard error of 0.005. Shuffled over all runs it would be 2 in 12 870.
    """
    trial = make_trial(tmp_path)
    data = make_data(trial)
    for i in data.runs.index[data.runs["schedule"] == "sparse"]:
        lose(data, [i], 1 + int(data.runs["batch"].factorize()[0][i]))
    got = other_outcomes(trial, data).proportions
    assert got["p"].iloc[0] == pytest.approx(2 / 90, abs=0.019)


def test_a_bad_batch_hides_no_difference(tmp_path):
    """One batch loses three blocks in each run, sparse two more in all: the same extreme plan."""
    trial = make_trial(tmp_path)
    data = make_data(trial)
    bad = data.runs["batch"] == data.runs["batch"].iloc[0]
    sparse = data.runs["schedule"] == "sparse"
    for i in data.runs.index:
        lose(data, [i], 3 * int(bad[i]) + 2 * int(sparse[i]))
    p = other_outcomes(trial, data).proportions["p"].iloc[0]
    assert p == pytest.approx(2 / 90, abs=0.019)


def test_under_no_difference_the_p_rejects_about_as_often_as_it_says(tmp_path):
    """60 trials, batches five times apart: at most 9 below 0.05 (binomial 1e-3)."""
    trial = make_trial(tmp_path)
    data = make_data(trial)
    rng = np.random.default_rng(3)
    batch = data.table["batch"].factorize()[0]
    plans = _Plans(trial, 199)
    found = []
    for _ in range(60):
        risk = rng.choice([0.08, 0.4], 4)[batch]
        hit = np.where(rng.random(len(batch)) < risk, 1.0, 0.0)
        clusters = (
            data.table.assign(event=hit)
            .groupby(["batch", "chamber", "schedule"], sort=False)["event"]
            .agg(["sum", "size"])
        )
        found.append(_redrawn_p(clusters.reset_index(), trial.primary, plans))
    assert 0 <= np.sum(np.array(found) < 0.05) <= 9
    assert 18 <= np.sum(np.array(found) < 0.5) <= 45


def test_blocks_of_a_batch_to_come_are_not_clean(tmp_path):
    trial = make_trial(tmp_path)
    data = make_data(trial)
    last = data.table["batch"] == data.table["batch"].iloc[-1]
    data.table.loc[last, ["fresh_g", "status"]] = [np.nan, "missing"]
    lose(data, [0], 2)
    got = other_outcomes(trial, data).proportions
    assert (got["blocks"] == 36).all()  # three batches, two runs of six blocks
    assert (got["clusters"] == 6).all()
    assert got["events"].sum() == 2


def test_with_nothing_lost_there_is_an_upper_limit(tmp_path):
    """Clopper-Pearson of nothing in eight runs (statsmodels)."""
    trial = make_trial(tmp_path)
    got = other_outcomes(trial, make_data(trial)).proportions
    assert set(got["outcome"]) == {"contaminated"}
    assert got["events"].sum() == 0
    assert got["high"].to_numpy() == pytest.approx(proportion_confint(0, 8, method="beta")[1])
    assert got["p"].isna().all()


def test_efficiency_is_adjusted_for_batch_as_yield_is(tmp_path):
    """One batch of ten chambers: the pooled t limits of run means; the difference too."""
    trial = make_trial(tmp_path, batches=1, chambers=10, more="[blocks]\ndry_substrate_g = 950")
    data = make_data(trial, sd_run=40)
    data.table["caps"] = np.random.default_rng(2).integers(10, 30, len(data.table)).astype(float)
    got = other_outcomes(trial, data)
    runs = data.table.groupby(["chamber", "schedule"])[["fresh_g", "caps"]].mean().reset_index()
    a, b = (runs[runs["schedule"] == name] for name in ("sparse", "usual"))
    reach = stats.t.ppf(0.975, 8)
    half = reach * np.sqrt((a["fresh_g"].var() + b["fresh_g"].var()) / 2 / 5)
    row = got.efficiency.set_index("level").loc["sparse"]
    assert row["be_total_pct"] == pytest.approx(100 * a["fresh_g"].mean() / 950)
    assert row["be_high_pct"] == pytest.approx(100 * (a["fresh_g"].mean() + half) / 950, rel=1e-6)
    test = stats.ttest_ind(a["fresh_g"], b["fresh_g"]).confidence_interval(0.95)
    assert row["difference"] == pytest.approx(
        100 * (a["fresh_g"].mean() - b["fresh_g"].mean()) / 950
    )
    ends = [row["difference_low"], row["difference_high"]]
    assert ends == pytest.approx([100 * test.low / 950, 100 * test.high / 950], rel=1e-6)
    assert (
        got.efficiency.set_index("level")
        .loc["usual", ["difference", "difference_low"]]
        .isna()
        .all()
    )
    caps = got.measured.set_index(["outcome", "level"]).loc[("caps", "sparse")]
    test = stats.ttest_ind(a["caps"], b["caps"])
    limits = test.confidence_interval(0.95)
    assert caps["difference"] == pytest.approx(a["caps"].mean() - b["caps"].mean())
    ends = [caps["difference_low"], caps["difference_high"]]
    assert ends == pytest.approx([limits.low, limits.high], rel=1e-6)


def test_a_batch_that_is_half_there_does_not_move_the_efficiency(tmp_path):
    """A rich batch without its sparse runs: plain means favour usual, the model compares within."""
    trial = make_trial(tmp_path, more="[blocks]\ndry_substrate_g = 950")
    data = make_data(trial, sd_run=1, sd_block=1)
    table = data.table
    rich = table["batch"] == table["batch"].iloc[0]
    table.loc[rich, "fresh_g"] += 300
    table.loc[rich & (table["schedule"] == "sparse"), ["fresh_g", "status"]] = [np.nan, "missing"]
    got = other_outcomes(trial, data).efficiency.set_index("level")["be_total_pct"]
    assert got["sparse"] == pytest.approx(got["usual"], abs=0.5)
    plain = table.groupby("schedule")["fresh_g"].mean()
    assert 100 * (plain["usual"] - plain["sparse"]) / 950 > 7
