"""Sums behind pooled trials, by hand: weights, variances by their units, logarithms."""

import math
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import trialkit as tk
from tests.small_trials import make_data, make_trial
from trialkit.decision.pooling import (
    _exp,
    _pool_findings,
    _pooled_variances,
    between_variance,
    combine_estimates,
    log_ratio,
)


def analysed(variances, chambers, blocks):
    """Stand in for an analysis: chambers × blocks rows and the variances given."""
    rows = [(f"C{i}", j) for i in range(chambers) for j in range(blocks)]
    table = pd.DataFrame(rows, columns=["chamber", "block"])
    return SimpleNamespace(fit=SimpleNamespace(table=table, variances=pd.Series(variances)))


def test_variances_are_averaged_by_the_units_they_came_from():
    """4 and 8 chambers: (4 × 30 + 8 × 60) / 12 = 50; 20 and 16 rows: (20 × 9 + 16 × 18) / 36 = 13.

    Terms keep the order of the trials, the coarsest first.
    """
    one = analysed({"chamber": 30.0, "residual": 9.0}, 4, 5)
    other = analysed({"chamber": 60.0, "residual": 18.0}, 8, 2)
    only = analysed({"ante": 7.0, "residual": 13.0}, 3, 1)
    got = _pooled_variances([one, other, only])
    assert got["term"].tolist() == ["chamber", "residual", "ante"]
    got = got.set_index("term")
    assert got["pooled"].to_dict() == pytest.approx({"chamber": 50.0, "residual": 13.0, "ante": 7})
    assert got["smallest"].to_dict() == {"chamber": 30.0, "residual": 9.0, "ante": 7.0}
    assert got["largest"].to_dict() == {"chamber": 60.0, "residual": 18.0, "ante": 7.0}
    assert got["trials"].to_dict() == {"chamber": 2, "residual": 3, "ante": 1}


def test_two_trials_apart_by_hand():
    """0.0 and 0.3 with variances 0.01 each: REML tau² = 0.045 - 0.01 = 0.035, weights equal.

    Scale max(1, 0.045 / 0.045) = 1, se² = 0.045 / 2, t (1 df, 90 %) 6.3138.
    """
    got = combine_estimates([0.0, 0.3], [0.01, 0.01], level=0.9)
    t = stats.t.ppf(0.95, 1)
    assert got.between == pytest.approx(0.035, rel=1e-9)
    assert got.weights.tolist() == pytest.approx([0.5, 0.5])
    assert got.estimate == pytest.approx(0.15)
    assert got.high == pytest.approx(0.15 + t * math.sqrt(0.0225), rel=1e-8)
    assert got.low == pytest.approx(0.15 - t * math.sqrt(0.0225), rel=1e-8)


@pytest.mark.parametrize("seed", range(6))
def test_the_variance_between_trials_is_at_the_top_of_its_likelihood(seed):
    """A fine grid of the restricted likelihood (written out) has nothing higher."""
    rng = np.random.default_rng(seed)
    v = rng.uniform(0.001, 0.05, 5)
    y = rng.normal(0, np.sqrt(v + [0.0, 0.01, 0.1][seed % 3]))

    def loglik(tau2):
        w = 1 / (v + tau2)
        mean = (w * y).sum() / w.sum()
        return 0.5 * (np.log(w).sum() - np.log(w.sum()) - (w * (y - mean) ** 2).sum())

    got = between_variance(y, v)
    best = max(loglik(x) for x in np.concatenate([[0], np.geomspace(1e-7, 10, 20_000)]))
    assert loglik(got) >= best - 1e-9


def test_a_ratio_beyond_all_numbers_is_infinite():
    assert _exp(1.0) == pytest.approx(math.e)
    assert _exp(690.0) == pytest.approx(math.exp(690.0))
    assert _exp(800.0) == math.inf


def test_the_log_ratio_has_the_error_of_the_delta_method(tmp_path):
    """One batch, five runs of each: var(log r) = s² / 5 (1 / m1² + 1 / m0²)."""
    trial = make_trial(tmp_path, batches=1, chambers=10)
    data = make_data(trial, effect=0.9, sd_run=30, seed=2)
    runs = data.table.groupby("chamber").agg(y=("fresh_g", "mean"), s=("schedule", "first"))
    groups = runs.groupby("s")["y"]
    m1, m0 = groups.mean()[["sparse", "usual"]]
    v = groups.var().mean() / 5
    value, se = log_ratio(tk.analyse(trial, data), "sparse")
    assert value == pytest.approx(math.log(m1 / m0))
    assert se == pytest.approx(math.sqrt(v / m1**2 + v / m0**2))


def test_few_trials_are_said_to_be_few(tmp_path):
    trial = make_trial(tmp_path)
    results = [tk.analyse(trial, make_data(trial, seed=i)) for i in range(3)]
    assert [f.code for f in _pool_findings(results[:2])] == ["few_trials"]
    assert [f.severity for f in _pool_findings(results)] == ["note"]
    twice = _pool_findings([results[0], results[1], results[0]])
    assert [f.code for f in twice] == ["shared_rows", "few_trials"]
    assert "1 " in twice[0].message
    assert "3 " in twice[0].message
