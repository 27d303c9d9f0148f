"""Restricted plans: the best information, each plan equally likely, and the cost said.

Expected sets of plans are found here by going through every arrangement, with information
computed from dense projections.
"""

from collections import Counter
from itertools import permutations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import trialkit as tk
from tests.bare_plans import write_bare
from trialkit.analysis.plan_draws import draw_plans
from trialkit.design.layout import restricted_plans
from trialkit.design.layout.efficiency import Valuation
from trialkit.design.layout.procedure import re_randomise
from trialkit.design.layout.restricted_plans import every_plan
from trialkit.design.layout.site import Constraints, treated_sites

APART = "apart = [['a0', 'a1']]"


def runs(make_trial, batch, chamber, levels=3, more=APART, others=None):
    units = (
        f"structure = '(batch * chamber) / block'\nbatch = {batch}\nchamber = {chamber}\nblock = 2"
    )
    return make_trial(units, {"a": ("batch:chamber", levels, more)} | (others or {}))


def arrangements(batch, chamber, target):
    """Go through all arrangements in which 0 and 1 are never side by side in a batch."""
    n = batch * chamber
    found = []

    def extend(plan, left):
        if len(plan) == n:
            found.append(plan)
            return
        for level, count in enumerate(left):
            beside = len(plan) % chamber and {plan[-1], level} == {0, 1}
            if count and not beside:
                rest = [c - (i == level) for i, c in enumerate(left)]
                extend((*plan, level), rest)

    extend((), list(target))
    return found


def dense_efficiency(plan, batch, chamber):
    """Give the harmonic mean of the canonical factors, from projection matrices."""
    n, t = len(plan), max(plan) + 1
    X = np.eye(t)[list(plan)]
    b = np.kron(np.eye(batch), np.full((chamber, chamber), 1 / chamber))
    c = np.kron(np.full((batch, batch), 1 / batch), np.eye(chamber))
    P = np.eye(n) - b - c + np.full((n, n), 1 / n)
    root = np.diag(1 / np.sqrt(X.sum(axis=0)))
    values = np.sort(np.linalg.eigvalsh(root @ X.T @ P @ X @ root))[1:]
    return 0.0 if values[0] < 1e-9 else (t - 1) / np.sum(1 / values)


def best_of(batch, chamber, target):
    plans = arrangements(batch, chamber, target)
    kept = np.array([dense_efficiency(plan, batch, chamber) for plan in plans])
    top = kept.max()
    return {plan for plan, k in zip(plans, kept, strict=True) if k > top - 1e-9}, float(top)


def drawn(trial, seeds):
    level = {name: i for i, name in enumerate(trial.factors["a"].levels)}
    plans = [tk.assign(trial, seed=seed) for seed in seeds]
    return plans, [tuple(level[x] for x in plan.assignment("a")["a"]) for plan in plans]


@pytest.mark.parametrize(
    ("batch", "chamber", "target"), [(2, 6, (4, 4, 4)), (3, 4, (4, 4, 4)), (2, 5, (4, 3, 3))]
)
def test_every_plan_of_the_best_information_and_no_other(make_trial, batch, chamber, target):
    best, top = best_of(batch, chamber, target)
    plans, seen = drawn(runs(make_trial, batch, chamber), range(12 * len(best)))
    assert {round(plan.efficiency["a"], 9) for plan in plans} == {round(top, 9)}
    counts = Counter(seen)
    assert set(counts) == best
    assert stats.chisquare(list(counts.values())).pvalue > 1e-3


def test_the_case_that_lost_information(make_trial):
    """Two batches of six chambers: exchanges alone stopped at 65.6 % for 27 of 120 seeds."""
    _, top = best_of(2, 6, (4, 4, 4))
    assert top == pytest.approx(0.75)
    trial = runs(make_trial, 2, 6)
    assert {tk.assign(trial, seed=s).efficiency["a"] for s in range(120)} == {0.75}


