"""Whether tests keep their level with a covariate in the model, and what it gains.

Runs of 4 chambers × 3 batches (2 schedules) and of 6 × 4 (3 schedules), 6 blocks each, no true
effect. A weight at the start explains a share of the variance between blocks; or a quantity of
the run a share of that between runs; or a lot, drawn for each run, shifts the yield. Values are
drawn anew for each of several designs. Rejections of a true null by the default 5 % test with and
without it, in per cent, and the mean standard error with it over that without.

    python benchmarks/covariates.py --trials 6000 --out benchmarks/covariates.csv

Standard deviations in per cent of the yield: batch 10, chamber 5, run 6, block 15. Kept result:
``benchmarks/covariates.csv``.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import pandas as pd

from trialkit.model.batch import fit_batch

DESIGNS = 24
RANDOM = ["batch", "chamber", "batch:chamber"]
SD = {"batch": 10.0, "chamber": 5.0, "batch:chamber": 6.0, "block": 15.0}
CASES = [
    ("start weight by block", "block", 0.0),
    ("start weight by block", "block", 0.4),
    ("a quantity of the run", "batch:chamber", 0.0),
    ("a quantity of the run", "batch:chamber", 0.4),
    ("a lot of the run", "lot", 0.4),
]


def layout(batches: int, letters: str, rng: np.random.Generator) -> pd.DataFrame:
    """Give each batch the schedules in a random order over its chambers."""
    rows = []
    for b in range(batches):
        for c, schedule in enumerate(rng.permutation(list(letters))):
            rows += [(f"B{b}", f"T{c}", schedule, k) for k in range(6)]
    return pd.DataFrame(rows, columns=["batch", "chamber", "schedule", "block"])


def run(case: tuple[str, str, float], batches: int, letters: str, trials: int, seed: int) -> dict:
    """Run a case."""
    what, kind, share = case
    rng = np.random.default_rng(seed)
    hits, plain, ratio = [], [], []
    for _ in range(DESIGNS):
        table = layout(batches, letters, rng)
        size, n = trials // DESIGNS, len(table)
        codes = {
            term: table.groupby(term.split(":"), sort=False).ngroup().to_numpy() for term in RANDOM
        }
        runs = codes["batch:chamber"]
        if kind == "block":
            x, sd = rng.standard_normal(n), SD["block"]
        else:
            x, sd = rng.standard_normal(runs.max() + 1)[runs], SD["batch:chamber"]
        if kind == "lot":
            x = np.sign(x)
        table["x"] = np.where(x > 0, "one", "other") if kind == "lot" else x
        own = {**SD, kind: sd * np.sqrt(1 - share)} if kind != "lot" else dict(SD)
        Y = 100 + np.sqrt(share) * sd * x + own["block"] * rng.standard_normal((size, n))
        for term in RANDOM:
            Y += own[term] * rng.standard_normal((size, codes[term].max() + 1))[:, codes[term]]
        made = [
            fit_batch(table, Y, fixed=fixed, random=RANDOM)
            for fixed in ("schedule + x", "schedule")
        ]
        tests = [m.tests("schedule")["p"].to_numpy() < 0.05 for m in made]
        hits.append(tests[0].mean())
        plain.append(tests[1].mean())
        rows = [np.eye(len(m.prepared.design.names))[1] for m in made]
        se = [m.contrast(row)["se"].median() for m, row in zip(made, rows, strict=True)]
        ratio.append(se[0] / se[1])
    return {
        "design": f"{len(letters)} × {batches}",
        "covariate": what,
        "explains_pct": round(100 * share),
        "trials": trials // DESIGNS * DESIGNS,
        "rejected_pct": round(100 * float(np.mean(hits)), 2),
        "rejected_without_pct": round(100 * float(np.mean(plain)), 2),
        "se_ratio": round(float(np.mean(ratio)), 3),
    }


def main() -> None:
    """Run all cases."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--trials", type=int, default=6_000)
    asked.add_argument("--seed", type=int, default=5)
    asked.add_argument("--out", type=Path)
    given = asked.parse_args()
    rows = [
        run(case, batches, letters, given.trials, given.seed)
        for batches, letters in ((3, "aabb"), (4, "aabbcc"))
        for case in CASES
    ]
    table = pd.DataFrame(rows)
    print(table.to_string(index=False))
    if given.out is not None:
        table.to_csv(given.out, index=False)


if __name__ == "__main__":
    main()
