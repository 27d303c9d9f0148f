"""Coverage of the limits of water saved per kilogram, and of the gain in money, with losses.

Totals of chamber runs are drawn, with losses, and go through `ratio_of_totals` and the fit of
money as they stand in a verdict. Printed are the shares of trials, in per cent, whose 95 % limits
hold the truth, lie above it and below it; and whether a limit of the saving passed 100 %.

    python benchmarks/totals_coverage.py --trials 1000 --out benchmarks/totals_coverage.csv
    python benchmarks/totals_coverage.py --trials 200 --rows runs

Kept result: ``benchmarks/totals_coverage.csv``.
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

import trialkit as tk
from trialkit.analysis.by_run import fit_by_run, ratio_of_totals
from trialkit.trial import Trial

KG, WATER_L, PRICE_KG, PRICE_L, BLOCKS = 3.0, 50.0, 10.0, 0.2, 6
FILE = """
[trial]
title = "Drawn trial"
seed = 1
[units]
structure = "(batch * chamber) / block"
batch = {batches}
chamber = {chambers}
block = 6
[factors.schedule]
applied_to = "batch:chamber"
control = "usual"
levels.usual = {{ on_s = 20, off_s = 220 }}
levels.sparse = {{ on_s = 20, off_s = 460 }}
[question]
primary = "schedule"
margin_pct = 10
difference_pct = 15
"""


@dataclass(frozen=True)
class Setting:
    """A layout and its losses: chances of a block and of a whole run of each schedule."""

    name: str
    batches: int = 4
    chambers: int = 6
    block_lost: float = 0.05
    run_lost: tuple[float, float] = (0.0, 0.0)  # usual, sparse
    no_log: float = 0.0
    ratio: float = 1.0  # kilograms of sparse over those of usual, from runs that were not lost


SETTINGS = (
    Setting("no run lost, 4 × 4", chambers=4),
    Setting("a fifth of blocks lost", block_lost=0.2),
    Setting("two batches, a tenth of blocks lost", batches=2, block_lost=0.1, ratio=0.9),
    Setting("a quarter of runs lost", run_lost=(0.25, 0.25)),
    Setting("a quarter of runs lost, 6 batches", batches=6, run_lost=(0.25, 0.25)),
    Setting("a tenth and a quarter of runs lost", run_lost=(0.1, 0.25)),
    Setting("logs of a sixth of runs missing", run_lost=(0.05, 0.05), no_log=0.15, ratio=1.1),
)


def make_trial(setting: Setting, folder: Path) -> Trial:
    """Write the trial file of a setting and read it."""
    text = FILE.format(batches=setting.batches, chambers=setting.chambers)
    (folder / "trial.toml").write_text(text, encoding="utf-8")
    return tk.read_trial(folder)


def plans(trial: Trial, count: int) -> list[pd.DataFrame]:
    """Draw some plans, one row per chamber run."""
    keys = ["batch", "chamber"]
    tables = [tk.assign(trial, seed=seed).table for seed in range(count)]
    return [t.groupby(keys, sort=False)["schedule"].first().reset_index() for t in tables]


def draw(setting: Setting, plan: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Draw kilograms and litres of every run: batches 15 %, chambers 5 %, runs 8 %, blocks 15 %."""
    runs, n = plan.copy(), len(plan)
    sparse = (runs["schedule"] == "sparse").to_numpy()
    batch, chamber = (runs[name].factorize()[0] for name in ("batch", "chamber"))
    shared = np.exp(rng.normal(0, 0.15, setting.batches)[batch] - 0.15**2 / 2)
    shared *= 1 + rng.normal(0, 0.05, setting.chambers)[chamber]
    mean = KG * np.where(sparse, setting.ratio, 1.0) * shared * (1 + rng.normal(0, 0.08, n))
    kept = rng.binomial(BLOCKS, 1 - setting.block_lost, n) / BLOCKS
    kg = mean * kept * (1 + rng.normal(0, 0.15 / np.sqrt(BLOCKS), n))
    gone = rng.random(n) < np.where(sparse, setting.run_lost[1], setting.run_lost[0])
    water = WATER_L * np.where(sparse, 0.5, 1.0) * (1 + rng.normal(0, 0.05, n))
    known = rng.random(n) >= setting.no_log
    runs["kg_all"] = np.where(gone, 0.0, kg)
    runs["water_l"] = np.where(known, water, np.nan)
    return runs


def truths(setting: Setting) -> tuple[float, float]:
    """Give the true saving [%] and the true gain per chamber run."""
    kept = [(1 - setting.block_lost) * (1 - lost) for lost in setting.run_lost]
    kg = [KG * kept[0], KG * kept[1] * setting.ratio]
    saving = 100 * (1 - 0.5 * kg[0] / kg[1])
    return saving, PRICE_KG * (kg[1] - kg[0]) + PRICE_L * WATER_L / 2


def run_setting(setting: Setting, trials: int, seed: int) -> dict[str, object]:
    """Give one line of the table."""
    rng = np.random.default_rng(seed)
    saving, gain = truths(setting)
    limits: dict[str, list[tuple[float, float]]] = {"saving": [], "gain": []}
    with tempfile.TemporaryDirectory() as folder:
        trial = make_trial(setting, Path(folder))
    drawn = plans(trial, 40)
    for i in range(trials):
        runs = draw(setting, drawn[i % len(drawn)], rng)
        row = ratio_of_totals(trial, runs, "water_l", "kg_all").set_index("level").loc["sparse"]
        limits["saving"].append((100 * (1 - row["change_high"]), 100 * (1 - row["change_low"])))
        worth = runs.assign(value=PRICE_KG * runs["kg_all"] - PRICE_L * runs["water_l"])
        fit = fit_by_run(trial, worth, "value")
        got = fit.differences("schedule", against="usual", adjust="none").iloc[0]
        limits["gain"].append((float(got["low"]), float(got["high"])))
    out: dict[str, object] = {"setting": setting.name, "trials": trials}
    for name, truth in (("saving", saving), ("gain", gain)):
        low, high = np.array(limits[name]).T
        held = (low <= truth) & (truth <= high)
        out |= {
            f"{name}_held_pct": round(100 * float(held.mean()), 1),
            f"{name}_above_pct": round(100 * float((low > truth).mean()), 1),
            f"{name}_below_pct": round(100 * float((high < truth).mean()), 1),
        }
    out["saving_beyond_100_pct"] = int((np.array(limits["saving"])[:, 1] > 100).sum())
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=1000)
    parser.add_argument("--rows", default="", help="settings whose name holds this text")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--out", type=Path, default=None)
    parser.add_argument("--part", default="0/1", help="which share of the rows, such as 0/2")
    options = parser.parse_args()
    part, parts = map(int, options.part.split("/"))
    made = []
    chosen = [(i, s) for i, s in enumerate(SETTINGS) if options.rows in s.name]
    for i, setting in chosen[part::parts]:  # every setting has draws of its own
        made.append(run_setting(setting, options.trials, options.seed + 1000 * i))
        print(", ".join(f"{k} {v}" for k, v in made[-1].items()), flush=True)
        if options.out is not None:
            pd.DataFrame(made).to_csv(options.out, index=False)


if __name__ == "__main__":
    main()
