"""Covariates before the trial: the layout spreads them, power counts what they explain and cost."""

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

import trialkit as tk
from tests.small_trials import make_trial
from trialkit.design.layout.chance import Draws
from trialkit.design.layout.covariate_balance import known_columns, unevenness
from trialkit.design.layout.procedure import draw_plan
from trialkit.design.power.changes import what_changes_buy
from trialkit.design.power.covariates import with_known_values

RUNS = [f"B{b}:C{c}" for b in range(1, 5) for c in range(1, 5)]


def with_values(folder, values, more=""):
    lines = "\n".join(f'"{run}" = {value}' for run, value in values.items())
    text = f'[covariates.x]\nby = "batch:chamber"\n{more}\n[covariates.x.values]\n{lines}'
    return make_trial(folder, more=text)


def values_of(trial, runs):
    """Give the value of each run, in the order of the table."""
    units = runs["batch"] + ":" + runs["chamber"]
    return [trial.covariates["x"].values[unit] for unit in units]


def imbalance(trial, plan):
    """Difference of the two means of x, by hand."""
    runs = plan.table.drop_duplicates(["batch", "chamber"])
    x = np.array(values_of(trial, runs))
    return abs(x[runs["schedule"] == "usual"].mean() - x[runs["schedule"] == "sparse"].mean())


def test_plans_spread_a_known_covariate_more_evenly_than_chance(tmp_path):
    """The least of 12 differences by chance: clearly below one of them on average."""
    values = dict(zip(RUNS, np.random.default_rng(1).normal(20, 4, 16).round(2), strict=True))
    trial = with_values(tmp_path, values)
    bare = replace(trial, covariates={})
    even = [imbalance(trial, tk.assign(trial, seed=s)) for s in range(25)]
    free = [imbalance(trial, tk.assign(bare, seed=s)) for s in range(25)]
    assert np.mean(even) < 0.35 * np.mean(free)


def test_every_unit_still_gets_every_level_as_often(tmp_path):
    """400 plans; a share of one half has a standard error of 2.5 points."""
    values = dict(zip(RUNS, np.random.default_rng(3).normal(20, 4, 16).round(2), strict=True))
    trial, draws = with_values(tmp_path, values), Draws(8)
    got = np.mean([draw_plan(trial, draws)["schedule"].level for _ in range(400)], axis=0)
    assert np.abs(got - 0.5).max() < 0.11
    runs = draw_plan(trial, draws)["schedule"].level.reshape(4, 4)
    assert (runs.sum(axis=1) == 2).all()  # two of each in every batch, as ever


def test_a_trial_without_covariates_draws_the_plan_it_drew(tmp_path):
    """Values of the harvest sheet are not known yet, so that chance is not touched."""
    plain = make_trial(tmp_path)
    weights = '[columns.start_g]\nrange = [1, 9000]\npools = "mean"\n[covariates.start_g]'
    later = make_trial(tmp_path, more=weights)
    one, other = tk.assign(plain).table, tk.assign(later).table
    assert one["schedule"].tolist() == other["schedule"].tolist()


def test_names_are_spread_too(tmp_path):
    lots = dict(zip(RUNS, ['"a"', '"b"'] * 8, strict=True))
    trial = with_values(tmp_path, lots, more='use = "block"')
    counts = Counter()
    for seed in range(10):
        runs = tk.assign(trial, seed=seed).table.drop_duplicates(["batch", "chamber"])
        x = values_of(trial, runs)
        usual = [lot for lot, level in zip(x, runs["schedule"], strict=True) if level == "usual"]
        counts[usual.count("a")] += 1
    assert counts[4] >= 8  # four and four, where chance alone often gives five and three


def test_unevenness_by_hand(tmp_path):
    values = dict(zip(RUNS, [1, 2, 3, 4] * 4, strict=True))
    trial = with_values(tmp_path, values)
    columns = {"schedule": known_columns(trial, "schedule")}
    assert columns["schedule"].std() == pytest.approx(1)
    level = np.array([0, 0, 1, 1] * 4)  # means −z and z with z² = (1.5² + 0.5²) / 2 …
    z = (0.5 + 1.5) / 2 / np.sqrt((0.5**2 + 1.5**2) / 2)
    assert unevenness({"schedule": level}, columns) == pytest.approx(16 * z**2)


