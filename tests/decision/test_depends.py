"""Where the effect depends on something, the verdict says so and answers by level."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import trialkit as tk
from tests.small_trials import TEXT, make_data, make_trial
from trialkit.decision.depending_levels import interaction_rows, sound_chance
from trialkit.decision.depends import dependence
from trialkit.decision.headline import headline
from trialkit.figures.group_words import group_words
from trialkit.model.answers.means import mean_cells
from trialkit.wording import read_wording

LIGHT = """
[factors.light]
applied_to = "batch:chamber:block"
control = "dim"
levels.dim = { lux = 200 }
levels.bright = { lux = 800 }
"""


def lit(folder, dim, bright, *, base=1.0, batches=4, chambers=4, **spread):
    """Draw a trial whose blocks stand half under each light; shares of usual under dim light."""
    trial = make_trial(folder, batches=batches, chambers=chambers, more=LIGHT)
    data = make_data(trial, **spread)
    sparse, light = data.table["schedule"] == "sparse", data.table["light"] == "bright"
    share = np.where(light, np.where(sparse, bright, base), np.where(sparse, dim, 1.0))
    return trial, replace(data, table=data.table.assign(fresh_g=data.table["fresh_g"] * share))


def test_a_crossing_is_answered_by_light_and_never_over_both(tmp_path):
    trial, data = lit(tmp_path, 1.22, 0.75, sd_run=10, sd_block=20)
    verdict = tk.decide(trial, tk.analyse(trial, data))
    assert (verdict.answer, verdict.depends_on) == ("depends", "light")
    assert "depends on the light" in verdict.sentence
    by = verdict.by.set_index("at")
    assert by["answer"].to_dict() == {"dim": "better", "bright": "worse"}
    assert by.loc["dim", "low"] < 1.22 < by.loc["dim", "high"]
    assert by.loc["bright", "low"] < 0.75 < by.loc["bright", "high"]
    assert verdict.next_steps == ("With dim light: use sparse.", "With bright light: keep usual.")
    (told,) = [f for f in verdict.findings if f.code == "depends"]
    assert told.severity == "caution"
    assert list(verdict.table.columns) == list(
        tk.decide(trial, tk.analyse(trial, lit(tmp_path, 1, 1)[1])).table.columns
    )


def test_limits_by_light_hold_jointly_by_the_product(tmp_path):
    """Each light's single comparison has limits at 0.95 ** (1 / 2), so that both hold at 95 %.

    Fieller (1954) on run means of one light, one batch, ten chambers (scipy's t, 8 df), where
    the model's error is that of these means: here the wider limit is checked against the
    unadjusted one by the ratio of t quantiles.
    """
    trial, data = lit(tmp_path, 1.22, 0.75, sd_run=10, sd_block=20)
    result = tk.analyse(trial, data)
    by = tk.decide(trial, result).by.set_index("at")
    apart = result.fit.differences("schedule", against="usual", by="light").set_index("light")
    for light in ("dim", "bright"):
        df = apart.loc[light, "df"]
        wider = stats.t.ppf((1 + 0.95**0.5) / 2, df) / stats.t.ppf(0.975, df)
        plain = result.fit.means("schedule", by="light").set_index(["light", "level"])["estimate"]
        width = (by.loc[light, "high"] - by.loc[light, "low"]) * plain[light, "usual"]
        alone = apart.loc[light, "high"] - apart.loc[light, "low"]
        assert 1 < wider < 1.25
        assert width == pytest.approx(alone * wider, rel=0.25)


def test_effects_that_multiply_are_no_dependence(tmp_path):
    """15 % less under both lights, of which one gives twice as much: grams differ, per cent do not.

    The interaction in grams is found (F of the model), so a test of it alone would speak.
    """
    trial, data = lit(tmp_path, 0.85, 0.85 * 2, base=2.0, sd_run=4, sd_block=6, seed=2)
    result = tk.analyse(trial, data)
    assert result.tests.loc["schedule:light", "p"] < 0.001
    found = dependence(trial, result)
    assert found.on == ""
    row = found.tests.set_index("factor").loc["light"]
    assert row["p_ratio"] > 0.01
    assert len(found.by) == 0


def test_a_schedule_that_works_in_some_batches_only_is_said_to(tmp_path):
    trial = make_trial(tmp_path, batches=4, chambers=6)
    data = make_data(trial, sd_run=8, sd_block=10, seed=3)
    first = data.table["batch"].isin(data.table["batch"].unique()[:2])
    sparse = data.table["schedule"] == "sparse"
    share = np.where(sparse, np.where(first, 1.25, 0.75), 1.0)
    data = replace(data, table=data.table.assign(fresh_g=data.table["fresh_g"] * share))
    verdict = tk.decide(trial, tk.analyse(trial, data))
    assert (verdict.answer, verdict.depends_on) == ("depends", "batch")
    assert verdict.by["answer"].tolist() == ["better", "better", "worse", "worse"]
    assert verdict.by.index.tolist() == [0, 1, 2, 3]
    assert "in every batch" in verdict.next_steps[0]


@pytest.mark.slow
def test_of_many_trials_that_add_up_few_are_said_to_depend(tmp_path):
    """25 drawn trials; at most 4 may speak (binomial, 5 %, chance of more 1 in 140)."""
    said = 0
    for seed in range(25):
        trial, data = lit(tmp_path, 0.95, 1.15, base=1.2, seed=seed, sd_run=25, batches=2)
        said += bool(dependence(trial, tk.analyse(trial, data)).on)
    assert said <= 4


def test_where_every_light_carries_the_answer_it_is_given_over_all(tmp_path):
    """Better under both, by 15 and by 45 %: better, and how much depends."""
    trial, data = lit(tmp_path, 1.15, 1.45, sd_run=5, sd_block=10)
    verdict = tk.decide(trial, tk.analyse(trial, data))
    assert (verdict.answer, verdict.depends_on) == ("better", "light")
    assert (verdict.by["low"] > 1).all()
    assert "how much better depends on the light" in verdict.sentence
    assert verdict.next_steps[0].startswith("Use sparse")


def three(folder, *, sparse, drenched, seed=1):
    """Draw a trial of three levels; each has its shares of usual under dim and bright light."""
    (folder / "trial.toml").write_text(
        TEXT.format(batches=4, chambers=6, more=LIGHT).replace(
            "[factors.schedule]",
            "[factors.schedule]\nlevels.drenched = { on_s = 20, off_s = 100 }",
        ),
        encoding="utf-8",
    )
    trial = tk.read_trial(folder)
    data = make_data(trial, sd_run=8, sd_block=15, seed=seed)
    share = np.ones(len(data.table))
    for level, pair in (("sparse", sparse), ("drenched", drenched)):
        for light, one in zip(("dim", "bright"), pair, strict=True):
            at = (data.table["schedule"] == level) & (data.table["light"] == light)
            share[at.to_numpy()] = one
    return trial, replace(data, table=data.table.assign(fresh_g=data.table["fresh_g"] * share))


def test_a_level_that_gives_the_same_everywhere_is_not_said_to_depend(tmp_path):
    """Sparse loses 30 % in bright light only; drenched gives 30 % more in both."""
    trial, data = three(tmp_path, sparse=(1.0, 0.7), drenched=(1.3, 1.3))
    result = tk.analyse(trial, data)
    verdict = tk.decide(trial, result)
    assert (verdict.level, verdict.answer, verdict.depends_on) == ("drenched", "better", "light")
    assert verdict.depending == ("sparse",)
    said = {level: str(words) for level, words in verdict.sentences.items()}
    assert "drenched is better than usual at every level of light." in said["drenched"]
    assert "depends" not in said["drenched"]
    assert "How sparse compares with usual depends on the light." in said["sparse"]
    assert "depends" not in headline(result, verdict, read_wording())
    words = group_words(result, verdict, read_wording()).set_index("level")["verdict"]
    assert ["depends on" in words[x] for x in ("drenched", "sparse")] == [False, True]


def test_one_level_is_tested_by_its_own_interaction(tmp_path):
    """Of three levels each comparison has the p of a trial's model of the same cells.

    By hand: the difference of differences of the four means, its standard error from the
    model's covariance of the coefficients, and scipy's t at the df of the joint test.
    """
    trial, data = three(tmp_path, sparse=(1.0, 0.93), drenched=(1.0, 1.0))
    fit = tk.analyse(trial, data).fit
    groups = list(mean_cells(fit, "schedule", by="light"))
    labels = [str(x) for x in groups[0].labels]
    usual, sparse = labels.index("usual"), labels.index("sparse")
    means = np.stack([cells.rows @ fit.beta for cells in groups])
    rows = interaction_rows(fit, groups, usual, sparse, ratio=False)
    apart = (means[1, sparse] - means[1, usual]) - (means[0, sparse] - means[0, usual])
    assert abs(float(rows[0] @ fit.beta)) == pytest.approx(abs(apart) / 2, rel=1e-9)
    got = fit.joint(rows)
    t = np.sqrt(got["F"])
    assert sound_chance(got) == pytest.approx(2 * stats.t.sf(t, got["den_df"]), rel=1e-6)
    ratio = means[:, sparse].mean() / means[:, usual].mean()
    told = interaction_rows(fit, groups, usual, sparse, ratio=True)[0] @ fit.beta
    by_hand = (means[1, sparse] - means[:, sparse].mean()) - ratio * (
        means[1, usual] - means[:, usual].mean()
    )
    assert float(told) == pytest.approx(by_hand, rel=1e-6)


@pytest.mark.slow
def test_few_levels_that_give_the_same_are_named(tmp_path):
    """16 drawn trials in which sparse depends and drenched does not: at most 3 name drenched.

    Binomial with the threshold of the finding, 2.5 % (two partners): 4 or more of 16 happen
    once in 1800.
    """
    named = 0
    for seed in range(16):
        trial, data = three(tmp_path, sparse=(1.0, 0.7), drenched=(1.2, 1.2), seed=seed)
        named += "drenched" in dependence(trial, tk.analyse(trial, data)).levels
    assert named < 4


@pytest.mark.parametrize("trials", [8, pytest.param(40, marks=pytest.mark.slow)])
def test_no_next_step_proposes_what_the_limits_do_not_carry(tmp_path, trials):
    """Drawn trials of many truths: each proposal is checked against the limits, by hand."""
    rng = np.random.default_rng(7)
    kinds = set()
    for seed in range(trials):
        dim, bright = rng.choice([0.7, 0.85, 0.95, 1.0, 1.1], 2)
        if seed % 2:
            bright = dim
        spread = {"sd_run": float(rng.choice([4, 20, 60])), "sd_block": 15}
        trial, data = lit(tmp_path, dim, bright, seed=seed, batches=2, **spread)
        verdict = tk.decide(trial, tk.analyse(trial, data))
        row = verdict.table.iloc[0]
        rows = verdict.by if verdict.depends_on else pd.DataFrame([row])
        holds = (rows["low"] > 0.9).all()
        kinds.add(verdict.answer)
        for step in verdict.next_steps:
            if step.startswith("Use sparse"):
                assert holds
            if step.startswith("With ") and "use sparse" in step:
                assert (verdict.by.set_index("at").loc[step.split()[1], "low"] > 0.9).all()
            if "half the duty cycle" in step:
                assert holds
                assert not verdict.depends_on
            if "between usual and sparse" in step:
                assert row["high"] < 0.9
                assert not verdict.depends_on
            assert "larger margin" not in step
    assert len(kinds) > 2
    if trials > 20:
        assert {"better", "no worse", "worse", "not enough evidence", "depends"} <= kinds


def test_where_it_depends_the_advice_says_that_prices_were_not_used(tmp_path):
    trial = make_trial(tmp_path, more=LIGHT + "[prices]\nmushrooms_per_kg = 10\n")
    (tmp_path / "unpriced").mkdir()
    _, drawn = lit(tmp_path / "unpriced", 1.22, 0.75, sd_run=10, sd_block=20)
    data = replace(drawn, trial=trial)
    verdict = tk.decide(trial, tk.analyse(trial, data))
    assert verdict.answer == "depends"
    assert verdict.next_steps[-1].startswith("Prices were not used for this advice")
