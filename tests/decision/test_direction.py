"""Less is better for days; without a control the first level stands in for it."""

from dataclasses import replace

import numpy as np
import pytest

import trialkit as tk
from tests.small_trials import make_data, make_trial
from trialkit.model.ratio import loss_verdict


def timed(folder, effect, *, seed=1, sd=0.1):
    """Draw days to harvest: ten for usual, `effect` times as many for sparse."""
    trial = make_trial(folder)
    path = folder / "trial.toml"
    text = path.read_text(encoding="utf-8").replace("[question]", '[question]\nresponse = "days"')
    path.write_text(text, encoding="utf-8")
    trial, data = tk.read_trial(folder), make_data(trial, seed=seed)
    rng = np.random.default_rng(seed)
    days = np.where(data.table["schedule"] == "sparse", 10 * effect, 10.0)
    return trial, replace(data, table=data.table.assign(days=days + rng.normal(0, sd, len(days))))


@pytest.mark.parametrize(
    ("effect", "answer", "words"),
    [
        (0.80, "better", "20 % shorter than usual"),
        (1.05, "no worse", "5 % longer than usual"),
        (1.30, "worse", "30 % longer than usual"),
    ],
)
def test_fewer_days_are_better(tmp_path, effect, answer, words):
    trial, data = timed(tmp_path, effect)
    verdict = tk.decide(trial, tk.analyse(trial, data))
    assert verdict.answer == answer
    assert words in verdict.sentence
    assert "yield" not in verdict.sentence
    row = verdict.table.iloc[0]
    assert row["low"] < effect < row["high"]
    used = any(s.startswith("Use sparse") for s in verdict.next_steps)
    assert used == (answer != "worse")


def test_the_chance_at_the_margin_is_that_of_a_rise(tmp_path):
    """One batch, ten chambers: the t test of m1 - 1.1 m0 on run means, written out (8 df)."""
    from scipy import stats

    trial = make_trial(tmp_path, batches=1, chambers=10)
    path = tmp_path / "trial.toml"
    text = path.read_text(encoding="utf-8").replace("[question]", '[question]\nresponse = "days"')
    path.write_text(text, encoding="utf-8")
    trial, data = tk.read_trial(tmp_path), make_data(trial)
    rng = np.random.default_rng(4)
    lift = dict(zip(data.table["chamber"].unique(), rng.normal(0, 0.4, 10), strict=True))
    days = 10 + data.table["chamber"].map(lift) + rng.normal(0, 0.3, len(data.table))
    data = replace(data, table=data.table.assign(days=days))
    means = data.table.groupby("chamber").agg(y=("days", "mean"), s=("schedule", "first"))
    m1, m0 = means.groupby("s")["y"].mean()[["sparse", "usual"]]
    v = means.groupby("s")["y"].var().mean() / 5
    t = (m1 - 1.1 * m0) / np.sqrt(v * (1 + 1.1**2))
    row = tk.analyse(trial, data).ratios.iloc[0]
    assert row["p"] == pytest.approx(stats.t.cdf(t, 8), rel=1e-6)
    assert row["margin_ratio"] == pytest.approx(1.1)


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [(0.8, 0.95, "better"), (0.95, 1.05, "no worse"), (1.01, 1.09, "no worse, though higher"),
     (1.05, 1.2, "not enough evidence"), (1.11, 1.2, "worse")],
)  # fmt: skip
def test_verdicts_mirror(low, high, said):
    assert loss_verdict(low, high, 1.1, better="less") == said


def without_control(folder, **options):
    make_trial(folder, **options)
    path = folder / "trial.toml"
    text = path.read_text(encoding="utf-8").replace('control = "usual"\n', "")
    third = "levels.middle = { on_s = 20, off_s = 340 }\n[question]"
    path.write_text(text.replace("[question]", third), encoding="utf-8")
    return tk.read_trial(folder)


def test_without_a_control_the_p_is_that_of_the_level_and_the_first(tmp_path):
    """Tukey puts the first level first in its pairs; the p must be that of this very pair."""
    trial = without_control(tmp_path, chambers=6)
    data = make_data(trial, effect=1.15, sd_run=8, seed=2)
    result = tk.analyse(trial, data)
    verdict = tk.decide(trial, result)
    assert (verdict.level, verdict.answer) == ("sparse", "better")
    pairs = result.differences["schedule"].set_index(["first", "second"])["p"]
    assert pairs["usual", "sparse"] < 0.001 < pairs["usual", "middle"]
    assert "fewer than 1 in 1000" in verdict.sentence
    assert str(verdict)


@pytest.mark.parametrize("effect", [0.8, 0.95, 1.0])
def test_without_a_control_no_answer_fails(tmp_path, effect):
    trial = without_control(tmp_path, chambers=6)
    data = make_data(trial, effect=effect, sd_run=20)
    verdict = tk.decide(trial, tk.analyse(trial, data))
    assert set(verdict.table["reference"]) == {"usual"}
    assert verdict.next_steps
