"""Several trials together: Hartung-Knapp never too narrow, and each trial shown."""

import dataclasses
import json
import math
from pathlib import Path

import numpy as np
import pytest

import trialkit as tk
from tests.small_trials import make_data, make_trial
from trialkit.decision.fingerprint import data_fingerprint, share_in_common
from trialkit.decision.pooling import (
    between_variance,
    combine_estimates,
    log_ratio,
    pool_trials,
)
from trialkit.errors import ModelError

REFERENCES = json.loads((Path(__file__).parent / "pooling_values.json").read_text())["pooling"]


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    out = []
    for i, effect in enumerate((0.95, 1.0, 0.9)):
        trial = make_trial(tmp_path_factory.mktemp(str(i)))
        out.append(tk.analyse(trial, make_data(trial, effect=effect, sd_run=25, seed=i)))
    return out


@pytest.mark.parametrize("case", REFERENCES, ids=lambda case: case["id"])
def test_combining_equals_the_reference(case):
    """R 4.2.2, metafor, rma(method="REML", test="adhoc"), see pooling_values.json."""
    got = combine_estimates(case["yi"], case["vi"])
    for name, mine in (
        ("estimate", got.estimate), ("se", got.se), ("low", got.low), ("high", got.high),
        ("df", got.df), ("tau2", got.between),
    ):  # fmt: skip
        assert mine == pytest.approx(case[name], abs=1e-6), name


def test_the_variance_between_equal_trials_is_the_textbook_one():
    """Closed form: with equal errors REML gives max(0, s² − v)."""
    y = np.array([0.1, 0.4, -0.2, 0.3])
    assert between_variance(y, np.full(4, 0.02)) == pytest.approx(y.var(ddof=1) - 0.02, rel=1e-9)
    assert between_variance(y, np.full(4, 0.2)) == 0


def test_limits_are_never_narrower_than_the_trials_own_errors_allow():
    """By hand: two equal results, se = sqrt(v / 2), t with 1 df at 97.5 % is 12.7062."""
    got = combine_estimates([0.02, 0.02], [0.0008, 0.0008])
    assert got.high - got.estimate == pytest.approx(12.7062047 * 0.02, rel=1e-7)


def test_limits_cover_the_mean_over_trials():
    """Simulated: three trials, true SD between trials as large as their standard error."""
    rng = np.random.default_rng(8)
    held = 0
    for _ in range(400):
        y = rng.normal(0, 0.04 * math.sqrt(2), 3)
        got = combine_estimates(y, np.full(3, 0.04**2))
        held += got.low <= 0 <= got.high
    assert held / 400 > 0.93


def test_centre_and_spread_come_from_the_trials_own_contrast(tmp_path):
    """An uneven trial, whose default analysis is not that of the whole model."""
    trial = make_trial(tmp_path)
    data = make_data(trial, effect=0.93, sd_run=5, sd_block=40, seed=4)
    lost = (data.table["batch"] == "B1") & (data.table["block"].isin(["1", "2", "3", "4", "5"]))
    lost |= data.table.index.isin([30, 31, 32, 33, 50, 51, 70])
    result = tk.analyse(trial, dataclasses.replace(data, table=data.table[~lost]))
    row = result.ratios.set_index("level").loc["sparse"]
    assert row["method"] != "fieller, kenward-roger"  # or the check says nothing
    value, se = log_ratio(result, "sparse")
    assert math.exp(value) == pytest.approx(row["ratio"], rel=1e-12)
    # Fieller's limits of the same contrast: half their width on the logarithm is near t se
    alone = result.fit.noninferior("schedule", against="usual", margin_pct=10).iloc[0]
    from scipy import stats

    width = math.log(alone["high"] / alone["low"]) / 2
    assert width == pytest.approx(stats.t.ppf(0.975, alone["df"]) * se, rel=0.05)


