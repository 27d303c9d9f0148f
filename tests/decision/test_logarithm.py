"""Where spread grows with the mean the logarithm is asked too; it may be asked as the main one."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import trialkit as tk
from tests.decision.test_depends import lit
from tests.small_trials import make_data, make_trial
from trialkit.decision.logarithm import on_the_logarithm, spread_grows
from trialkit.errors import ModelError


def logarithmic(folder, **options):
    make_trial(folder, **options)
    path = folder / "trial.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("[question]", '[question]\nscale = "logarithm"'), "utf-8")
    return tk.read_trial(folder)


def three_flushes(folder, *, same_spread=False, seed=2):
    """Flushes of 300, 150 and 60 g, each spreading by 10 % of itself, or all by 10 g."""
    make_trial(folder)
    path = folder / "trial.toml"
    path.write_text(path.read_text("utf-8").replace("flushes = 1", "flushes = 3"), "utf-8")
    trial = tk.read_trial(folder)
    data, rng = make_data(trial), np.random.default_rng(seed)
    one = data.table.drop_duplicates("unit")
    parts = []
    for flush, mean in enumerate((300.0, 150.0, 60.0), start=1):
        noise = rng.normal(0, 1, len(one))
        weight = mean + 10 * noise if same_spread else mean * np.exp(0.1 * noise)
        parts.append(one.assign(flush=flush, fresh_g=weight))
    return trial, replace(data, table=pd.concat(parts, ignore_index=True))


def test_ratios_on_the_logarithm_are_those_of_a_t_test_on_logarithms(tmp_path):
    """One batch, ten chambers, weights alike within a chamber but for a little: scipy's t test.

    The difference of the chambers' mean logarithms, its limits (8 df) and the p at the margin.
    """
    trial = logarithmic(tmp_path, batches=1, chambers=10)
    data = make_data(trial, effect=0.97, sd_run=40)
    result = tk.analyse(trial, data)
    logs = np.log(data.table["fresh_g"]).groupby(data.table["chamber"]).mean()
    level = data.table.groupby("chamber")["schedule"].first()
    a, b = logs[level == "sparse"], logs[level == "usual"]
    apart = stats.ttest_ind(a, b)
    limits = apart.confidence_interval(0.95)
    row = result.ratios.iloc[0]
    assert row["ratio"] == pytest.approx(np.exp(a.mean() - b.mean()))
    assert [row["low"], row["high"]] == pytest.approx(np.exp([limits.low, limits.high]))
    at_margin = stats.ttest_ind(a - np.log(0.9), b, alternative="greater").pvalue
    assert row["p"] == pytest.approx(at_margin)
    means = result.table.set_index("level")["estimate"]
    assert means.to_dict() == pytest.approx(
        {"usual": stats.gmean(np.exp(b)), "sparse": stats.gmean(np.exp(a))}
    )
    gap = result.differences["schedule"].iloc[0]
    assert gap["estimate"] == pytest.approx(means["sparse"] - means["usual"])
    assert gap["p"] == pytest.approx(apart.pvalue)
    assert "geometric mean" in str(result)
    assert tk.decide(trial, result).logarithm is None  # it is the main one already


def test_a_zero_is_refused_on_the_logarithm_as_the_main_analysis(tmp_path):
    trial = logarithmic(tmp_path)
    data = make_data(trial)
    data.table.loc[[3, 8], "fresh_g"] = 0.0
    with pytest.raises(ModelError, match="2 of 96 values of fresh weight are zero"):
        tk.analyse(trial, data)


def test_growing_spread_brings_the_logarithm_and_even_spread_does_not(tmp_path):
    trial, data = three_flushes(tmp_path)
    result = tk.analyse(trial, data)
    verdict = tk.decide(trial, result)
    assert spread_grows(result.fit)
    assert verdict.logarithm["answer"].tolist() == verdict.table["answer"].tolist()
    assert verdict.sentence.endswith("The answer on the logarithm is the same.")
    trial, data = three_flushes(tmp_path, same_spread=True)
    result = tk.analyse(trial, data)
    assert not spread_grows(result.fit)
    assert tk.decide(trial, result).logarithm is None


def test_what_differs_on_the_logarithm_is_said(tmp_path):
    """The third flush of sparse gives half: 6 % of the total, 20 % of the geometric mean."""
    trial, data = three_flushes(tmp_path, seed=3)
    table = data.table.copy()
    half = (table["schedule"] == "sparse") & (table["flush"] == 3)
    table.loc[half, "fresh_g"] *= 0.5
    verdict = tk.decide(trial, tk.analyse(trial, replace(data, table=table)))
    assert verdict.table["answer"].iloc[0] == "no worse"
    assert verdict.logarithm["answer"].iloc[0] == "worse"
    assert verdict.logarithm["ratio"].iloc[0] == pytest.approx(0.5 ** (1 / 3), rel=0.05)
    assert verdict.sentence.endswith("The answer on the logarithm is different: worse.")
    (told,) = [f for f in verdict.findings if f.code == "logarithm"]
    assert told.severity == "caution"


def test_where_it_depends_nothing_is_said_over_all_of_it_on_the_logarithm_either(tmp_path):
    """Sparse gives 22 % more under dim light and a quarter less under bright, which doubles all.

    By geometric means over both that is 1.22 × 0.75 = 0.915, whose root is 0.957: an average that
    no light shows.
    """
    trial, data = lit(tmp_path, 1.22, 0.75 * 2, base=2.0, sd_run=10, sd_block=20)
    result = tk.analyse(trial, data)
    assert spread_grows(result.fit)
    verdict = tk.decide(trial, result)
    assert verdict.depends_on == "light"
    assert verdict.table["answer"].tolist() == ["depends"]
    assert verdict.logarithm["answer"].tolist() == ["depends"]
    assert verdict.logarithm["ratio"].iloc[0] == pytest.approx((1.22 * 0.75) ** 0.5, rel=0.03)
    assert "On the logarithm it also depends on the light" in verdict.sentence
    plain = on_the_logarithm(trial, result, depends_on="light")  # no level is named as depending
    assert plain.table["answer"].iloc[0] != "depends"


def test_zeros_beside_growing_spread_are_told_and_no_number_is_put_in_their_place(tmp_path):
    trial, data = three_flushes(tmp_path)
    data.table.loc[data.table.index[-1], "fresh_g"] = 0.0
    found = on_the_logarithm(trial, tk.analyse(trial, data))
    assert found.table is None
    assert "1 of 288 values are zero" in found.findings[0].message


def test_a_block_is_told_over_all_its_flushes(tmp_path):
    """Complete data: the mean of block totals, by hand; `fit.means` stays that of a flush."""
    trial, data = three_flushes(tmp_path)
    result = tk.analyse(trial, data)
    totals = data.table.groupby(["unit", "schedule"])["fresh_g"].sum().reset_index()
    plain = totals.groupby("schedule")["fresh_g"].mean()
    told = result.per_block(result.table).set_index("level")
    assert told["estimate"].to_dict() == pytest.approx(plain.to_dict())
    width = told["high"] - told["low"]
    flush = result.table.set_index("level")
    assert width.to_dict() == pytest.approx((3 * (flush["high"] - flush["low"])).to_dict())
    assert flush["estimate"].to_dict() == pytest.approx((plain / 3).to_dict())
    assert "over all 3 flushes" in str(result)
