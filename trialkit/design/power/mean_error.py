"""What a mean adds to a comparison of ratios: the error of the strata above it."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from trialkit.arrays import Floats
from trialkit.design.strata.comparisons import Comparison, Solved


def common_row(c: Comparison) -> Floats:
    """Give the row of the grand mean, each combination weighted by its units."""
    held = c.mean_info.sum(axis=1)
    return np.asarray(held / held.sum())


def split_variance(c: Comparison, at: Solved, row: Floats, mean: float) -> tuple[float, float]:
    """Split the variance of a comparison into the strata's part and the grand mean's."""
    n = c.sizes[c.finest]
    inverse = np.linalg.pinv(at.total + c.mean_info / (n * mean), rcond=1e-10)
    half = row @ inverse
    within = float(half @ at.total @ half)
    return within, float(half @ (c.mean_info / (n * mean)) @ half)


def joint_df(within: float, above: float, df: float, c: Comparison) -> float:
    """Give Satterthwaite's df of the two parts; the upper strata count with their fewest."""
    uppers = [d for s, d in c.spare_df.items() if set(s) < set(c.stratum) and d > 0]
    own = min(uppers) if uppers else df
    if not any(set(s) < set(c.stratum) for s in c.sizes):
        return df  # one stratum in all: both parts share its error
    return (within + above) ** 2 / (within**2 / df + above**2 / own)


def mean_df(c: Comparison, phi: Mapping[str, float], lost: Mapping[str, float]) -> float:
    """Give Satterthwaite's df of what strata above the comparison's put into a mean; 0 for none."""
    weights = c.mean_weights(lost)
    total = squares = 0.0
    for stratum, free in c.structural_df().items():
        if set(c.stratum) <= set(stratum):
            continue
        alike = [":".join(s) for s, distinct in c.stands_for.items() if distinct == stratum]
        part = sum(weights[name] * max(phi[name], 0.0) for name in alike)
        total, squares = total + part, squares + part**2 / max(free, 1)
    return total**2 / squares if squares > 0 else 0.0
