"""Does a 5 % test reject 5 % of true nulls? A zoo of trials with few, unequal units.

Each cell simulates null trials of one design at one size of chamber variance, and counts how
often the default test, the same model's Kenward–Roger test with free variances, and the usual
ways with variances held at zero call a difference at the 5 % level; and how often the default 95 %
interval of the first difference covers the truth.

    python benchmarks/calibration.py --trials 20000 --out benchmarks/calibration.csv

Kept result: ``benchmarks/calibration.csv``.
"""

from __future__ import annotations

import argparse
import itertools
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from level_grid import level_grid

from trialkit.model.batch import fit_batch
from trialkit.model.inference.tails import f_upper

RATIOS = (0.0, 0.1, 0.5, 2.0)  # variance of chambers (or runs) over that of blocks
RUNS = ["batch", "chamber", "batch:chamber"]


@dataclass(frozen=True)
class Case:
    """One design: table, model, true variances at a ratio, factors to test."""

    name: str
    balanced: bool
    table: pd.DataFrame
    fixed: str
    random: list[str]
    factors: tuple[str, ...]
    varied: str  # the random term whose variance is varied
    others: dict[str, float]

    def variances(self, ratio: float) -> dict[str, float]:
        return {**self.others, self.varied: ratio}


def chambers(sizes: list[int], schedules: str) -> pd.DataFrame:
    """Blocks in chambers of one batch; one letter per chamber gives its schedule."""
    return pd.DataFrame(
        [
            (f"T{i}", s, f"T{i}-{k}")
            for i, (m, s) in enumerate(zip(sizes, schedules, strict=True))
            for k in range(m)
        ],
        columns=["chamber", "schedule", "block"],
    )


def runs(
    layout: list[str],
    *,
    blocks: int = 4,
    lost: tuple[tuple[int, int], ...] = (),
    lights: int = 1,
    flushes: int = 1,
) -> pd.DataFrame:
    """Chambers crossed with batches: one string per batch gives each chamber's schedule."""
    rows = []
    for b, row in enumerate(layout):
        for c, schedule in enumerate(row):
            if (b, c) in lost:
                continue
            for light, k, flush in itertools.product(range(lights), range(blocks), range(flushes)):
                shelf = f"{b}-{c}-{light}"
                rows.append(
                    (f"B{b}", f"T{c}", schedule, f"L{light}", shelf, f"{shelf}-{k}", f"F{flush}")
                )
    names = ["batch", "chamber", "schedule", "light", "shelf", "block", "flush"]
    return pd.DataFrame(rows, columns=names)


def shuffled(batches: int, letters: str, seed: int) -> list[str]:
    """Each batch gets the same schedules in a random order over the chambers."""
    rng = np.random.default_rng(seed)
    return ["".join(rng.permutation(list(letters))) for _ in range(batches)]


def drop(table: pd.DataFrame, share: float, seed: int) -> pd.DataFrame:
    """Lose a share of the rows at random."""
    keep = np.random.default_rng(seed).random(len(table)) >= share
    return table[keep].reset_index(drop=True)


def zoo() -> list[Case]:
    """Give the designs, from growers' practice."""
    wide = [3, 12, 7, 5, 4, 10, 8, 3]
    run = {"batch": 0.5, "batch:chamber": 0.25}
    six, four = shuffled(4, "aabbcc", 3), shuffled(3, "aabb", 5)
    latin = ["abcd", "bcda", "cdab", "dabc"]
    pairs = ["".join(p) for p in itertools.combinations("abcd", 2)]
    many_pairs = pairs * 4
    split = runs(["ab", "ba", "ab", "ba"], blocks=3, lights=2)
    split_random = ["batch", "batch:chamber", "shelf"]
    split_true = {"batch": 0.5, "shelf": 0.1}
    repeated = runs(shuffled(3, "aabb", 8), blocks=3, flushes=3)
    single = ("schedule",)

    def chamber_case(name: str, balanced: bool, sizes: list[int], schedules: str) -> Case:
        table = chambers(sizes, schedules)
        return Case(name, balanced, table, "schedule", ["chamber"], single, "chamber", {})

    def run_case(name: str, balanced: bool, table: pd.DataFrame) -> Case:
        return Case(name, balanced, table, "schedule", RUNS, single, "chamber", run)

    def pair_case(name: str, table: pd.DataFrame) -> Case:
        terms = ["batch", "batch:chamber"]
        true = {"batch:chamber": 0.25}
        return Case(name, False, table, "schedule", terms, single, "batch", true)

    return [
        chamber_case("2 + 2 chambers, 20 blocks each", True, [20] * 4, "aabb"),
        chamber_case("3 + 3 chambers, 5 to 8 blocks", False, [5, 6, 8, 7, 5, 8], "aaabbb"),
        chamber_case("4 + 4 chambers, 3 to 12 blocks", False, wide, "aaaabbbb"),
        chamber_case("2 + 2 chambers, 27, 27, 12, 13 blocks", False, [27, 27, 12, 13], "aabb"),
        chamber_case("3 schedules × 2 chambers, 6 blocks", True, [6] * 6, "aabbcc"),
        run_case("6 chambers × 4 batches, 3 schedules", False, runs(six)),
        run_case(
            "6 × 4, 3 schedules, four runs lost",
            False,
            runs(six, lost=((0, 1), (1, 4), (2, 2), (3, 5))),
        ),
        run_case("4 chambers × 3 batches, 2 schedules", False, runs(four)),
        run_case("4 × 3, 2 schedules, two runs lost", False, runs(four, lost=((0, 0), (2, 3)))),
        run_case("6 × 4, 3 schedules, a quarter of blocks lost", False, drop(runs(six), 0.25, 4)),
        run_case("Latin square 4 × 4", True, runs(latin)),
        Case(
            "schedule kept by chamber, 2 + 2 chambers × 3 batches",
            True,
            runs(["aabb"] * 3),
            "schedule",
            RUNS,
            single,
            "chamber",
            run,
        ),
        Case(
            "split-plot, 4 batches",
            True,
            split,
            "schedule * light",
            split_random,
            ("schedule", "light", "schedule:light"),
            "batch:chamber",
            split_true,
        ),
        Case(
            "split-plot, 15 % of blocks lost",
            False,
            drop(split, 0.15, 11),
            "schedule * light",
            split_random,
            ("schedule", "light", "schedule:light"),
            "batch:chamber",
            split_true,
        ),
        pair_case("incomplete blocks: 6 batches of 2 runs, 4 schedules", runs(pairs, blocks=5)),
        pair_case("incomplete blocks: 24 batches of 2 runs", runs(many_pairs, blocks=2)),
        pair_case("one batch misses a schedule", runs(["abc", "bca", "aba", "cab"])),
        Case(
            "three flushes, 10 % of weights lost",
            False,
            drop(repeated, 0.1, 6),
            "schedule * flush",
            [*RUNS, "block"],
            ("schedule", "flush", "schedule:flush"),
            "chamber",
            {**run, "block": 0.5},
        ),
    ]


