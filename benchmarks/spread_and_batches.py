"""Level and power where schedules spread unequally, or do better in some batches than others.

Chambers crossed with batches, many responses at once. Of each comparison with the first schedule:
how often its 95 % limits miss the truth on either side, joint cover, and power of the last one at
a true difference; with the analysis's rule for batch × schedule, and without that term.

    python benchmarks/spread_and_batches.py aaaabb 2 --run 3 12 --block 10 20
    python benchmarks/spread_and_batches.py aaaabb 2 --one-error
    python benchmarks/spread_and_batches.py aabbcc 4 --batches-differ 6 --effect 12
"""

from __future__ import annotations

import argparse
from functools import cache

import numpy as np
import pandas as pd

from trialkit.model.batch import fit_batch
from trialkit.model.inference import spread_tests, unequal_spread
from trialkit.model.inference.crossed_effect import can_be_told, crossed_df, stands_clear
from trialkit.model.inference.simultaneous import largest_point

RUNS = ["batch", "chamber", "batch:chamber"]
TERM = "batch:schedule"


def layout(rng: np.random.Generator, letters: str, batches: int, blocks: int) -> pd.DataFrame:
    """Give each batch the schedules in a random order over its chambers."""
    rows = [
        (f"B{b}", f"T{c}", s)
        for b in range(batches)
        for c, s in enumerate(rng.permutation(list(letters)))
        for _ in range(blocks)
    ]
    return pd.DataFrame(rows, columns=["batch", "chamber", "schedule"])


def draw(
    rng: np.random.Generator, table: pd.DataFrame, count: int, o: argparse.Namespace
) -> np.ndarray:
    """Draw null responses in per cent of the mean: batch 10, chamber 5, and what is asked for."""
    names = sorted(set(o.letters))
    place = table["schedule"].map(names.index).to_numpy()
    run, block = (np.resize(np.array(sd, dtype=float), len(names)) for sd in (o.run, o.block))
    Y = 100 + block[place] * rng.standard_normal((count, len(table)))
    for columns, sd in (
        (["batch"], 10.0),
        (["chamber"], 5.0),
        (["batch", "chamber"], run[place]),
        (["batch", "schedule"], o.batches_differ),
    ):
        codes = table.groupby(columns).ngroup().to_numpy()
        Y += sd * rng.standard_normal((count, codes.max() + 1))[:, codes]
    return np.asarray(Y)


@cache
def point(df: float, rows: int) -> float:
    """Give Dunnett's point for equal numbers (for one comparison, that of t)."""
    return largest_point(0.95, np.full((rows, rows), 0.5) + 0.5 * np.eye(rows), df)


def count(
    table: pd.DataFrame, Y: np.ndarray, random: list[str], rows: int, effect: float
) -> np.ndarray:
    """Count limits above and below the truth, responses with any miss, and powerful ones."""
    if not len(Y):
        return np.zeros(4)
    batch = fit_batch(table, Y, fixed="schedule", random=random)
    high = low = np.zeros(len(Y), dtype=bool)
    for row in np.eye(rows + 1)[1:]:
        c = batch.contrast(row)
        df = c["df"].to_numpy()
        wide = np.array([point(max(1.0, round(d, 1)), rows) if d > 0 else np.inf for d in df])
        t = (c["estimate"] / c["se"]).to_numpy()
        high, low = high | (t > wide), low | (t < -wide)
        power = t + effect / c["se"].to_numpy() > wide
    return np.array([high.sum(), low.sum(), (high | low).sum(), power.sum()])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("letters", help="schedules of the chambers of a batch, such as aaaabb")
    parser.add_argument("batches", type=int)
    parser.add_argument("--run", type=float, nargs="+", default=[6.0], help="by schedule [%%]")
    parser.add_argument("--block", type=float, nargs="+", default=[12.0], help="by schedule [%%]")
    parser.add_argument("--blocks", type=int, default=4)
    parser.add_argument("--batches-differ", type=float, default=0.0, help="schedule × batch [%%]")
    parser.add_argument("--effect", type=float, default=15.0, help="true difference [%%]")
    parser.add_argument("--plans", type=int, default=15)
    parser.add_argument("--each", type=int, default=300)
    parser.add_argument("--one-error", action="store_true", help="one error for all levels")
    o = parser.parse_args()
    if o.one_error:  # what the default does not do: see the heads of these modules
        unequal_spread.UNEQUAL, spread_tests.ALARM = np.inf, 0.0
    rng, rows = np.random.default_rng(5), len(set(o.letters)) - 1
    with_rule, without, kept = np.zeros(4), np.zeros(4), 0
    for _ in range(o.plans):
        table = layout(rng, o.letters, o.batches, o.blocks)
        Y = draw(rng, table, o.each, o)
        df = crossed_df(table, ["batch", "chamber"], "batch", "schedule")
        clear = np.zeros(len(Y), dtype=bool)
        if can_be_told(df):
            whole = fit_batch(table, Y, fixed="schedule", random=[*RUNS, TERM])
            clear = stands_clear(whole.prepared, whole.variances, "schedule", TERM, df)
        plain = count(table, Y[~clear], RUNS, rows, o.effect)
        with_rule += plain + count(table, Y[clear], [*RUNS, TERM], rows, o.effect)
        without += plain + count(table, Y[clear], RUNS, rows, o.effect)
        kept += int(clear.sum())
    trials = o.plans * o.each
    print(f"batch × schedule kept in {100 * kept / trials:.1f} % of {trials} trials")
    for name, got in (("default", with_rule), ("without that term", without)):
        high, low, miss, power = 100 * got / trials
        print(
            f"{name}: misses above {high:.1f}, below {low:.1f}; joint cover {100 - miss:.1f} "
            f"(standard error {100 * np.sqrt(got[2] / trials * (1 - got[2] / trials) / trials):.1f}"
            f"); power {power:.1f}"
        )


if __name__ == "__main__":
    main()
