"""Count false "no worse" in trials with one, two or three error df.

Each cell simulates trials of one small layout in which a level truly loses exactly the margin,
and counts how often its one-sided test at 2.5 % says that it loses less: a false "no worse".
Beside it stands the same test with the df of the sum by Satterthwaite alone, not limited to
those of the difference. A few trials of each cell are also sent through `Fit.noninferior`, and
the script stops where the two disagree.

    python benchmarks/ratio_calibration.py --trials 20000 --out benchmarks/ratio_calibration.csv

Kept result: ``benchmarks/ratio_calibration.csv``.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from level_grid import level_grid
from scipy import special

from trialkit.model.answers.fieller import join_parts
from trialkit.model.answers.ratio_line import RatioLine
from trialkit.model.batch import Batch, fit_batch
from trialkit.model.fit import fit

RUNS = ("batch", "chamber", "batch:chamber")
MARGIN = 0.9  # true ratio of the level that loses
CHECKED = 10  # trials of each cell sent through the ordinary way
#: Standard deviations in per cent of the reference mean; the variance of runs or chambers,
#: relative to that of a block, is varied.
BATCH, BLOCK = 10.0, 12.0
RATIOS = (0.0, 0.1, 0.5, 2.0)


@dataclass(frozen=True)
class Layout:
    """A small trial: one row per block, in chamber runs, with a schedule each."""

    name: str
    error_df: float
    runs: tuple[tuple[str, str, str, int], ...]  # batch, chamber, schedule, blocks
    random: tuple[str, ...]

    def table(self) -> pd.DataFrame:
        rows = [run[:3] for run in self.runs for _ in range(run[3])]
        table = pd.DataFrame(rows, columns=["batch", "chamber", "schedule"])
        return table.astype({"schedule": pd.CategoricalDtype(sorted(set(table["schedule"])))})


def one_batch(schedules: str, blocks: list[int]) -> tuple[tuple[str, str, str, int], ...]:
    return tuple(
        ("B1", f"T{i}", s, m) for i, (s, m) in enumerate(zip(schedules, blocks, strict=True))
    )


def crossed(plan: list[str], blocks: int = 6) -> tuple[tuple[str, str, str, int], ...]:
    """One row of letters per batch; a dot is a lost run."""
    return tuple(
        (f"B{i}", f"T{j}", s, blocks)
        for i, row in enumerate(plan)
        for j, s in enumerate(row)
        if s != "."
    )


def zoo() -> list[Layout]:
    """Give the layouts; a is the reference, b the level that loses the margin."""
    chamber = ("chamber",)
    no_chamber = ("batch", "batch:chamber")
    return [
        Layout("3 chambers, 2 + 1", 1, one_batch("aab", [6, 6, 6]), chamber),
        Layout("3 chambers, 2 + 1, unequal", 1, one_batch("aab", [3, 9, 6]), chamber),
        Layout("2 batches of 2 runs", 1, crossed(["ab", "ba"]), no_chamber),
        Layout("3 batches of 2 runs, one lost", 1, crossed(["ab", "ba", "a."]), no_chamber),
        Layout("2 × 3 runs, 3 schedules, one lost", 1, crossed(["abc", "bc."]), no_chamber),
        Layout("2 + 2 chambers", 2, one_batch("aabb", [6, 6, 6, 6]), chamber),
        Layout("2 + 2 chambers, unequal", 2, one_batch("aabb", [3, 9, 4, 8]), chamber),
        Layout("3 batches of 2 runs", 2, crossed(["ab", "ba", "ab"]), no_chamber),
        Layout("2 batches of 3 runs, 3 schedules", 2, crossed(["abc", "bca"]), no_chamber),
        Layout("4 × 2, 2 schedules, two runs lost", 1, crossed(["aabb", "b.a."]), RUNS),
        Layout("3 + 2 chambers", 3, one_batch("aaabb", [6] * 5), chamber),
        Layout("4 batches of 2 runs", 3, crossed(["ab", "ba", "ab", "ba"]), no_chamber),
        Layout("3 × 3, 3 schedules", 2, crossed(["abc", "bca", "cab"]), RUNS),
        Layout("4 × 2, 2 schedules", 2, crossed(["aabb", "bbaa"]), RUNS),
        Layout("4 × 3, 3 schedules, two runs lost", 2, crossed(["abca", "bcab", ".ab."]), RUNS),
    ]


def draw(layout: Layout, table: pd.DataFrame, ratio: float, trials: int, seed: int) -> np.ndarray:
    """Draw responses: 100 for the reference, 90 for the level that loses."""
    rng = np.random.default_rng(seed)
    mean = np.where(table["schedule"] == "b", 100 * MARGIN, 100.0)
    Y = mean + BLOCK * rng.standard_normal((trials, len(table)))
    spread = {"batch": BATCH, "chamber": 5.0, "batch:chamber": BLOCK * np.sqrt(ratio)}
    if layout.random == ("chamber",):
        spread["chamber"] = BLOCK * np.sqrt(ratio)
    for term in layout.random:
        codes, labels = pd.factorize(table[term.split(":")].agg("-".join, axis=1))
        Y += spread[term] * rng.standard_normal((trials, len(labels)))[:, codes]
    return Y


def rows_of(batch: Batch) -> tuple[np.ndarray, np.ndarray]:
    """Give the rows of the losing and of the reference mean."""
    design = batch.prepared.design
    grid = level_grid(design)
    rows = design.rows(grid)
    losing, reference = (
        rows[(grid["schedule"] == level).to_numpy()].mean(axis=0) for level in ("b", "a")
    )
    return losing, reference


def p_at_margin(batch: Batch) -> pd.DataFrame:
    """Give one-sided p at the margin by default, and with the df of the sum alone."""
    losing, reference = rows_of(batch)
    gap, mean = batch.contrast(losing - reference), batch.contrast(reference)
    line = batch.contrast(losing - MARGIN * reference, df="kenward-roger")
    both = np.vstack([losing - reference, reference])[:, batch.prepared.design.kept]
    whole = np.concatenate([a.cov for a in batch._answers(both, "kenward-roger", joint=False)])
    t, df = line["t"].to_numpy().copy(), line["df"].to_numpy().copy()
    most = gap["df"].to_numpy()
    plain = (gap["method"] == "kenward-roger") & (mean["method"] == "kenward-roger")
    for i in np.flatnonzero(~plain.to_numpy()):
        parts = [
            (float(f["estimate"].iat[i]), float(f["se"].iat[i]) ** 2, float(f["df"].iat[i]))
            for f in (gap, mean)
        ]
        if not np.isfinite(parts).all():
            t[i] = np.nan
            continue
        made = join_parts(parts[0], parts[1], whole[i], "")
        t[i], df[i] = made.t_at(MARGIN), joint_df(made, parts)
    out = {"p": special.stdtr(np.minimum(df, most), -t), "p_sum": special.stdtr(df, -t)}
    return pd.DataFrame({**out, "t": t, "df": most, "joined": ~plain}).fillna({"p": 1, "p_sum": 1})


def joint_df(line: RatioLine, parts: list[tuple[float, float, float]]) -> float:
    """Give Satterthwaite's df of both parts at the margin, at most the larger of the two."""
    (_, v, nu), (_, _, nu_mean) = parts
    c = line.covariance - line.var_bottom
    explained = (1 + (1 - MARGIN) * c / v) ** 2 * v
    rest = (1 - MARGIN) ** 2 * max(line.var_bottom - c**2 / v, 0.0)
    return min((explained + rest) ** 2 / (explained**2 / nu + rest**2 / nu_mean), max(nu, nu_mean))


