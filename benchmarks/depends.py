"""Count how often a verdict says that its answer depends on something, and is right.

Trials are drawn with known truth: effects that add up, effects that multiply, a schedule that
gives more under one light and less under the other, and a schedule that works in some batches
only. Three ways of counting:

- the tests of the rule in `trialkit.decision.depends` on thousands of drawn harvests of one plan
  (constant differences only: what the rule says cannot be more often);
- whole verdicts, from the harvest to `decide`, on fewer trials with plans drawn anew;
- the whole rule on thousands of trials (`--screened`): trials in which no test of an interaction is
  below twice its threshold, and no level may clear the margin under one light and miss it under the
  other by single limits, cannot say "depends"; the rule itself judges the rest.

    python benchmarks/depends.py --trials 4000 --whole 150
    python benchmarks/depends.py --trials 0 --whole 0 --screened 1000

It prints, in per cent: *said* (the verdict says "depends"), *unconditional* (the level that
crosses gets "better", "no worse" or "worse" over everything), and the part of it that is wrong
at one of the lights at least.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
from level_grid import level_grid

import trialkit as tk
from trialkit.alignment.result import Aligned
from trialkit.analysis.terms import Terms, derive_terms
from trialkit.decision.depends import ALPHA, dependence
from trialkit.model.batch import fit_batch
from trialkit.trial import Trial

TEXT = """
[trial]
title = "Drawn trial"
seed = {seed}
[units]
structure = "(batch * chamber) / shelf / block"
batch = {batches}
chamber = {chambers}
shelf = 2
block = 3
[factors.schedule]
applied_to = "batch:chamber"
control = "usual"
levels.usual = {{ on_s = 20, off_s = 220 }}
levels.sparse = {{ on_s = 20, off_s = 460 }}
{third}
[factors.light]
applied_to = "batch:chamber:shelf"
control = "dim"
levels.dim = {{ lux = 200 }}
levels.bright = {{ lux = 800 }}
[question]
primary = "schedule"
margin_pct = 10
"""
THIRD = "levels.middle = { on_s = 20, off_s = 340 }"
DESIGNS = {"6 chambers x 4 batches, 3 schedules": (4, 6, THIRD),
           "4 x 3, 2 schedules": (3, 4, "")}  # fmt: skip
#: Standard deviations in per cent of the usual yield.
SPREAD = {"batch": 10, "chamber": 5, "run": 6, "shelf": 3, "block": 12}
MEAN = 500.0
#: Yield of sparse under dim and bright, and of usual under bright, as shares of usual under dim.
TRUTHS = {
    "none": (1.0, 1.0, 1.0),
    "adds up, light 20 %": (0.95, 1.15, 1.2),
    "adds up, at the margin": (0.9, 0.9, 1.0),
    "multiplies, light 30 %": (0.85, 0.85 * 1.3, 1.3),
    "crosses": (1.22, 0.80, 1.0),
}


def make_trial(folder: Path, design: str, seed: int) -> Trial:
    """Write and read the trial file of a design."""
    batches, chambers, third = DESIGNS[design]
    text = TEXT.format(seed=seed, batches=batches, chambers=chambers, third=third)
    (folder / "trial.toml").write_text(text, encoding="utf-8")
    return tk.read_trial(folder)


def draw(table: pd.DataFrame, truth: str, rng: np.random.Generator, count: int = 1) -> np.ndarray:
    """Draw harvests of a plan, one row each."""
    dim, bright, base = TRUTHS[truth]
    sparse, light = table["schedule"] == "sparse", table["light"] == "bright"
    share = np.where(light, np.where(sparse, bright, base), np.where(sparse, dim, 1.0))
    out = np.tile(MEAN * share, (count, 1))
    units = {
        "batch": ["batch"],
        "chamber": ["chamber"],
        "run": ["batch", "chamber"],
        "shelf": ["batch", "chamber", "shelf"],
        "block": ["unit"],
    }
    for name, keys in units.items():
        codes = table.groupby(keys, sort=False, observed=True).ngroup().to_numpy()
        out += MEAN * SPREAD[name] / 100 * rng.standard_normal((count, codes.max() + 1))[:, codes]
    return out


def by_tests(folder: Path, design: str, truth: str, trials: int) -> float:
    """Give how often a constant difference is rejected over light or over batches [%]."""
    trial = make_trial(folder, design, 1)
    table, terms = tk.assign(trial).table.copy(), derive_terms(trial)
    Y = draw(table, truth, np.random.default_rng(11), trials)
    light = fit_batch(table, Y, fixed=terms.fixed, random=list(terms.random))
    batch = fit_batch(
        table,
        Y,
        fixed=f"{terms.fixed} + batch + schedule:batch",
        random=[t for t in terms.random if t != "batch"],
    )
    hits = light.tests("schedule:light")["p"] < ALPHA / 2
    return 100 * float((hits | (batch.tests("schedule:batch")["p"] < ALPHA / 2)).mean())


def by_screen(folder: Path, design: str, truth: str, trials: int, plans: int = 10) -> float:
    """Give how often the rule says "depends", judging only trials in which it may [%]."""
    said = 0
    for seed in range(plans):
        trial = make_trial(folder, design, seed + 1)
        table, terms = tk.assign(trial).table.copy(), derive_terms(trial)
        for factor in trial.factors.values():
            table[factor.name] = pd.Categorical(table[factor.name], categories=factor.levels)
        Y = draw(table, truth, np.random.default_rng([seed, 12]), trials // plans)
        for y in Y[_may_depend(table, Y, terms)]:
            result = tk.analyse(trial, _aligned(trial, table.assign(fresh_g=y)))
            said += bool(dependence(trial, result).on)
    return 100 * said / (trials // plans * plans)


def _may_depend(table: pd.DataFrame, Y: np.ndarray, terms: Terms) -> np.ndarray:
    """Say in which harvests the rule of `trialkit.decision.depends` may say "depends"."""
    light = fit_batch(table, Y, fixed=terms.fixed, random=list(terms.random))
    batch = fit_batch(
        table,
        Y,
        fixed=f"{terms.fixed} + batch + schedule:batch",
        random=[t for t in terms.random if t != "batch"],
    )
    out = np.array(light.tests("schedule:light")["p"] < ALPHA)
    out |= np.array(batch.tests("schedule:batch")["p"] < ALPHA)
    design = light.prepared.design
    grid = level_grid(design)
    rows = design.rows(grid)

    def cell(schedule: str, lamp: str) -> np.ndarray:
        at = (grid["schedule"] == schedule) & (grid["light"] == lamp)
        return np.asarray(rows[at.to_numpy()].mean(axis=0))

    for schedule in design.levels["schedule"][1:]:
        above, below = np.zeros(len(Y), dtype=bool), np.zeros(len(Y), dtype=bool)
        for lamp in design.levels["light"]:
            got = light.contrast(cell(schedule, lamp) - 0.9 * cell("usual", lamp))
            above |= (got["low"] > 0).to_numpy()
            below |= (got["high"] < 0).to_numpy()
        out |= above & below
    return out


def _aligned(trial: Trial, table: pd.DataFrame) -> Aligned:
    """Give a harvest as alignment would, one weight a block."""
    table = table.assign(flush=1, status="ok", days=9.0)
    nothing = pd.DataFrame()
    return Aligned(table, nothing, nothing, nothing, (), SimpleNamespace(), trial)  # type: ignore[arg-type]


def by_verdicts(folder: Path, design: str, truth: str, trials: int) -> tuple[float, float, float]:
    """Give how often whole verdicts say "depends", or judge sparse over everything [%]."""
    said = claimed = wrong = 0
    dim, bright, base = TRUTHS[truth]
    ratios = np.array([dim, bright / base])
    right = {
        "better": (ratios > 1).all(),
        "no worse": (ratios > 0.9).all(),
        "worse": (ratios < 0.9).all(),
    }
    for seed in range(trials):
        trial = make_trial(folder, design, seed)
        table = tk.assign(trial).table.copy()
        table["fresh_g"] = draw(table, truth, np.random.default_rng(seed))[0]
        verdict = tk.decide(trial, tk.analyse(trial, _aligned(trial, table)))
        answer = verdict.table.set_index("level").loc["sparse", "answer"]
        said += bool(verdict.depends_on)
        claimed += answer in right
        wrong += answer in right and not right[answer]
    return 100 * said / trials, 100 * claimed / trials, 100 * wrong / trials


def main() -> None:
    """Count and print."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--trials", type=int, default=4000)
    ask.add_argument("--whole", type=int, default=150)
    ask.add_argument("--screened", type=int, default=0)
    ask.add_argument("--only", default="", help="truths whose name holds this text")
    asked = ask.parse_args()
    with tempfile.TemporaryDirectory() as name:
        for design in DESIGNS:
            for truth in [t for t in TRUTHS if asked.only in t]:
                line = f"{design}; {truth}:"
                if asked.trials:
                    share = by_tests(Path(name), design, truth, asked.trials)
                    line += f" tests {share:.1f};"
                if asked.screened:
                    line += f" said {by_screen(Path(name), design, truth, asked.screened):.1f};"
                if asked.whole:
                    said, claimed, wrong = by_verdicts(Path(name), design, truth, asked.whole)
                    line += f" said {said:.1f}, unconditional {claimed:.1f}, wrong {wrong:.1f}"
                print(line, flush=True)


if __name__ == "__main__":
    main()
