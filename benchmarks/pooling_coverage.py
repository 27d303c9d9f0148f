"""Coverage of pooled limits and of limits for the next trial, for two to 30 trials.

    python benchmarks/pooling_coverage.py [--trials 2000]

Log ratios are drawn with a variance between trials of 0, a quarter, one and four times the
usual squared standard error (0.04 on the logarithm), trials alike or with standard errors
from a half to twice that, each squared standard error itself estimated with few degrees of
freedom. Prints one row a setting: coverage of the mean and of the next trial's true value.
"""

from __future__ import annotations

import argparse

import numpy as np

from trialkit.decision.next_trial_limits import next_trial_limits
from trialkit.decision.pooling import combine_estimates

SE = 0.04
SETTINGS = [
    (k, ratio, unequal, df)
    for k in (2, 3, 4, 6, 10, 30)
    for ratio in (0.0, 0.25, 1.0, 4.0)
    for unequal, df in ((False, 20), (True, 6))
]


def coverage(
    k: int, ratio: float, unequal: bool, df: int, draws: int, seed: int
) -> tuple[float, float, float]:
    """Give the shares that cover the mean and the next trial, and the median half width."""
    rng = np.random.default_rng(seed)
    sizes = SE * (np.geomspace(0.5, 2, k) if unequal else np.ones(k))
    between = ratio * SE**2
    mean = next_one = 0
    widths = []
    for _ in range(draws):
        truth = rng.normal(0, np.sqrt(between), k + 1)
        y = truth[:k] + sizes * rng.normal(size=k)
        v = sizes**2 * rng.chisquare(df, k) / df
        got = combine_estimates(y, v)
        mean += got.low <= 0 <= got.high
        low, high = next_trial_limits(y, v)
        next_one += min(low, got.low) <= truth[k] <= max(high, got.high)
        widths.append((got.high - got.low) / 2)
    return mean / draws, next_one / draws, float(np.median(widths))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=2000)
    draws = parser.parse_args().trials
    print("trials,between_over_se2,standard_errors,df_of_each,cover_mean,cover_next,half_width")
    for at, (k, ratio, unequal, df) in enumerate(SETTINGS):
        mean, following, width = coverage(k, ratio, unequal, df, draws, seed=100 + at)
        kind = "0.5 to 2 times" if unequal else "alike"
        print(
            f"{k},{ratio:g},{kind},{df},{100 * mean:.1f},{100 * following:.1f},{width:.3f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
