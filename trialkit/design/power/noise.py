"""The errors of simulated trials: those of every stratum, and what a treatment does by batch."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from trialkit.arrays import Floats
from trialkit.design.power.simulation_job import Job
from trialkit.design.strata.comparisons import Comparison
from trialkit.design.variation import Variation
from trialkit.structure import Term


def stratum_sd(
    phi: Mapping[str, float], c: Comparison, stratum: Term, n: int
) -> tuple[float, float]:
    """Give the standard deviations of a stratum's contrasts and of its own effects."""
    contrast = sum(w * phi[name] for name, w in c.contrast_weights(stratum, n).items())
    own = sum(phi[":".join(s)] for s, distinct in c.stands_for.items() if distinct == stratum)
    return float(np.sqrt(contrast)), float(np.sqrt(own))


def take_by_batch(phi: dict[str, float], c: Comparison, variation: Variation, name: str) -> float:
    """Take what a treatment does by batch out of its stratum; give its standard deviation."""
    stratum = ":".join(c.stratum)
    variance, times = variation.by_batch.get(stratum, (0.0, 0.0))
    if c.name != name or not variance > 0:
        return 0.0
    variance = min(variance * phi[stratum] / variation.point(1)[stratum], phi[stratum] / times)
    phi[stratum] -= times * variance
    return float(np.sqrt(variance))


def draw_noise(job: Job, end: int, size: int, rng: np.random.Generator) -> Floats:
    """Draw errors with the strata's variances: a sum of projections of white noise."""
    n = len(job.table)
    white = rng.standard_normal((size, n))
    averages: dict[str, Floats] = {"": white.mean(axis=1, keepdims=True)}
    for stratum, unit in job.groups.items():
        units = int(unit.max()) + 1
        if units == n:
            averages[stratum] = white
            continue
        member = np.zeros((n, units))
        member[np.arange(n), unit] = units / n
        averages[stratum] = (white @ member)[:, unit]
    out = np.zeros((size, n))
    mean = 0.0  # variance of the mean: that of the grand mean's stratum
    for stratum, weights in job.coefficients.items():
        part = sum(value * averages[key] for key, value in weights.items())
        contrast, own = job.spread[end][stratum]
        out += contrast * part
        mean += own**2 / (int(job.groups[stratum].max()) + 1)
    out += np.sqrt(mean) * rng.standard_normal((size, 1))
    if job.by_batch[end] > 0:
        both = job.table["batch"].astype(str) + ":" + job.table[job.primary].astype(str)
        codes = np.unique(both, return_inverse=True)[1]
        out += job.by_batch[end] * rng.standard_normal((size, codes.max() + 1))[:, codes]
    return np.asarray(out)
