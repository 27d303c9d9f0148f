"""Counts and shares: beside statsmodels, worked by hand, and in simulated trials."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf
from scipy import stats

from tests.small_trials import make_data, make_trial
from trialkit.analysis.counts import _cells, _test, compare_counts
from trialkit.analysis.outcomes import other_outcomes

SCHEDULE = SimpleNamespace(
    name="schedule",
    levels=("usual", "sparse", "banded"),
    reference="usual",
    applied_to=("batch", "chamber"),
)
TWO = SimpleNamespace(**{**vars(SCHEDULE), "levels": ("usual", "sparse")})


def runs(batches=4, chambers=3, seed=1, levels=SCHEDULE.levels, mean=90.0, spread=0.15):
    rng = np.random.default_rng(seed)
    rows = []
    for b in range(batches):
        order = rng.permutation([levels[i % len(levels)] for i in range(chambers)])
        for c in range(chambers):
            expected = mean * np.exp(rng.normal(0, 0.2)) * rng.gamma(spread**-2, spread**2)
            rows.append((f"B{b}", f"T{c}", order[c], rng.poisson(expected), 6))
    return pd.DataFrame(rows, columns=["batch", "chamber", "schedule", "counted", "among"])


def test_the_test_is_the_quasi_f_of_statsmodels():
    """Deviances and Pearson's dispersion of statsmodels' own formula fits; F by hand from them."""
    table = runs(4, 3, seed=3, mean=200)
    wide = smf.glm("counted ~ C(batch) + C(schedule, Treatment('usual'))", table,
                   family=sm.families.Poisson(),
                   offset=np.log(table["among"])).fit()  # fmt: skip
    narrow = smf.glm("counted ~ C(batch)", table,
                     family=sm.families.Poisson(),
                     offset=np.log(table["among"])).fit()  # fmt: skip
    # Fletcher's correction, written out: s = mean((y - mu) / mu) for Poisson
    mu = wide.fittedvalues
    phi = wide.pearson_chi2 / wide.df_resid / (1 + ((table["counted"] - mu) / mu).mean())
    f = (narrow.deviance - wide.deviance) / 2 / phi
    got = compare_counts(table, SCHEDULE, kind="count")
    assert got["p"].iloc[0] == pytest.approx(stats.f.sf(f, 2, wide.df_resid), rel=1e-8)
    assert got["dispersion"].iloc[0] == pytest.approx(phi, rel=1e-8)
    assert got["df"].iloc[0] == wide.df_resid == 6
    estimates = np.exp(wide.params.filter(like="schedule"))
    assert sorted(got["estimate"]) == pytest.approx(sorted(estimates), rel=1e-6)


def test_a_limit_is_where_the_test_just_does_not_reject():
    """With two levels, moving all counts of one level by the limit gives p equal to 5 %."""
    table = runs(5, 2, seed=8, levels=TWO.levels, mean=400)
    row = compare_counts(table, TWO, kind="count").iloc[0]
    for end in ("low", "high"):
        moved = table.assign(
            among=table["among"] * np.where(table["schedule"] == "sparse", row[end], 1.0)
        )
        again = compare_counts(moved, TWO, kind="count").iloc[0]
        assert again["p"] == pytest.approx(0.05, abs=1e-5)


def test_no_event_in_a_level_leaves_its_lower_limit_open():
    """Odds of nothing are 0; the lower limit is 0 and the upper one is below equal odds."""
    table = runs(4, 2, seed=2, levels=TWO.levels)
    table["counted"] = np.where(table["schedule"] == "usual", 4, 0)
    row = compare_counts(table, TWO, kind="share").iloc[0]
    assert row["estimate"] == 0
    assert row["low"] == 0
    assert 0 < row["high"] < 1
    assert row["dispersion"] == 1, "never below what chance gives"


def test_nothing_is_said_where_units_cannot_tell():
    small = runs(2, 2, levels=TWO.levels)
    assert compare_counts(small.assign(counted=1), TWO, kind="share").empty  # 1 df
    none = runs(4, 3).assign(counted=0)
    assert compare_counts(none, SCHEDULE, kind="share").empty
    one_kept = runs(4, 3).assign(schedule="usual")
    assert compare_counts(one_kept, TWO, kind="count").empty


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "batches", "chambers", "chance", "within", "most"),
    [
        ("count", 4, 3, 90.0, 0.15, 6.9),
        ("count", 4, 6, 90.0, 0.15, 6.9),
        ("share", 4, 3, 0.3, 0.2, 6.9),
        ("share", 4, 6, 0.15, 0.2, 6.9),
    ],
)
def test_level_in_simulated_trials(kind, batches, chambers, chance, within, most):
    """No true difference: at most 5 % false alarms, give or take (600 trials: 0.9 points)."""
    rng = np.random.default_rng(5)
    false = 0
    for _ in range(600):
        table = runs(batches, chambers, seed=int(rng.integers(1 << 31)), spread=within)
        if kind == "share":
            s = 1 / within - 1
            risk = rng.beta(chance * s, (1 - chance) * s, len(table))
            table["counted"] = rng.binomial(6, risk)
        cells = _cells(table, SCHEDULE, kind, ["sparse", "banded"])
        false += _test(cells)[0] < 0.05
    assert 2.0 < 100 * false / 600 < most


def test_a_trial_tells_its_counts_and_lost_blocks(tmp_path):
    trial = make_trial(tmp_path)
    data = make_data(trial)
    data.table["caps"] = 10.0
    some = data.table.loc[data.table["schedule"] == "sparse", "unit"][:6]
    data.table.loc[data.table["unit"].isin(some), "status"] = "contaminated"
    got = other_outcomes(trial, data).modelled
    caps = got[(got["outcome"] == "caps") & (got["factor"] == "schedule")]
    assert caps["estimate"].to_numpy() == pytest.approx(1.0)  # ten in each: no difference
    lost = got[(got["outcome"] == "contaminated") & (got["factor"] == "schedule")]
    assert (lost["estimate"] > 1).all()
    # one p for one question: that of lost blocks comes from plans drawn anew alone
    assert caps["p"].notna().all()
    assert lost["p"].isna().all()
    drawn = other_outcomes(trial, data).proportions
    assert drawn.loc[drawn["factor"] == "schedule", "p"].between(0, 1).all()
    assert "odds" in str(other_outcomes(trial, data))
