"""Level and price of the rule for batch × treatment, in canonical form.

A balanced layout leaves a mean square for batch × treatment (expectation A, f df) and one for the
runs beside it (expectation B ≤ A, g df). The rule of `trialkit.model.inference.crossed_effect`
keeps the term where their ratio is above a quantile of F, and pools the two otherwise. A treatment
difference has variance A. Prints how often the 5 % test rejects a true null, at its worst over
A / B, and the power kept where there is no interaction and a plain test has 80 %.

    python benchmarks/crossed_effect_level.py --draws 200000
"""

from __future__ import annotations

import argparse

import numpy as np
from scipy import optimize, stats

from trialkit.model.inference.crossed_effect import LEFT_OUT

LAYOUTS = ((1, 4), (2, 8), (3, 6), (4, 12), (6, 12), (9, 9), (10, 20))  # df of term and runs
RATIOS = (1.0, 1.25, 1.5, 2.0, 3.0, 4.0, 6.0, 10.0, 30.0)


def rejected(
    rng: np.random.Generator, f: int, g: int, ratio: float, shift: float, draws: int
) -> float:
    """Give the share of trials in which the test of a difference rejects."""
    term = ratio * rng.chisquare(f, draws) / f
    runs = rng.chisquare(g, draws) / g
    kept = term / runs > stats.f.ppf(LEFT_OUT, f, g)
    error = np.where(kept, term, (f * term + g * runs) / (f + g))
    df = np.where(kept, f, f + g)
    z = rng.normal(size=draws) * np.sqrt(ratio) + shift
    return float((np.abs(z) / np.sqrt(error) > stats.t.ppf(0.975, df)).mean())


def main() -> None:
    """Print one line a layout."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--draws", type=int, default=200_000)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    print("df of term, runs   worst error [%] at A/B   power for 80 % without the term [%]")
    for f, g in LAYOUTS:
        rng = np.random.default_rng(args.seed)
        errors = [100 * rejected(rng, f, g, ratio, 0.0, args.draws) for ratio in RATIOS]
        worst = int(np.argmax(errors))
        point = stats.t.ppf(0.975, f + g)
        shift = optimize.brentq(lambda d, p=point, n=f + g: stats.nct.sf(p, n, d) - 0.8, 0, 10)
        power = 100 * rejected(rng, f, g, 1.0, float(shift), args.draws)
        print(f"{f:3} {g:12} {errors[worst]:16.2f} {RATIOS[worst]:12.2f} {power:16.1f}")


if __name__ == "__main__":
    main()