def all_p(layout: Layout, table: pd.DataFrame, Y: np.ndarray) -> pd.DataFrame:
    """Give `p_at_margin` of each trial; those whose covariance is at its edge stand apart."""
    options = {"fixed": "schedule", "random": list(layout.random)}
    edge = fit_batch(table, Y, **options).edge
    parts = []
    for group in (np.flatnonzero(edge), np.flatnonzero(~edge)):
        if len(group):
            parts.append(p_at_margin(fit_batch(table, Y[group], **options)).set_index(group))
    return pd.concat(parts).sort_index()


def cell(layout: Layout, ratio: float, trials: int) -> dict[str, object]:
    """Give one row of the result."""
    began = time.perf_counter()
    table = layout.table()
    Y = draw(layout, table, ratio, trials, seed=int(1000 * ratio) + 29)
    got = all_p(layout, table, Y)
    for i in range(min(CHECKED, trials)):
        made = fit(table.assign(y=Y[i]), response="y", fixed="schedule", random=list(layout.random))
        row = made.noninferior("schedule", against="a", margin_pct=100 * (1 - MARGIN)).iloc[0]
        # the p of all ratios below the margin may be larger than that at the margin
        agrees = abs(row["p"] - got["p"][i]) < 1e-6 or row["p"] > got["p"][i]
        if not agrees or (row["low"] > MARGIN) != (row["p"] < 0.025):
            raise SystemExit(f"{layout.name}: {row['p']} by noninferior, {got['p'][i]} here")
    return {
        "design": layout.name,
        "error_df": layout.error_df,
        "ratio": ratio,
        "trials": trials,
        "false_no_worse_pct": 100 * float((got["p"] < 0.025).mean()),
        "df_of_sum_pct": 100 * float((got["p_sum"] < 0.025).mean()),
        "median_df": float(got["df"].median()),
        "df_below_1_pct": 100 * float((got["df"] < 1 - 1e-9).mean()),
        "share_joined": float(got["joined"].mean()),
        "seconds": round(time.perf_counter() - began, 1),
    }


def rows(layouts: list[Layout], trials: int) -> Iterator[dict[str, object]]:
    for layout in layouts:
        for ratio in RATIOS:
            yield cell(layout, ratio, trials)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=20_000)
    parser.add_argument("--only", default="", help="designs whose name holds this text")
    parser.add_argument("--out", type=Path, default=None)
    options = parser.parse_args()
    kept: list[dict[str, object]] = []
    for row in rows([c for c in zoo() if options.only in c.name], options.trials):
        kept.append(row)
        flag = "" if float(str(row["false_no_worse_pct"])) <= 3.0 else "  ABOVE 3"
        print(
            f"{row['design']:44} df {row['error_df']} ratio {row['ratio']:4}  false "
            f"{row['false_no_worse_pct']:5.2f}  df of sum {row['df_of_sum_pct']:5.2f}  median df "
            f"{row['median_df']:.2f}  below one {row['df_below_1_pct']:.1f} %  joined "
            f"{row['share_joined']:.2f}  {row['seconds']} s{flag}",
            flush=True,
        )
        if options.out is not None:
            pd.DataFrame(kept).to_csv(options.out, index=False, float_format="%.4g")


if __name__ == "__main__":
    main()