def test_what_batches_have_in_common_goes_out_of_a_ratio_by_the_ratio(tmp_path):
    """Batches 230 g apart move both means alike, by the mean squares of a balanced trial.

    Four batches of two runs of each schedule: between batches (MS_b - MS) / 4 is shared, MS / 8
    is each mean's own; var(log r) = (v + r² v - 2 r c) / m1². Chambers differ by chance alone.
    """
    trial = make_trial(tmp_path)
    data = make_data(trial, effect=1.5, sd_run=30, seed=1)
    names = sorted(data.table["batch"].unique())
    apart = dict(zip(names, [-120.0, -40.0, 50.0, 110.0], strict=True))
    data.table["fresh_g"] += data.table["batch"].map(apart).astype(float)
    value, se = log_ratio(tk.analyse(trial, data), "sparse")
    runs = data.table.groupby(["batch", "chamber"]).agg(
        y=("fresh_g", "mean"), s=("schedule", "first")
    )
    assert set(runs.groupby(["batch", "s"]).size()) == {2}
    by_batch = runs.groupby("batch")["y"].transform("mean") - runs["y"].mean()
    by_schedule = runs.groupby("s")["y"].transform("mean")
    error = ((runs["y"] - by_schedule - by_batch) ** 2).sum() / (16 - 3 - 2)
    shared = ((by_batch**2).sum() / 3 - error) / 4 / 4
    m1, m0 = runs.groupby("s")["y"].mean()[["sparse", "usual"]]
    r = m1 / m0
    v = shared + error / 8
    assert value == pytest.approx(math.log(r))
    assert se == pytest.approx(math.sqrt(v + r**2 * v - 2 * r * shared) / m1, rel=0.03)


def test_the_same_data_are_refused_whatever_they_are_called(results, tmp_path):
    with pytest.raises(ModelError, match=r"1 .* and 2 .* same data"):
        pool_trials([results[0], results[0]], level="sparse")
    first = results[0]
    again = dataclasses.replace(
        first.data, table=first.data.table.sample(frac=1, random_state=1, ignore_index=True)
    )
    text = (first.trial.folder / "trial.toml").read_text().replace("Drawn trial", "A copy")
    (tmp_path / "trial.toml").write_text(text)
    copied = tk.read_trial(tmp_path)
    copy = tk.analyse(copied, dataclasses.replace(again, trial=copied))
    assert data_fingerprint(copy) == data_fingerprint(first)
    with pytest.raises(ModelError, match="A copy"):
        pool_trials([*results, copy], level="sparse")


def test_a_single_other_weight_is_another_fingerprint_but_is_said(results):
    first = results[0]
    table = first.data.table.copy()
    table.loc[0, "fresh_g"] += 1
    other = tk.analyse(first.trial, dataclasses.replace(first.data, table=table))
    assert data_fingerprint(other) != data_fingerprint(first)
    assert share_in_common(first, other) == pytest.approx(95 / 96)
    pooled = pool_trials([first, other], level="sparse")
    assert "shared_rows" in {finding.code for finding in pooled.findings}
    assert "do not look like two trials" in str(pooled)
    apart = pool_trials(results, level="sparse")
    assert "shared_rows" not in {finding.code for finding in apart.findings}


def test_every_trial_is_shown_and_variances_are_carried(results):
    pooled = pool_trials(results, level="sparse")
    assert len(pooled.table) == 4
    assert pooled.table["weight_pct"].iloc[:-1].sum() == pytest.approx(100)
    last = pooled.table.iloc[-1]
    assert last["next_low"] <= last["low"] < last["ratio"] < last["high"] <= last["next_high"]
    assert "next trial" in str(pooled)
    variances = pooled.variances.set_index("term")
    laid_out = ["batch", "chamber", "batch:chamber", "residual"]
    assert (variances.loc[laid_out, "trials"] == 3).all()
    assert (variances["smallest"] <= variances["pooled"]).all()
    assert (variances["pooled"] <= variances["largest"]).all()


def test_what_cannot_be_pooled_is_refused(results):
    with pytest.raises(ModelError, match="at least two"):
        pool_trials(results[:1], level="sparse")
    with pytest.raises(ModelError, match="has no level 'banded'"):
        pool_trials(results, level="banded")
    with pytest.raises(ModelError, match="is the control"):
        pool_trials(results, level="usual")
    table = results[1].data.table.assign(dry_g=lambda t: t["fresh_g"] / 10)
    other = dataclasses.replace(results[1].data, table=table)
    dried = tk.analyse(results[1].trial, other, response="dry_g")
    with pytest.raises(ModelError, match="differ in their response"):
        pool_trials([results[0], dried], level="sparse")
    with pytest.raises(ModelError, match="standard error above zero"):
        combine_estimates([0.1, 0.2], [0.01, 0.0])
