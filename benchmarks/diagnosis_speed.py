"""Checks of large models: time of all checks, and deletions by algebra beside brute force.

    python benchmarks/diagnosis_speed.py [--largest]

A simulated trial of batches, chambers, shelves, blocks and flushes, 3 % of rows lost. Prints
seconds of the clock and of the processor (the machine may be busy) for all checks, with every
level of every term left out in turn; and for the smallest trial the time of leaving out every
batch and chamber run by algebra as a share of that of fitting again without each.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import pandas as pd

from trialkit.model.diagnose import diagnose, solved_of, watched_comparisons
from trialkit.model.fit import Fit, fit
from trialkit.model.influence import cluster_influence

FIXED = "schedule + light + flush + schedule:flush"
RANDOM = {
    "batch": 30, "chamber": 20, "batch:chamber": 20, "batch:chamber:shelf": 12,
    "batch:chamber:shelf:block": 25, "batch:chamber:flush": 10,
}  # fmt: skip


def trial(
    batches: int, chambers: int, shelves: int, blocks: int, flushes: int = 3, seed: int = 1
) -> pd.DataFrame:
    """Draw a trial with three schedules by chamber run and two lights by shelf."""
    rng = np.random.default_rng(seed)
    names = ["batch", "chamber", "shelf", "block", "flush"]
    sizes = (batches, chambers, shelves, blocks, flushes)
    units = pd.DataFrame(np.indices(sizes).reshape(5, -1).T, columns=names)
    schedule = (units["batch"] + units["chamber"]) % 3
    y = 450 - 100 * units["flush"] + 8 * (schedule == 1)
    for term, sd in RANDOM.items():
        codes = units.groupby(term.split(":"), sort=False).ngroup().to_numpy()
        y = y + sd * rng.normal(size=codes.max() + 1)[codes]
    table = units.astype(str).assign(
        schedule=np.array(["usual", "sparse", "banded"])[schedule],
        light=np.where(units["shelf"] % 2 == 0, "dim", "bright"),
        fresh_g=y + 25 * rng.normal(size=len(y)),
    )
    return table[rng.random(len(table)) > 0.03].reset_index(drop=True)


def fitted(table: pd.DataFrame) -> Fit:
    return fit(table, response="fresh_g", fixed=FIXED, random=list(RANDOM))


def clock(size: tuple[int, int, int, int]) -> Fit:
    table = trial(*size)
    start, busy = time.perf_counter(), time.process_time()
    made = fitted(table)
    made_in, made_busy = time.perf_counter() - start, time.process_time() - busy
    start, busy = time.perf_counter(), time.process_time()
    checked = diagnose(made)
    took, work = time.perf_counter() - start, time.process_time() - busy
    effects = sum(g.q for g in made.groupings)
    unjudged = int((checked.table["result"] == "not judged").sum())
    print(
        f"{len(table):6} rows {effects:6} effects  fit {made_in:6.2f} s (processor {made_busy:.2f})"
        f"  all checks {took:6.2f} s (processor {work:.2f}), {len(checked.influence)} levels left "
        f"out, {unjudged} checks not judged",
        flush=True,
    )
    return made


def beside_brute_force(made: Fit) -> None:
    """Time deletions by algebra and by fitting again, for batches and chamber runs."""
    start = time.process_time()
    solved = solved_of(made)
    contrasts, names = watched_comparisons(made)
    terms = [term for term in solved.terms if term.name in ("batch", "batch:chamber")]
    for term in terms:
        cluster_influence(solved, term, contrasts, names)
    algebra = time.process_time() - start
    start, count = time.process_time(), 0
    for term in terms:
        for code in range(0, len(term.labels), 4):  # every fourth; the time is scaled up
            made.refit(keep=term.codes != code)
            count += 1
    again = (time.process_time() - start) * sum(len(term.labels) for term in terms) / count
    print(
        f"leaving out {sum(len(t.labels) for t in terms)} batches and chamber runs: algebra "
        f"{algebra:.2f} s, fitting again {again:.1f} s, {again / algebra:.0f} times as long"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--largest", action="store_true")
    options = parser.parse_args()
    clock((2, 6, 2, 2))  # libraries loaded before the clock
    beside_brute_force(clock((8, 6, 2, 3)))
    clock((18, 6, 2, 3))
    if options.largest:
        clock((32, 12, 2, 10))


if __name__ == "__main__":
    main()