def draw(case: Case, ratio: float, trials: int, seed: int) -> np.ndarray:
    """Draw null responses with the true variances."""
    rng = np.random.default_rng(seed)
    Y = rng.standard_normal((trials, len(case.table)))
    for term, variance in case.variances(ratio).items():
        keys = case.table[term.split(":")].agg("-".join, axis=1)
        codes, labels = pd.factorize(keys)
        Y += np.sqrt(variance) * rng.standard_normal((trials, len(labels)))[:, codes]
    return Y


def cells(case: Case, trials: int, peers: int) -> Iterator[dict[str, object]]:
    """Give one row per factor and ratio."""
    for ratio in RATIOS:
        began = time.perf_counter()
        # factors of one design share their draws
        Y = draw(case, ratio, trials, seed=int(1000 * ratio) + 17)
        free = fit_batch(case.table, Y, fixed=case.fixed, random=case.random)
        held = fit_batch(
            case.table, Y[:peers], fixed=case.fixed, random=case.random, variances="nonnegative"
        )
        for factor in case.factors:
            default = free.tests(factor)
            plain = free.tests(factor, df="kenward-roger")
            held_kr = held.tests(factor, df="kenward-roger")
            dropped = held.tests(factor, df="satterthwaite")
            cover = np.nan
            if ":" not in factor:
                design = free.prepared.design
                grid = level_grid(design)
                levels = design.levels[factor]
                rows = design.rows(grid)
                gap = rows[(grid[factor] == levels[1]).to_numpy()].mean(axis=0) - rows[
                    (grid[factor] == levels[0]).to_numpy()
                ].mean(axis=0)
                c = free.contrast(gap)
                cover = float(((c.low <= 0) & (c.high >= 0)).mean())
            yield {
                "design": case.name,
                "balanced": case.balanced,
                "factor": factor,
                "varied": case.varied,
                "ratio": ratio,
                "trials": trials,
                "default_pct": 100 * float((default.p < 0.05).mean()),
                "cover_pct": 100 * cover,
                "free_kr_pct": 100 * float((plain.p < 0.05).mean()),
                "trials_held": peers,
                "z_pct": 100 * float((f_upper(dropped.F, dropped.num_df, np.inf) < 0.05).mean()),
                "held_kr_pct": 100 * float((held_kr.p < 0.05).mean()),
                "held_dropped_pct": 100 * float((dropped.p < 0.05).mean()),
                "share_switched": float((default.method != "kenward-roger").mean()),
                "seconds": round(time.perf_counter() - began, 1),
            }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=20_000)
    parser.add_argument("--held", type=int, default=4_000, help="trials for the ways held at zero")
    parser.add_argument("--only", default="", help="designs whose name holds this text")
    parser.add_argument("--part", default="0/1", help="which share of the designs, such as 0/2")
    parser.add_argument("--out", type=Path, default=None)
    options = parser.parse_args()
    part, parts = map(int, options.part.split("/"))
    rows: list[dict[str, object]] = []
    for case in [c for c in zoo() if options.only in c.name][part::parts]:
        for row in cells(case, options.trials, min(options.held, options.trials)):
            rows.append(row)
            low, high = (4.5, 5.5) if case.balanced else (4.0, 6.0)
            flag = "" if low <= float(str(row["default_pct"])) <= high else "  OUTSIDE"
            print(
                f"{case.name:52.52} {row['factor']!s:14} {row['ratio']:4}  "
                f"default {row['default_pct']:5.2f} cover {row['cover_pct']:5.1f}  "
                f"free {row['free_kr_pct']:5.2f}  z {row['z_pct']:5.2f}  "
                f"held {row['held_kr_pct']:5.2f} dropped {row['held_dropped_pct']:5.2f}  "
                f"switched {row['share_switched']:.2f}  {row['seconds']} s{flag}",
                flush=True,
            )
            if options.out is not None:
                pd.DataFrame(rows).to_csv(options.out, index=False, float_format="%.4g")


if __name__ == "__main__":
    main()
