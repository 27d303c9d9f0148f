"""Count how often the region that may hold the best setting does hold it.

Trials are drawn from a known surface with batches, chambers and runs that vary, on plans that
`find_points` made; each is fitted, and the region judged on a grid that holds the true best
setting. Printed are, in per cent: regions that hold the true best (95 % stated), trials in which
the settings are shown to matter (5 % stated where the truth is flat: a best setting is invented),
and how much of the grid the region takes.

    python benchmarks/best_region.py --trials 500 --out benchmarks/best_region.csv
"""

from __future__ import annotations

import argparse
import itertools
import time
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.design.points.search import find_points
from trialkit.settings.setting_range import SettingRange
from trialkit.surface.best_region import best_region
from trialkit.surface.fit_surface import fit_surface

MEAN_G = 500.0
SD = {"batch": 0.10, "chamber": 0.05, "run": 0.06, "shelf": 0.05}


@dataclass(frozen=True)
class Design:
    """Units of a trial and what each setting is given to."""

    name: str
    batches: int
    chambers: int
    shelves: int = 1
    settings: int = 1
    on_shelves: bool = False


DESIGNS = [
    Design("6 chambers × 4 batches, one setting", 4, 6),
    Design("4 chambers × 3 batches, one setting", 3, 4),
    Design("6 chambers × 4 batches, two settings", 4, 6, settings=2),
    Design("6 × 4, mist on runs, light on 2 shelves", 4, 6, 2, settings=2, on_shelves=True),
]
#: Coded place of the best setting, and loss at one coded step from it as a share of the yield.
TRUTHS = {
    "inside": ((0.2, -0.3), 0.20),
    "inside, gentle": ((0.2, -0.3), 0.08),
    "at an end": ((1.0, -0.3), 0.20),
    "beyond the range": ((2.0, -0.3), 0.08),
    "flat": ((0.0, 0.0), 0.0),
}


def units_of(here: Design) -> pd.DataFrame:
    """Give one row per smallest unit."""
    rows = itertools.product(range(here.batches), range(here.chambers), range(here.shelves))
    table = pd.DataFrame(rows, columns=["batch", "chamber", "shelf"])
    table["run"] = table["batch"] * here.chambers + table["chamber"]
    return table


def plan_of(here: Design, settings: list[SettingRange]) -> tuple[pd.DataFrame, np.ndarray]:
    """Find the points of the plan."""
    table = units_of(here)
    run, own = table["run"].to_numpy(), np.arange(len(table))
    given = [run, own if here.on_shelves else run][: here.settings]
    parts = {name: table[name].to_numpy() for name in ("batch", "chamber")}
    variances = {name: SD[name] ** 2 for name in parts}
    rest = SD["run"] ** 2
    if here.shelves > 1:
        parts["run"], variances["run"], rest = run, rest, SD["shelf"] ** 2
    found = find_points(settings, given, parts, [(variances, rest)], starts=4)
    for i, setting in enumerate(settings):
        table[setting.name] = found.values[:, i]
    return table, found.coded


def draw(here: Design, table: pd.DataFrame, mean: np.ndarray, rng: np.random.Generator):
    """Draw the weights of one trial."""
    y = mean.copy()
    for name in ("batch", "chamber", "run"):
        codes = table[name].to_numpy()
        y = y + MEAN_G * SD[name] * rng.standard_normal(codes.max() + 1)[codes]
    if here.shelves > 1:
        y = y + MEAN_G * SD["shelf"] * rng.standard_normal(len(table))
    return table.assign(fresh_g=y, **{n: table[n].astype(str) for n in ("batch", "chamber", "run")})


def run_row(here: Design, truth: str, trials: int, seed: int) -> dict[str, object]:
    """Give one line of the table."""
    began = time.process_time()
    settings = [SettingRange(n, -1, 1, 0.5) for n in ("mist", "light")][: here.settings]
    table, coded = plan_of(here, settings)
    (place, loss) = TRUTHS[truth]
    at = np.array(place[: here.settings])

    def surface_at(x: np.ndarray) -> np.ndarray:
        return MEAN_G * (1 - loss * ((x - at) ** 2).sum(axis=1))

    best = np.clip(at, -1, 1)
    lines = [np.unique(np.append(np.linspace(-1, 1, 17), v)) for v in best]
    grid = np.array(list(itertools.product(*lines)))
    home = int((np.abs(grid - best).sum(axis=1) < 1e-9).argmax())
    random = ["batch", "chamber"] + (["run"] if here.shelves > 1 else [])
    rng = np.random.default_rng(seed)
    kept = []
    for _ in range(trials):
        data = draw(here, table, surface_at(coded), rng)
        surface = fit_surface(data, settings, response="fresh_g", random=random)
        region = best_region(surface, grid)
        kept.append((region.within[home], region.seen, region.within.mean()))
    held, seen, size = np.array(kept, dtype=float).T
    return {
        "design": here.name, "truth": truth, "trials": trials,
        "held_pct": round(100 * held.mean(), 1), "seen_pct": round(100 * seen.mean(), 1),
        "region_pct": round(100 * size.mean(), 1),
        "cpu_s": round(time.process_time() - began, 1),
    }  # fmt: skip


def main() -> None:
    """Run the rows asked for and print them."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rows", default="")
    parser.add_argument("--out")
    args = parser.parse_args()
    rows = []
    for here in DESIGNS:
        for truth in TRUTHS:
            if args.rows in f"{here.name}, {truth}":
                rows.append(run_row(here, truth, args.trials, args.seed))
                print(", ".join(f"{k} {v}" for k, v in rows[-1].items()), flush=True)
    if args.out:
        pd.DataFrame(rows).to_csv(args.out, index=False)


if __name__ == "__main__":
    main()
