"""Count how often a difference in contaminated blocks is found, and claimed where there is none.

Each trial draws a plan and the losses of four or six batches of four chambers, six blocks in
each run, where one batch may be far worse than another. The p of the product redraws
the plan by its own procedure and takes out what a batch loses in all its runs; beside it stands
a p that shuffles the schedules over all runs. Counts of few blocks tie often and ties count as
reached, so the p rejects less often than it says.

    python benchmarks/contamination.py --trials 500 --out benchmarks/contamination.csv

Kept result: ``benchmarks/contamination.csv``.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

import trialkit as tk
from trialkit.analysis.lost_blocks import _Plans, _redrawn_p

TRIAL = """
[trial]
title = "Contamination"
seed = 5
[units]
structure = "(batch * chamber) / block"
batch = BATCHES
chamber = 4
block = 6
flushes = 1
[factors.schedule]
applied_to = "batch:chamber"
control = "usual"
levels.usual = { on_s = 20, off_s = 220 }
levels.sparse = { on_s = 20, off_s = 460 }
[question]
primary = "schedule"
margin_pct = 10
difference_pct = 15
"""
BLOCKS = 6
COUNTS = (4, 6)  # batches
#: Least and largest risk of a block in the batches of a trial, evenly spaced between.
RISKS = {"batches alike": (0.2, 0.2), "batches differ": (0.02, 0.6)}
MORE = (0.0, 0.25)  # added to the risk of the sparse schedule


def shuffled_p(share: np.ndarray, sparse: np.ndarray, rng: np.random.Generator, n: int) -> float:
    """Shuffle the schedules over all runs, whatever their batch."""
    drawn = np.vstack([sparse, rng.permuted(np.tile(sparse, (n, 1)), axis=1)])
    value = np.abs(drawn @ share - (~drawn) @ share)
    return float((value >= value[0] - 1e-12).mean())


def study(count: int, trials: int, plans: int, seed: int) -> pd.DataFrame:
    """Draw trials of so many batches, for batches alike and not, with and without a difference."""
    rng = np.random.default_rng(seed)
    with tempfile.TemporaryDirectory() as folder:
        text = TRIAL.replace("BATCHES", str(count))
        (Path(folder) / "trial.toml").write_text(text, encoding="utf-8")
        trial = tk.read_trial(Path(folder))
    drawn = _Plans(trial, plans)
    names = np.array(list(trial.primary.levels))
    possible = names[drawn.levels(trial.primary)]
    runs = trial.strata_units("batch:chamber")[["batch", "chamber"]].reset_index(drop=True)
    batch = runs["batch"].factorize()[0]
    rows = []
    for name, ends in RISKS.items():
        risks = np.linspace(*ends, count)
        for more in MORE:
            found = []
            for _ in range(trials):
                schedule = possible[rng.integers(len(possible))]
                sparse = schedule == "sparse"
                lost = rng.binomial(BLOCKS, rng.permutation(risks)[batch] + more * sparse)
                clusters = runs.assign(schedule=schedule, sum=lost.astype(float), size=BLOCKS)
                p = _redrawn_p(clusters, trial.primary, drawn)
                found.append((p < 0.05, shuffled_p(lost / BLOCKS, sparse, rng, plans) < 0.05))
            by_plan, by_shuffle = 100 * np.mean(found, axis=0)
            rows.append((count, name, 100 * more, trials, by_plan, by_shuffle))
    columns = ["count", "batches", "more_lost_pct", "trials", "by_plan_pct", "by_shuffle_pct"]
    return pd.DataFrame(rows, columns=columns).round(1)


def main() -> None:
    """Print the table and keep it."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--trials", type=int, default=500)
    ask.add_argument("--plans", type=int, default=499)
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--out", type=Path)
    asked = ask.parse_args()
    table = pd.concat([study(n, asked.trials, asked.plans, asked.seed) for n in COUNTS])
    print(table.to_string(index=False))
    if asked.out:
        table.to_csv(asked.out, index=False)


if __name__ == "__main__":
    main()
