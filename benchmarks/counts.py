"""Counts and lost blocks: does a 5 % test reject 5 % of true nulls, do 95 % limits hold.

Run with: python benchmarks/counts.py [trials]. Runs differ by a gamma factor (counts) or a beta
risk (lost blocks of six), in batches that differ. Kept result in counts.csv.
"""

import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.analysis.counts import LEAST_DF, _cells, _test

DESIGNS = {"2 x 2": (2, 2, 2), "6 x 2": (6, 2, 2), "4 x 3": (4, 3, 3), "4 x 4": (4, 4, 2),
           "4 x 6": (4, 6, 3)}  # fmt: skip
COUNTS = [(5.0, 0.15), (20.0, 0.15), (90.0, 0.0), (90.0, 0.15), (500.0, 0.15)]
SHARES = [(0.05, 0.0), (0.05, 0.2), (0.15, 0.0), (0.15, 0.2), (0.35, 0.0), (0.35, 0.2)]
EFFECT = {"count": 1.5, "share": 3.0}  # ratio of counts, of odds


def trial(rng, batches, chambers, levels):
    place = np.repeat(np.arange(batches), chambers)
    given = np.concatenate([rng.permutation(np.arange(chambers) % levels) for _ in range(batches)])
    return pd.DataFrame(
        {"batch": place.astype(str), "chamber": np.tile(np.arange(chambers), batches).astype(str),
         "schedule": given.astype(str), "among": 6.0}
    )  # fmt: skip


def drawn(rng, kind, table, typical, between, effect=1.0):
    shift = rng.normal(0, 0.4, table["batch"].nunique())[table["batch"].astype(int)]
    times = np.where(table["schedule"] == "1", effect, 1.0)
    if kind == "count":
        mean = typical * np.exp(0.5 * shift) * times
        spread = rng.gamma(between**-2, between**2, len(table)) if between else 1.0
        return rng.poisson(mean * spread)
    odds = typical / (1 - typical) * np.exp(shift) * times
    risk = odds / (1 + odds)
    if between:
        rest = 1 / between - 1
        risk = rng.beta(risk * rest, (1 - risk) * rest)
    return rng.binomial(6, risk)


def missed(cells, effect):
    """Say whether the true ratio of the first level lies outside its limits of 95 %."""
    own, others = cells.treated[:, :1], cells.treated[:, 1:]
    columns = np.hstack([cells.blocking, others])
    begin, _ = cells.fitted(columns)
    found, _ = cells.score(columns, own, np.log(effect) * own[:, 0], begin)
    return stats.f.sf(found, 1, cells.df) < 0.05


def cell(rng, kind, design, typical, between, trials):
    batches, chambers, levels = design
    factor = SimpleNamespace(name="schedule", reference="0", applied_to=("batch", "chamber"))
    others = [str(i) for i in range(1, levels)]
    found = {1.0: [], EFFECT[kind]: []}
    for effect, results in found.items():
        for _ in range(trials if effect == 1 else trials // 2):
            table = trial(rng, batches, chambers, levels)
            table["counted"] = drawn(rng, kind, table, typical, between, effect)
            cells = _cells(table, factor, kind, others)
            if cells is not None and cells.df >= LEAST_DF[kind]:
                results.append(_test(cells)[0] < 0.05 if effect == 1 else missed(cells, effect))
    wrong, outside = found.values()
    shares = [round(100 * float(np.mean(x)), 1) if x else np.nan for x in (wrong, outside)]
    return [trials, round(100 * len(wrong) / trials, 1), *shares]


def main(trials: int) -> None:
    rng = np.random.default_rng(20)
    rows = [
        (kind, name, typical, between, *cell(rng, kind, design, typical, between, trials))
        for kind, cases in (("count", COUNTS), ("share", SHARES))
        for name, design in DESIGNS.items()
        for typical, between in cases
    ]
    heads = ["kind", "design", "typical", "between", "trials", "tested_pct", "rejected_pct",
             "outside_pct"]  # fmt: skip
    table = pd.DataFrame(rows, columns=heads)
    table.to_csv(Path(__file__).with_suffix(".csv"), index=False)
    print(table.to_string(index=False))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
