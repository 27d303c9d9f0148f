"""Time of one fit and its tests beside a general-purpose peer, as ratios in one run.

    python benchmarks/fit_speed.py

Simulated reference trial (invented, from a seed): 4 batches × 6 chambers, a schedule per chamber
run, 8 blocks per run on two light levels, 3 flushes: 576 rows, 226 random effects.
``y ~ mist * flush + light``; random batch, chamber, run and block.
"""

from __future__ import annotations

import argparse
import time
import warnings
from collections.abc import Callable

import numpy as np
import pandas as pd

from trialkit.model.fit import Fit, fit

FIXED = "mist * flush + light"
RANDOM = ["batch", "chamber", "batch:chamber", "block"]


def reference_trial(seed: int = 11) -> pd.DataFrame:
    """Give the invented trial of 576 rows."""
    rng = np.random.default_rng(seed)
    rows = []
    for b in range(4):
        mist = rng.permutation(["often", "often", "usual", "usual", "seldom", "seldom"])
        rows += [
            (f"B{b}", f"T{c}", f"B{b}-T{c}-{k}", mist[c], "dim" if k % 2 else "bright", f"F{f}")
            for c in range(6)
            for k in range(8)
            for f in range(3)
        ]
    names = ["batch", "chamber", "block", "mist", "light", "flush"]
    table = pd.DataFrame(rows, columns=names)
    y = 600.0 - 145 * table.flush.map({"F0": 0, "F1": 1, "F2": 2})
    y += 15 * (table.light == "bright") - 50 * (table.mist == "seldom")
    for keys, sd in (
        (["batch"], 34),
        (["chamber"], 39),
        (["batch", "chamber"], 36),
        (["block"], 45),
    ):
        codes, labels = pd.factorize(table[keys].agg("-".join, axis=1))
        y += sd * rng.normal(size=len(labels))[codes]
    return table.assign(y=y + 61 * rng.normal(size=len(table)))


def one_fit(table: pd.DataFrame) -> Fit:
    return fit(table, response="y", fixed=FIXED, random=RANDOM)


def median_ms(act: Callable[[], object], repeats: int) -> tuple[float, float]:
    """Give the median time on the clock and on the processor."""
    act()
    clock, work = [], []
    for _ in range(repeats):
        began, used = time.perf_counter(), time.process_time()
        act()
        clock.append(time.perf_counter() - began)
        work.append(time.process_time() - used)
    return 1000 * float(np.median(clock)), 1000 * float(np.median(work))


def peer(table: pd.DataFrame) -> float:
    """Fit the same model with statsmodels' MixedLM (z-tests only)."""
    import statsmodels.formula.api as smf

    run = table.batch + table.chamber
    data = table.assign(run=run, whole=1)
    parts = {n: f"0 + C({n})" for n in ("batch", "chamber", "run", "block")}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = smf.mixedlm("y ~ mist * flush + light", data, groups="whole", vc_formula=parts).fit(
            reml=True
        )
    return float(other.llf)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=31)
    parser.add_argument("--no-peer", action="store_true")
    options = parser.parse_args()
    table = reference_trial()
    ways: dict[str, Callable[[], object]] = {
        "fit": lambda: one_fit(table),
        "fit and Kenward–Roger tests": lambda: one_fit(table).tests("kenward-roger"),
        "fit and default tests": lambda: one_fit(table).tests(),
    }
    times = {name: median_ms(act, options.repeats) for name, act in ways.items()}
    for name, (clock, work) in times.items():
        print(f"{name:37} {clock:8.2f} ms  (processor {work:.2f} ms)")
    alone = times["fit"][0]
    if not options.no_peer:
        began = time.perf_counter()
        loglik = peer(table)
        took = 1000 * (time.perf_counter() - began)
        ratio = took / alone
        print(f"statsmodels MixedLM, fit and z-tests  {took:8.2f} ms  ({ratio:.0f} times a fit)")
        print(f"restricted log-likelihood: {one_fit(table).loglik:.6f} (peer {loglik:.6f})")


if __name__ == "__main__":
    main()