def test_the_randomisation_test_redraws_from_the_same_plans(make_trial):
    best, _ = best_of(3, 4, (4, 4, 4))
    trial = runs(make_trial, 3, 4)
    redrawn = Counter(map(tuple, draw_plans(trial, trial.factors["a"], 600, 3).tolist()))
    assert set(redrawn) == best
    assert stats.chisquare(list(redrawn.values())).pvalue > 1e-3


@pytest.mark.slow
def test_the_randomisation_test_of_a_restricted_trial_holds_its_level(make_trial):
    """No effect, places that differ: p at most 0.1 in about a tenth of 200 trials."""
    trial = runs(make_trial, 4, 6)
    place = np.tile([60.0, 10, 0, 0, 10, 60], 4)  # ends differ from the middle
    rng = np.random.default_rng(4)
    low = 0
    for seed in range(200):
        plan = tk.assign(trial, seed=seed)
        table = plan.table.copy()
        run = place + rng.normal(0, 5, 24)
        table["fresh_g"] = 400 + np.repeat(run, 2) + rng.normal(0, 10, 48)
        test = tk.randomisation_test(
            trial, plan, table, response="fresh_g", draws=99, seed=seed, fit=_NoModel()
        )
        low += test.p <= 0.1
    assert stats.binomtest(low, 200, 0.1).pvalue > 1e-3


class _NoModel:
    """The model's own test plays no part here, and takes most of the time."""

    def tests(self):
        return pd.DataFrame({"p": [0.5], "method": ["none"]}, index=["a"])


def test_what_it_costs_and_ties_is_said(make_trial, tmp_path):
    """Between a0 and a1 there is always an a2, so a2 keeps to the middle of the row."""
    trial = make_trial("structure = 'chamber'\nchamber = 6", {"a": ("chamber", 3, APART)})
    best = arrangements(1, 6, (2, 2, 2))
    assert sum(plan[0] == 2 for plan in best) / len(best) == pytest.approx(1 / 6)  # 1/3 is even
    plan = tk.assign(trial, seed=1)
    (cost, tie) = plan.findings
    assert cost.code == "restricted_plan"
    assert "100.0 %" in cost.message
    assert tie.code == "level_tied_to_places"
    assert "a2 is rarely in chamber 1, 6" in tie.message.replace("C", "")
    assert "tie levels of a to places" in str(plan)
    alike = tk.assign(runs(make_trial, 2, 6), seed=1).findings[0]
    assert "keeps 75.0 % of the information, as much as a plan without" in alike.message
    lossy = tk.assign(runs(make_trial, 2, 4), seed=1).findings[0]
    assert lossy.severity == "caution"
    kept = best_of(2, 4, (3, 3, 2))[1]
    free = max(dense_efficiency(plan, 2, 4) for plan in set(permutations((0, 0, 0, 1, 1, 1, 2, 2))))
    assert kept < free - 0.05
    assert f"keeps {100 * kept:.1f} % of the information" in lossy.message
    assert f"without them keeps {100 * free:.1f} %" in lossy.message
    write_bare(plan, tmp_path)
    assert tk.read_plan(trial, directory=tmp_path).findings == plan.findings


def test_a_forbidden_level_is_told_and_free_plans_are_silent(make_trial):
    more = "forbidden = [{ unit = '1', level = 'a2' }]"
    trial = make_trial("structure = 'batch * chamber'\nbatch = 3\nchamber = ['1', '2', '3', '4']",
                       {"a": ("batch:chamber", 3, more)})  # fmt: skip
    messages = " ".join(f.message for f in tk.assign(trial, seed=2).findings)
    assert "a2 is never in chamber 1" in messages
    assert tk.assign(runs(make_trial, 3, 4, more=""), seed=2).findings == ()


