"""What a next trial was said to bring, beside what it brought: invented truths of one setting.

    python benchmarks/next_trial.py [--trials 200]

Each truth is tried at 24 chamber runs (12 % of the mean apart by chance) spread over the range, and
the belief, the picked settings and the worth of a further trial of 24 runs are worked out as the
command does. Then that trial is drawn from the truth and both are fitted together. Prints per
truth, in per cent of today's yield: what the best known setting was said to give more than today's
and what it truly gave; what the further trial was said to add and what it truly added; how often
the setting chosen after both gave less than today's; and what the plain estimate had promised.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable

import numpy as np
import pandas as pd

from trialkit.arrays import Floats
from trialkit.settings.polynomial import terms
from trialkit.settings.setting_range import SettingRange
from trialkit.surface.expected_gain import believe, gain_of_trial, information_of
from trialkit.surface.fit_surface import fit_surface
from trialkit.surface.pick_settings import pick_settings

USUAL, SD, RUNS = 0.5, 12.0, 24
GRID = np.linspace(-1, 1, 41)[:, None]
RANGE = SettingRange("duty", -1, 1, USUAL)
TRUTHS: dict[str, Callable[[Floats], Floats]] = {
    "flat": lambda x: 0 * x,
    "hill, 3 % to gain": lambda x: -12 * x**2,
    "hill, 15 % to gain": lambda x: -15 * (x + 0.5) ** 2,
    "edge, 15 % to gain": lambda x: -10 * x,
    "plateau": lambda x: -15 * np.maximum(0, x - 0.2),
    "two humps": lambda x: 6 * np.cos(6 * x),
}


def draw(truth: Callable[[Floats], Floats], x: Floats, rng: np.random.Generator) -> pd.DataFrame:
    """Draw one weight a run, in per cent of the mean."""
    return pd.DataFrame({"duty": x, "y": 100 + truth(x) + rng.normal(0, SD, len(x))})


def one(truth: Callable[[Floats], Floats], rng: np.random.Generator) -> tuple[float, ...]:
    """Try, foretell, try again; give what was said and what was so."""
    first = draw(truth, np.repeat([-1.0, 0.0, USUAL, 1.0], RUNS // 4), rng)
    surface = fit_surface(first, [RANGE], response="y")
    belief, gains = believe(surface), (terms(GRID) - terms([[USUAL]]))[:, 1:]
    picked = pick_settings(
        belief, GRID, np.array([USUAL]), RUNS, variance=SD**2, over=GRID, usual_units=2
    )
    second = np.append(GRID[picked, 0], [USUAL] * 2)
    said = gain_of_trial(
        belief, information_of(second[:, None], np.eye(RUNS) / SD**2), gains, seed=1
    )
    known = int((gains @ belief.mean).argmax())
    plain = float((gains @ surface.estimate[1:]).max())
    both = pd.concat(
        [first.assign(trial="a"), draw(truth, second, rng).assign(trial="b")], ignore_index=True
    )
    after = believe(fit_surface(both, [RANGE], response="y", others=["trial"]))
    chosen = int((gains @ after.mean).argmax())
    true = truth(GRID[:, 0]) - truth(np.array(USUAL))
    return (
        said.known,
        float(true[known]),
        said.expected,
        float(true[chosen] - true[known]),
        float(true[chosen] < -1e-9),
        plain,
    )


def main() -> None:
    """Print one row a truth."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=200)
    trials = parser.parse_args().trials
    print("truth,said_known,true_known,said_added,true_added,worse_than_today_pct,plain_promise")
    for at, (name, truth) in enumerate(TRUTHS.items()):
        rng = np.random.default_rng(at)
        mean = np.mean([one(truth, rng) for _ in range(trials)], axis=0)
        values = [*mean[:4], 100 * mean[4], mean[5]]
        print(f"{name},{','.join(f'{v:.1f}' for v in values)}".replace("-0.0", "0.0"), flush=True)


if __name__ == "__main__":
    main()
