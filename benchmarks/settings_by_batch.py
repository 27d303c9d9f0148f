"""Count what a trial of ranges claims where a setting acts differently from batch to batch.

Trials are drawn on plans that `find_points` made, with a slope of each setting that differs from
batch to batch. Printed are, in per cent: how often 95 % limits of contrasts hold, for the mean of
the batches tried and for batches to come (the lowest and the highest among the contrasts: today's
setting against an end and against the best, and each slope), and how often the report tells that a
setting acted differently.

    python benchmarks/settings_by_batch.py --trials 300 --out benchmarks/settings_by_batch.csv
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import pandas as pd
from best_region import DESIGNS, MEAN_G, Design, draw, plan_of

from trialkit.decision.range_doubts import batch_doubts
from trialkit.settings.polynomial import terms
from trialkit.settings.setting_range import SettingRange
from trialkit.surface.between_batches import slopes_between_batches
from trialkit.surface.fit_surface import fit_surface

#: Coded place of the best setting, today's, and the loss at one coded step from the best.
BEST, TODAY, LOSS = np.array([0.2, -0.3]), 0.5, 0.08
#: Standard deviation of slopes between batches, as a share of the yield per coded step.
SPREADS = (0.0, 0.04, 0.08)


def run_row(here: Design, spread: float, trials: int, seed: int) -> dict[str, object]:
    """Give one line of the table."""
    began, count = time.process_time(), here.settings
    settings = [SettingRange(n, -1, 1, TODAY) for n in ("mist", "light")][:count]
    table, coded = plan_of(here, settings)
    best, today, end = BEST[:count][None], np.full((1, count), TODAY), np.full((1, count), -1.0)
    slopes = np.eye(terms(today).shape[1])[1 : 1 + count]
    L = np.vstack([terms(end) - terms(today), terms(best) - terms(today), slopes])
    moved = np.vstack([end - today, best - today, np.eye(count)])

    def height(x: np.ndarray) -> np.ndarray:
        return np.asarray(MEAN_G * (1 - LOSS * ((x - best) ** 2).sum(axis=1)))

    lasting = np.concatenate(
        [height(end) - height(today), height(best) - height(today), 2 * MEAN_G * LOSS * best[0]]
    )
    random = ["batch", "chamber"] + (["run"] if here.shelves > 1 else [])
    rng = np.random.default_rng(seed)
    tried, to_come, told = [], [], []
    for _ in range(trials):
        data = draw(here, table, height(coded), rng)
        own = MEAN_G * spread * rng.standard_normal((here.batches, count))
        data["fresh_g"] += (own[table["batch"]] * coded).sum(axis=1)
        surface = fit_surface(data, settings, response="fresh_g", random=random)
        limits = surface.contrasts(L)[0]
        low, high = limits["low"].to_numpy(), limits["high"].to_numpy()
        here_too = lasting + moved @ own.mean(axis=0)
        tried.append((low <= here_too) & (here_too <= high))
        to_come.append((low <= lasting) & (lasting <= high))
        told.append(bool(batch_doubts(slopes_between_batches(surface, "batch"))))
    held = {"tried": 100 * np.mean(tried, axis=0), "to_come": 100 * np.mean(to_come, axis=0)}
    return {
        "design": here.name, "spread_pct": 100 * spread, "trials": trials,
        **{f"{name}_{end}_pct": round(float(getattr(share, end)()), 1)
           for name, share in held.items() for end in ("min", "max")},
        "told_pct": round(100 * float(np.mean(told)), 1),
        "cpu_s": round(time.process_time() - began, 1),
    }  # fmt: skip


def main() -> None:
    """Run the rows and print them."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out")
    args = parser.parse_args()
    rows = []
    for here in DESIGNS:
        for spread in SPREADS:
            rows.append(run_row(here, spread, args.trials, args.seed))
            print(", ".join(f"{k} {v}" for k, v in rows[-1].items()), flush=True)
    if args.out:
        pd.DataFrame(rows).to_csv(args.out, index=False)


if __name__ == "__main__":
    main()