def test_a_free_treatment_beside_a_restricted_one_is_still_drawn(make_trial):
    """Light by chamber: all six ways to give two of four chambers each light, equally often."""
    trial = runs(make_trial, 3, 4, others={"light": ("chamber", 2, "")})
    rng = np.random.default_rng(5)
    seen = Counter("".join(re_randomise(trial, rng)["light"]) for _ in range(300))
    assert len(seen) == 6
    assert stats.chisquare(list(seen.values())).pvalue > 1e-3


def test_a_treatment_within_restricted_runs_is_balanced_and_drawn(make_trial):
    units = "structure = '(batch * chamber) / shelf'\nbatch = 3\nchamber = 4\nshelf = 2"
    trial = make_trial(
        units, {"a": ("batch:chamber", 3, APART), "light": ("batch:chamber:shelf", 2, "")}
    )
    rng = np.random.default_rng(6)
    first = []
    for _ in range(100):
        light = re_randomise(trial, rng)["light"].reshape(12, 2)
        assert (light[:, 0] != light[:, 1]).all()
        first.append(light[:, 0] == "l0")
    counts = np.sum(first, axis=0)
    assert stats.binomtest(int(counts.sum()), 1200).pvalue > 1e-4
    assert counts.min() > 20
    assert counts.max() < 80


def test_two_treatments_on_the_same_units_keep_the_restriction(make_trial):
    trial = runs(make_trial, 2, 6, levels=2, more="apart = [['a0', 'a0']]",
                 others={"b": ("batch:chamber", 2, "")})  # fmt: skip
    plans, _ = drawn(trial, range(12))
    for plan in plans:
        table = plan.assignment("a").join(plan.assignment("b")["b"])
        assert (table.groupby(["a", "b"]).size() == 3).all()
        for _, row in table.groupby("batch"):
            levels = row["a"].tolist()
            assert "a0a0" not in "".join(levels)
    assert len({plan.hash for plan in plans}) > 1


def test_a_sample_gives_every_plan_the_same_chance(monkeypatch):
    """Twelve plans of six units, of which so few partial ones go on that some are missed."""
    near = np.array([[i - 1, i + 1 if i < 5 else -1] for i in range(6)])
    conflict = np.zeros((3, 3), dtype=bool)
    conflict[0, 1] = conflict[1, 0] = True
    rules = Constraints(np.ones((6, 3), dtype=bool), conflict, near)
    whole, complete = every_plan((2, 2, 2), rules)
    assert complete
    assert sorted(map(tuple, whole.tolist())) == sorted(arrangements(1, 6, (2, 2, 2)))
    seen = Counter()
    for seed in range(600):
        monkeypatch.setattr(restricted_plans, "BASE_SEED", seed)
        part, complete = every_plan((2, 2, 2), rules, most=8)
        assert not complete
        seen.update(map(tuple, part.tolist()))
    assert len(seen) == len(whole)
    counts = np.array(list(seen.values()))
    # plans of one sample share beginnings, so more than a binomial spread is allowed for
    assert counts.std() / counts.mean() < 0.12


def test_values_equal_dense_projections(make_trial):
    trial = runs(make_trial, 2, 5)
    (site,) = treated_sites(trial)
    rng = np.random.default_rng(1)
    plans = np.array([rng.permutation([0, 0, 0, 0, 1, 1, 1, 2, 2, 2]) for _ in range(20)])
    expected = [dense_efficiency(tuple(plan), 2, 5) for plan in plans]
    assert Valuation(site).values(plans) == pytest.approx(expected, abs=1e-5)


def test_many_plans_are_sampled_and_said_to_be(make_trial):
    trial = runs(make_trial, 4, 12)
    plans, seen = drawn(trial, range(20))
    assert "sampled best plans" in plans[0].method["a"]
    assert {plan.efficiency["a"] for plan in plans} == {0.9375}  # what no plan exceeds
    assert len(set(seen)) == 20
    assert plans[0].bound["a"] == 0.9375
