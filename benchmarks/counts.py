"""Counts and lost blocks without a true difference: how often the 5 % test rejects.

Run with: python benchmarks/counts.py [trials]. Runs differ by a gamma factor (counts) or a beta
risk (lost blocks of six) with batches that differ. Kept result in counts.csv.
"""

import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd

from trialkit.analysis.counts import LEAST_DF, _cells, _test

DESIGNS = {"2 x 2": (2, 2, 2), "4 x 3": (4, 3, 3), "4 x 4": (4, 4, 2), "4 x 6": (4, 6, 3)}
COUNTS = [(20.0, 0.15), (90.0, 0.0), (90.0, 0.15), (500.0, 0.15)]
SHARES = [(0.05, 0.0), (0.15, 0.0), (0.15, 0.2), (0.35, 0.2)]


def trial(rng, batches, chambers, levels):
    place = np.repeat(np.arange(batches), chambers)
    given = np.concatenate([rng.permutation(np.arange(chambers) % levels) for _ in range(batches)])
    return pd.DataFrame(
        {"batch": place.astype(str), "chamber": np.tile(np.arange(chambers), batches).astype(str),
         "schedule": given.astype(str), "among": 6.0}
    )  # fmt: skip


def drawn(rng, kind, table, typical, between):
    shift = rng.normal(0, 0.4, table["batch"].nunique())[table["batch"].astype(int)]
    if kind == "count":
        mean = typical * np.exp(0.5 * shift)
        spread = rng.gamma(between**-2, between**2, len(table)) if between else 1.0
        return rng.poisson(mean * spread)
    risk = 1 / (1 + np.exp(-(np.log(typical / (1 - typical)) + shift)))
    if between:
        rest = 1 / between - 1
        risk = rng.beta(risk * rest, (1 - risk) * rest)
    return rng.binomial(6, risk)


def main(trials: int) -> None:
    rng = np.random.default_rng(20)
    rows = []
    for kind, cases in (("count", COUNTS), ("share", SHARES)):
        for name, (batches, chambers, levels) in DESIGNS.items():
            for typical, between in cases:
                factor = SimpleNamespace(name="schedule", reference="0",
                                         applied_to=("batch", "chamber"))  # fmt: skip
                others = [str(i) for i in range(1, levels)]
                told = rejected = 0
                for _ in range(trials):
                    table = trial(rng, batches, chambers, levels)
                    table["counted"] = drawn(rng, kind, table, typical, between)
                    cells = _cells(table, factor, kind, others)
                    if cells is None or cells.df < LEAST_DF[kind] or not table["counted"].sum():
                        continue
                    told += 1
                    rejected += _test(cells)[0] < 0.05
                rows.append((kind, name, typical, between, trials, told,
                             round(100 * rejected / max(told, 1), 1)))  # fmt: skip
    heads = ["kind", "design", "typical", "between", "trials", "tested", "rejected_pct"]
    table = pd.DataFrame(rows, columns=heads)
    table.to_csv(Path(__file__).with_suffix(".csv"), index=False)
    print(table.to_string(index=False))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
