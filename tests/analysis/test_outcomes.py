"""Proportions count independent units; other outcomes follow the same model as yield."""

import numpy as np
import pytest
from statsmodels.stats.proportion import proportion_confint

from tests.small_trials import make_data, make_trial
from trialkit.analysis.outcomes import cluster_interval, other_outcomes


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
