"""Whether an effect differs between batches, against the analysis of variance of runs."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf

import trialkit as tk
from tests.decision.test_depends import lit
from tests.small_trials import make_data, make_trial
from trialkit.decision.depends import _contradict, dependence
from trialkit.decision.settle import MOST, batches_to_settle
from trialkit.display import decimals_beside


def rooms_of_their_own(folder, *, batches=2, chambers=4):
    """Each batch has its own chambers: nothing but runs blocks the comparison."""
    make_trial(folder, batches=batches, chambers=chambers)
    path = folder / "trial.toml"
    text = path.read_text("utf-8").replace("(batch * chamber) / block", "batch / chamber / block")
    path.write_text(text, "utf-8")
    return tk.read_trial(folder)


def by_runs(table):
    runs = table.groupby(["batch", "chamber"], as_index=False, observed=True).agg(
        y=("fresh_g", "mean"), schedule=("schedule", "first")
    )
    return sm.stats.anova_lm(smf.ols("y ~ schedule * batch", runs).fit(), typ=2), runs


def without_runs(data, count):
    """Leave out the last runs of the last batch, one schedule after the other."""
    table = data.table
    runs = table[["batch", "chamber", "schedule"]].drop_duplicates()
    last = runs[runs["batch"] == runs["batch"].iloc[-1]]
    gone = [last[last["schedule"] == s].iloc[-1] for s in ("sparse", "usual")][:count]
    kept = np.ones(len(table), dtype=bool)
    for run in gone:
        kept &= ~((table["batch"] == run["batch"]) & (table["chamber"] == run["chamber"]))
    return replace(data, table=table[kept].reset_index(drop=True))


@pytest.mark.parametrize(("lost", "df"), [(0, 4), (1, 3), (2, 2)])
def test_batches_are_asked_where_three_degrees_of_freedom_are_left(tmp_path, lost, df):
    """Runs less cells: 8 - 4, 7 - 4 and 6 - 4. The p is that of statsmodels' table of runs."""
    trial = rooms_of_their_own(tmp_path)
    data = without_runs(make_data(trial, effect=0.95, sd_run=25, seed=8), lost)
    table, _ = by_runs(data.table)
    assert table.loc["Residual", "df"] == df
    found = dependence(trial, tk.analyse(trial, data)).tests.set_index("factor")
    assert ("batch" in found.index) == (df >= 3)
    if df >= 3:
        wanted = table.loc["schedule:batch", "PR(>F)"]
        assert 0.06 < wanted < 0.99
        assert found.loc["batch", "p_difference"] == pytest.approx(wanted, rel=1e-5)
        assert found.loc["batch", "threshold"] == 0.05  # one partner: all of the 5 %
        assert np.isnan(found.loc["batch", "p_ratio"])  # not asked for
        assert not found.loc["batch", "found"]


@pytest.mark.parametrize(
    ("answers", "contradict"),
    [
        (["worse", "better"], True), (["worse", "no worse"], True),
        (["worse", "not enough evidence"], False), (["better", "no worse"], False),
        (["not enough evidence", "better"], False), (["worse", "worse"], False),
    ],
)  # fmt: skip
def test_which_answers_contradict_each_other(answers, contradict):
    """Only a shown loss beside a shown hold, of the same level."""
    by = pd.DataFrame({"level": "sparse", "at": ["dim", "bright"], "answer": answers})
    assert _contradict(by) is contradict
    apart = by.assign(level=["sparse", "banded"])
    assert _contradict(apart) is False


def test_looking_for_enough_batches_ends_where_both_ends_are_told_or_at_forty(tmp_path):
    """The last row is the first at which the low end holds too, or far beyond what is needed."""
    trial = make_trial(tmp_path)
    for spread in (25.0, 80.0):
        result = tk.analyse(trial, make_data(trial, effect=0.97, sd_run=spread))
        table, needed = batches_to_settle(trial, result)
        count = table["count"].tolist()
        assert count == list(range(count[0], count[-1] + 1))  # none is skipped
        both = table[["no_worse", "difference"]].min(axis=1) >= 0.8
        low = table[["no_worse_low", "difference_low"]].min(axis=1) >= 0.8
        assert needed == (int(table.loc[both, "count"].iloc[0]) if both.any() else None)
        assert not low.iloc[:-1].any() or count[-1] == needed
        if not low.iloc[-1] and count[-1] < MOST:
            assert spread == 80.0  # needed: 10, and at 20 the low end is below 0.8 still
            # not before twice as many were looked at, and three more; but no further
            assert 2 * needed < count[-1] <= 2 * needed + 3
        else:
            assert count[-1] <= MOST


@pytest.mark.parametrize(
    ("limit", "decimals"),
    [
        (1.0, 0), (0.9, 0), (1.2, 0), (0.95, 0),  # on an edge, or a whole per cent from it
        (1.004, 1), (0.996, 1), (0.898, 1), (1.0004, 2), (0.89996, 3), (0.90000001, 3),
        (np.inf, 0), (0.0, 0),
    ],
)  # fmt: skip
def test_limits_are_said_with_as_many_decimals_as_show_their_side(limit, decimals):
    """A limit of 1.004 is not "the same": 0.4 % more. Three decimals are the most."""
    assert decimals_beside(limit, (1.0, 0.9)) == decimals


def test_estimates_on_both_sides_of_the_margin_are_no_contradiction_yet(tmp_path):
    """Neither light shows a loss or a hold: a tenth of its mean lies within the limits of both."""
    straddled = 0
    for seed in range(4):
        trial, data = lit(tmp_path, 0.96, 0.86, seed=seed, sd_run=60, sd_block=60, batches=2)
        result = tk.analyse(trial, data)
        apart = result.fit.differences("schedule", against="usual", by="light", adjust="none")
        means = result.fit.means("schedule", by="light").set_index(["level", "light"])["estimate"]
        margin = -0.1 * means["usual"].loc[apart["light"]].to_numpy()
        open_at_both = ((apart["low"] < margin) & (margin < apart["high"])).all()
        astride = len(set(apart["estimate"] > margin)) == 2
        if not (open_at_both and astride) or result.tests.loc["schedule:light", "p"] < 0.05:
            continue
        straddled += 1
        found = dependence(trial, result)
        assert found.on == ""
        assert len(found.by) == 0
        assert found.findings == ()
    assert straddled >= 1
