"""How often limits miss the truth when two timers were swapped: as planned and as given.

A garage of four tents, three batches and four blocks a run; a plan with two runs of each of two
schedules in each batch, drawn anew for every set of trials. In the second batch two timers are
swapped: by a slip that has nothing to do with the harvest, or by a grower who gives "usual" to the
run that looks weakest. Counted is how often the 95 % limits of the difference leave out the truth,
and how far the estimates are off on average.

    python benchmarks/slips.py --trials 4000 --out benchmarks/slips.csv

Kept result: ``benchmarks/slips.csv``.
"""

from __future__ import annotations

import argparse
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd

from trialkit.model.batch import fit_batch

RANDOM = ("batch", "chamber", "batch:chamber")
TENTS, BATCHES, BLOCKS = 4, 3, 4
#: Standard deviations [% of the mean]: batches, runs, blocks.
SD_BATCH, SD_RUN, SD_BLOCK = 10.0, 6.0, 8.0
#: Sets of trials that share a plan.
PLANS = 20


def draw_plan(rng: np.random.Generator) -> np.ndarray:
    """Give the schedule of each run: 1 where it is sparse; two of each in a batch."""
    return np.array([rng.permutation([0, 0, 1, 1]) for _ in range(BATCHES)])


def table_of(schedule: np.ndarray) -> pd.DataFrame:
    """Give one row per block."""
    rows = [
        (f"B{b}", f"T{t}", "sparse" if schedule[b, t] else "usual")
        for b, t, _ in product(range(BATCHES), range(TENTS), range(BLOCKS))
    ]
    return pd.DataFrame(rows, columns=["batch", "chamber", "schedule"])


def judged(schedule: np.ndarray, yields: np.ndarray, truth: float) -> np.ndarray:
    """Count the trials whose limits leave out the truth, and add up how far estimates are off."""
    if not len(yields):
        return np.zeros(2)
    table = table_of(schedule)
    table["schedule"] = pd.Categorical(table["schedule"], categories=["usual", "sparse"])
    made = fit_batch(table, yields, fixed="schedule", random=list(RANDOM))
    found = made.contrast(np.array([0.0, 1.0]), level=0.95)
    missed = ((found["low"] > truth) | (found["high"] < truth)).sum()
    return np.array([missed, (found["estimate"] - truth).sum()])


def run(kind: str, truth: float, trials: int, seed: int) -> dict[str, np.ndarray]:
    """Simulate one cell."""
    rng = np.random.default_rng(seed)
    missed = {"as planned": np.zeros(2), "as given": np.zeros(2)}
    each = trials // PLANS
    for _ in range(PLANS):
        planned = draw_plan(rng)
        luck = rng.normal(0, SD_BATCH, (each, BATCHES, 1)) + rng.normal(
            0, SD_RUN, (each, BATCHES, TENTS)
        )
        noise = rng.normal(0, SD_BLOCK, (each, BATCHES, TENTS, BLOCKS))
        usual, sparse = np.flatnonzero(planned[1] == 0), np.flatnonzero(planned[1] == 1)
        one = rng.choice(usual, each)
        other = rng.choice(sparse, each)
        swaps = np.ones(each, dtype=bool)
        if kind == "connected":  # the weakest run gets usual, if it was to have sparse
            weakest = luck[:, 1].argmin(axis=1)
            swaps = planned[1][weakest] == 1
            other = np.where(swaps, weakest, other)
        for a, b, swapped in product(usual, sparse, (False, True)):
            own = (one == a) & (other == b) & (swaps == swapped)
            given = planned.copy()
            if swapped:
                given[1, [a, b]] = given[1, [b, a]]
            whole = 100 + luck[own][..., None] + noise[own] + truth * given[None, :, :, None]
            yields = whole.reshape(int(own.sum()), BATCHES * TENTS * BLOCKS)
            missed["as planned"] += judged(planned, yields, truth)
            missed["as given"] += judged(given, yields, truth)
    total = each * PLANS
    return {name: sums / total for name, sums in missed.items()}


def main() -> None:
    """Run every cell and write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=4000)
    parser.add_argument("--out", type=Path, default=None)
    asked = parser.parse_args()
    rows = []
    for seed, (kind, truth) in enumerate(product(("unconnected", "connected"), (0.0, -15.0)), 1):
        missed = run(kind, truth, asked.trials, seed)
        rows += [
            {
                "slip": kind,
                "truth_pct": truth,
                "reading": name,
                "missed_pct": round(100 * value[0], 2),
                "bias_pct": round(value[1], 2),
            }
            for name, value in missed.items()
        ]
    table = pd.DataFrame(rows).assign(trials=asked.trials)
    print(table.to_string(index=False))
    if asked.out is not None:
        table.to_csv(asked.out, index=False, lineterminator="\n")


if __name__ == "__main__":
    main()
