"""Fits per second of many responses on one design, each with the primary factor's test.

python benchmarks/batch_speed.py
"""

from __future__ import annotations

import argparse
import time

import numpy as np
from fit_speed import one_fit, reference_trial

from trialkit.model.batch import refit_batch, simulate


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=4000)
    options = parser.parse_args()
    made = one_fit(reference_trial())
    drawn = simulate(made, options.count, seed=1)
    refit_batch(made, drawn[:200]).tests("mist")
    for df in ("kenward-roger", "default"):
        began = time.perf_counter()
        batch = refit_batch(made, drawn)
        fitted = time.perf_counter()
        tests = batch.tests("mist", df=df)
        done = time.perf_counter()
        print(
            f"{df:14} {options.count / (fitted - began):7.0f} fits a second alone, "
            f"{options.count / (done - began):7.0f} with the test; settled "
            f"{100 * batch.summary['settled']:.1f} %, {batch.summary['steps']:.1f} steps, "
            f"power {np.mean(tests.p < 0.05):.2f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
