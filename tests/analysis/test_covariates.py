"""Covariates and further blocks: faults, values by row, the model beside least squares."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

import trialkit as tk
from tests.small_trials import make_data, make_trial
from trialkit.analysis.covariates import NOT_KNOWN
from trialkit.errors import TrialFileError

WEIGHT = """
[columns.start_g]
label = "weight at the start"
unit = "g"
range = [500, 5000]
pools = "mean"
[covariates.start_g]
"""


def by_run(trial_folder, values, *, use="covariate", batches=1, chambers=10):
    """Make a trial whose covariate stands in the trial file, one value for each run."""
    lines = [f'"{run}" = {value!r}' for run, value in values.items()]
    more = f'[covariates.x]\nby = "batch:chamber"\nuse = "{use}"\nunit = "g"\n'
    more += "[covariates.x.values]\n" + "\n".join(lines).replace("'", '"')
    return make_trial(trial_folder, batches=batches, chambers=chambers, more=more)


def with_weights(trial, *, seed=4, slope=0.8, missing=(), after_flush=False):
    data = make_data(trial, seed=seed, sd_block=10)
    table = data.table.copy()
    rng = np.random.default_rng(seed)
    table["start_g"] = 1000 + 50 * rng.standard_normal(len(table))
    table["fresh_g"] += slope * (table["start_g"] - 1000)
    table["status"] = "ok"
    table.loc[list(missing), "start_g"] = np.nan
    return replace(data, table=table)


def codes(result):
    return {f.code for f in result.findings}


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ("[covariates.x]\n", "'x' has no values"),
        ('[covariates.x]\nby = "shelf"\nvalues.B1 = 3', "no units are called 'shelf'"),
        ('[covariates.x]\nby = "batch"\nvalues.B9 = 3', "no batch is called 'B9'"),
        ('[covariates.x]\nby = "batch"\nvalues.B1 = "p"', "'p' is no number"),
        ("[covariates.x]\nvalues.B1 = 3", "which units have one each"),
        ("[covariates.fresh_g]\n", "the response of this trial"),
        ("[covariates.schedule]\n", "'schedule' is a unit, a treatment"),
        ('[covariates.caps]\nby = "batch"\nvalues.B1 = 3', "keep one of the two"),
        ('[covariates.x]\nbye = "batch"', "unknown key 'bye'"),
    ],
)
def test_covariates_that_cannot_be_are_faults(tmp_path, more, said):
    with pytest.raises(TrialFileError, match=said):
        make_trial(tmp_path, more=more)


def test_a_covariate_of_runs_is_least_squares_on_run_means(tmp_path):
    """Ten runs of one batch, balanced blocks: y ~ schedule + x on run means, 7 df (statsmodels)."""
    rng = np.random.default_rng(2)
    values = {f"B1:C{i}": round(float(v), 3) for i, v in enumerate(rng.normal(20, 3, 10), 1)}
    trial = by_run(tmp_path, values)
    data = make_data(trial, seed=6)
    table = data.table.copy()
    x = [values[f"{b}:{c}"] for b, c in zip(table["batch"], table["chamber"], strict=True)]
    table["fresh_g"] += 6 * np.array(x)
    result = tk.analyse(trial, replace(data, table=table.assign(status="ok")))
    runs = (
        table.assign(x=x)
        .groupby("chamber")
        .agg(y=("fresh_g", "mean"), x=("x", "first"), s=("schedule", "first"))
    )
    made = smf.ols("y ~ C(s, Treatment('usual')) + x", runs).fit()
    row = result.differences["schedule"].iloc[0]
    name = "C(s, Treatment('usual'))[T.sparse]"
    sign = 1 if row["first"] == "sparse" else -1
    assert sign * row["estimate"] == pytest.approx(made.params[name], rel=1e-8)
    assert row["se"] == pytest.approx(made.bse[name], rel=1e-6)
    assert row["df"] == pytest.approx(7)
    means = result.table.set_index("level")["estimate"]
    at = made.predict(pd.DataFrame({"s": ["usual"], "x": [runs["x"].mean()]}))[0]
    assert means["usual"] == pytest.approx(at, rel=1e-9)
    plain = smf.ols("y ~ C(s)", runs).fit()
    (told,) = [f for f in result.findings if f.code == "covariate_used"]
    smaller = 100 * (1 - made.bse[name] / plain.bse.iloc[1])
    assert smaller > 5
    assert f"{smaller:.0f} % smaller" in told.message
    assert f"{runs['x'].mean():.3g} g" in told.message


def test_a_further_block_is_least_squares_on_run_means(tmp_path):
    lots = dict(zip((f"B1:C{i}" for i in range(1, 11)), "aabbabcacb", strict=True))
    trial = by_run(tmp_path, lots, use="block")
    data = make_data(trial, seed=7)
    table = data.table.copy()
    lot = [lots[f"{b}:{c}"] for b, c in zip(table["batch"], table["chamber"], strict=True)]
    table["fresh_g"] += pd.Series(lot).map({"a": 0.0, "b": 60.0, "c": -50.0}).to_numpy()
    result = tk.analyse(trial, replace(data, table=table.assign(status="ok")))
    runs = (
        table.assign(lot=lot)
        .groupby("chamber")
        .agg(y=("fresh_g", "mean"), lot=("lot", "first"), s=("schedule", "first"))
    )
    made = smf.ols("y ~ C(s, Treatment('usual')) + C(lot)", runs).fit()
    row = result.differences["schedule"].iloc[0]
    assert abs(row["estimate"]) == pytest.approx(abs(made.params.iloc[1]), rel=1e-8)
    assert row["se"] == pytest.approx(made.bse.iloc[1], rel=1e-6)
    assert row["df"] == pytest.approx(6)
    assert "further_block_used" in codes(result)


def test_weights_come_from_the_harvest_sheet_and_missing_ones_are_told(tmp_path):
    trial = make_trial(tmp_path, more=WEIGHT)
    data = with_weights(trial, missing=(3, 7))
    result = tk.analyse(trial, data)
    assert result.terms.fixed == "schedule + start_g"
    assert result.n_used == len(data.table)  # no harvest is lost
    filled = result.fit.table["start_g"]
    assert filled.loc[[3, 7]].tolist() == pytest.approx([data.table["start_g"].mean()] * 2)
    (told,) = [f for f in result.findings if f.code == "covariate_missing"]
    assert told.severity == "caution"
    assert f"2 of {len(data.table)}" in told.message
    slope = result.fit.coefficients.loc["start_g"]
    assert slope["low"] < 0.8 < slope["high"]
    assert data.table["start_g"].isna().sum() == 2  # what was given is as it was
    alike = tk.decide(trial, result)
    assert alike.answer in ("better", "no worse", "not enough evidence")


def test_missing_names_are_a_block_of_their_own(tmp_path):
    lots = dict(zip((f"B1:C{i}" for i in range(1, 9)), "aabbabab", strict=True))
    trial = by_run(tmp_path, lots, use="block")  # the last two chambers are not named
    result = tk.analyse(trial, make_data(trial))
    assert NOT_KNOWN in set(result.fit.table["x"])
    (told,) = [f for f in result.findings if f.code == "covariate_missing"]
    assert "2 of 10" in told.message


def test_what_the_layout_holds_is_left_out(tmp_path):
    more = '[covariates.lot]\nby = "batch"\nuse = "block"\nvalues.B1 = "a"\nvalues.B2 = "b"'
    trial = make_trial(tmp_path, more=more)
    data = make_data(trial)
    result = tk.analyse(trial, data)
    assert result.terms.fixed == "schedule"
    assert "covariate_left_out" in codes(result)
    bare = tk.analyse(make_trial(tmp_path), data)
    assert result.ratios["low"].tolist() == bare.ratios["low"].tolist()


def test_what_is_alike_everywhere_is_left_out(tmp_path):
    trial = make_trial(tmp_path, more=WEIGHT)
    data = with_weights(trial)
    result = tk.analyse(trial, replace(data, table=data.table.assign(start_g=1000.0)))
    assert result.terms.fixed == "schedule"
    (told,) = [f for f in result.findings if f.code == "covariate_left_out"]
    assert "the same everywhere" in told.message


def test_what_was_measured_after_the_treatment_began_is_warned_about(tmp_path):
    late = make_trial(tmp_path, more=WEIGHT + 'measured = "after"')
    assert "covariate_late" in codes(tk.analyse(late, with_weights(late)))
    caps = make_trial(tmp_path, more="[covariates.caps]")
    data = with_weights(caps)
    table = data.table.assign(caps=np.arange(len(data.table)) % 7 + 10)
    assert "covariate_late" in codes(tk.analyse(caps, replace(data, table=table)))
    soon = make_trial(tmp_path, more=WEIGHT)
    assert "covariate_late" not in codes(tk.analyse(soon, with_weights(soon)))


def test_the_randomisation_test_allows_for_a_covariate(tmp_path):
    """Exact whatever the statistic is; with the weights in it, it is the sharper one here."""
    trial = make_trial(tmp_path, more=WEIGHT)
    data = with_weights(trial, slope=2.0)
    plan = tk.assign(trial)
    with_it = tk.randomisation_test(trial, plan, data, draws=199)
    bare = replace(trial, covariates={})
    without = tk.randomisation_test(bare, plan, data, draws=199)
    assert 0 < with_it.p <= 1
    assert with_it.observed != without.observed


def test_a_planned_look_weighs_rows_to_come_with_a_covariate(tmp_path):
    make_trial(tmp_path, more=WEIGHT)
    path = tmp_path / "trial.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("margin_pct = 10", "margin_pct = 10\nlooks = [2]"))
    trial = tk.read_trial(tmp_path)
    data = with_weights(trial)
    table = data.table.copy()
    late = ~table["batch"].isin(["B1", "B2"])
    table.loc[late, ["fresh_g", "start_g"]] = np.nan
    table.loc[late, "status"] = "missing"
    look = tk.analyse(trial, replace(data, table=table)).look
    table["fresh_g"] -= 0.8 * (table["start_g"] - 1000)  # what it explains, taken out by hand
    bare = tk.analyse(replace(trial, covariates={}), replace(data, table=table)).look
    assert look.share == pytest.approx(bare.share, abs=0.02)
    assert 0.2 < look.share < 0.55