def test_power_counts_what_a_covariate_is_expected_to_explain(tmp_path):
    weights = '[columns.start_g]\nrange = [1, 9000]\npools = "mean"\n[covariates.start_g]\n'
    plain = tk.power(make_trial(tmp_path))
    told = tk.power(make_trial(tmp_path, more=weights + "explains_pct = 40"))
    spread = {"batch": 8, "chamber": 4, "batch:chamber": 6, "batch:chamber:block": 20 * 0.6**0.5}
    by_hand = tk.power(make_trial(tmp_path), variation=spread)
    assert told.table["power"].tolist() == pytest.approx(by_hand.table["power"].tolist(), abs=1e-9)
    assert told.table["error_df"].tolist() == plain.table["error_df"].tolist()
    assert any("expected to explain 40 %" in note for note in told.notes)
    unknown = tk.power(make_trial(tmp_path, more=weights))
    assert unknown.table["power"].tolist() == plain.table["power"].tolist()
    assert any("no gain is counted" in note for note in unknown.notes)


def test_a_covariate_of_runs_costs_a_degree_of_freedom(tmp_path):
    plain = tk.power(make_trial(tmp_path)).table["error_df"].iloc[0]
    number = with_values(tmp_path, dict(zip(RUNS, range(16), strict=True)))
    assert tk.power(number).table["error_df"].iloc[0] == plain - 1
    lots = dict(zip(RUNS, ['"a"', '"b"', '"c"', '"b"'] * 4, strict=True))
    block = with_values(tmp_path, lots, more='use = "block"')
    assert tk.power(block).table["error_df"].iloc[0] == plain - 2


#: Five lots over the runs, none tied to a batch or a chamber.
LOTS = {f"B{b}:C{c}": f'"{"abcde"[(3 * b + c) % 5]}"' for b in range(1, 5) for c in range(1, 5)}


def test_what_a_further_block_costs_is_told_and_counted_everywhere(tmp_path):
    """Five names take four of 8 df (15 − 3 − 3 − 1), in what changes buy too."""
    trial = with_values(tmp_path, LOTS, more='use = "block"\nlabel = "lot"')
    said = "lot has 5 names and takes 4 of the 8 df for error of schedule"
    assert tk.strata(replace(trial, covariates={})).error_df("schedule") == 8
    assert any(said in sentence for sentence in tk.strata(trial).sentences)
    power = tk.power(trial, method="exact")
    assert any(said in note for note in power.notes)
    chances = power.table.set_index("question")["power"]
    now = what_changes_buy(power).iloc[0]
    assert now["chance"] == pytest.approx(chances["no worse"], abs=1e-9)


def test_simulated_trials_hold_what_is_known_beforehand(tmp_path):
    trial = with_values(tmp_path, LOTS, more='use = "block"')
    table, names = with_known_values(trial, trial.unit_table())
    assert names == ("x",)
    assert table.drop_duplicates(["batch", "chamber"])["x"].tolist() == [
        x.strip('"') for x in LOTS.values()
    ]
    number = with_values(tmp_path, dict(zip(RUNS, [1, 2, 3, 6] * 4, strict=True)))
    table, _ = with_known_values(number, number.unit_table())
    assert table.drop_duplicates(["batch", "chamber"])["x"].tolist() == [-2, -1, 0, 3] * 4


def test_a_simulated_chance_pays_for_a_further_block(tmp_path):
    """Lots that explain nothing leave 1 of 5 df: what the formula loses is lost in drawn trials."""
    lots = {run: lot for run, lot in LOTS.items() if not run.startswith("B4")}
    lines = "\n".join(f'"{run}" = {lot}' for run, lot in lots.items())
    more = f'[covariates.x]\nby = "batch:chamber"\nuse = "block"\n[covariates.x.values]\n{lines}'
    trial = make_trial(tmp_path, batches=3, more=more)
    spread = {"batch": 8, "chamber": 0, "batch:chamber": 6, "batch:chamber:block": 10}
    chances = {}
    for name, asked in {"lots": trial, "bare": replace(trial, covariates={})}.items():
        for method in ("exact", "simulation"):
            power = tk.power(
                asked,
                questions="difference",
                variation=spread,
                method=method,
                trials=1000,
                lost=0,
                difference_pct=15,
            )
            chances[name, method] = power.table["power"].iloc[0]
    assert chances["bare", "exact"] - chances["lots", "exact"] > 0.4
    assert chances["lots", "simulation"] == pytest.approx(chances["lots", "exact"], abs=0.06)
