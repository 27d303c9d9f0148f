"""How fast power is simulated: 10 000 trials of the 6 × 4 demo design, each with its tests.

    python benchmarks/power_speed.py [--trials 10000] [--workers 2]

Each simulated trial is 144 blocks in 48 shelves in 24 chamber runs (6 chambers × 4 batches),
fitted by restricted maximum likelihood with four random terms and judged by the small-sample
tests of the analysis for three questions. Peer: statsmodels' MixedLM, which fits one trial at a
time and has no small-sample test; a few fits are timed and scaled up.
"""

from __future__ import annotations

import argparse
import os
import time
import warnings

import numpy as np
import pandas as pd

import trialkit as tk


def processor_seconds() -> float:
    """Give the processor time of this process and of its children that have ended."""
    own = os.times()
    return own.user + own.system + own.children_user + own.children_system


def time_power(trial: tk.Trial, trials: int, workers: int, lost: float) -> dict[str, object]:
    begin, used = time.perf_counter(), processor_seconds()
    found = tk.power(trial, trials=trials, workers=workers, lost=lost, method="simulation")
    wall, used = time.perf_counter() - begin, processor_seconds() - used
    chances = found.table.set_index("question")["power"]
    return {
        "trials": trials,
        "blocks lost [%]": lost,
        "processes": workers,
        "wall [s]": wall,
        "processor [s]": used,
        "ms a trial": 1000 * used / (trials * 1.2),  # a tenth more at each end of the variation
        **{f"chance: {name}": value for name, value in chances.items()},
    }


def time_peer(trial: tk.Trial, fits: int = 5) -> float:
    """Give seconds per fit of statsmodels' MixedLM on the same design, tests apart."""
    import statsmodels.formula.api as smf

    rng = np.random.default_rng(6)
    table = tk.assign(trial).table.copy()
    terms = ["batch", "chamber", "batch:chamber", "batch:chamber:shelf"]
    names = {}
    for term in terms:
        name = term.replace(":", "_in_")
        table[name] = table[term.split(":")].agg("-".join, axis=1)
        names[name] = f"0 + C({name})"
    table["one"] = 1
    spent = 0.0
    for _ in range(fits):
        y = 100 + 20 * rng.standard_normal(len(table))
        for name, sd in zip(names, (8, 4, 6, 4), strict=True):
            codes = pd.factorize(table[name])[0]
            y = y + sd * rng.standard_normal(codes.max() + 1)[codes]
        begin = time.perf_counter()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            smf.mixedlm("y ~ schedule * light", table.assign(y=y), groups="one",
                        vc_formula=names, re_formula="0").fit(reml=True)  # fmt: skip
        spent += time.perf_counter() - begin
    return spent / fits


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=10_000)
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args()
    trial = tk.read_trial(tk.demo_folder())
    rows = [time_power(trial, given.trials, given.workers, lost) for lost in (0.0, 5.0)]
    print(pd.DataFrame(rows).T.to_string(header=False))
    peer = time_peer(trial)
    print(f"peer, one fit without tests: {1000 * peer:.0f} ms")
    for row in rows:
        ratio = 1000 * peer / float(str(row["ms a trial"]))
        print(f"with {row['blocks lost [%]']:g} % lost: {ratio:.0f} times as many a second")


if __name__ == "__main__":
    main()
