"""The test of a ratio of means at one margin, in many simulated trials at once.

As `trialkit.model.answers.fieller.ratio_lines` has it for one trial: in the whole model where the
analysis judges difference and reference mean there, else the two joined, each by its own analysis.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from trialkit.arrays import Floats

if TYPE_CHECKING:
    from trialkit.model.batch import Batch
    from trialkit.model.inference.answer import Answer

_WHOLE = "kenward-roger"


@dataclass(frozen=True)
class RatioTests:
    """``top - ratio * bottom`` in each trial, and the reference's mean.

    Limits are finite only where the mean is clearly above zero, which a ratio far away asks of it.

    Parameters
    ----------
    estimate, se, df : ndarray, shape (R,)
    mean_t, mean_df : ndarray, shape (R,)
    """

    estimate: Floats
    se: Floats
    df: Floats
    mean_t: Floats
    mean_df: Floats


def ratio_tests(batch: Batch, apart: Floats, bottom: Floats, ratio: float) -> RatioTests:
    """Test one ratio of the first level's mean to the reference's in each trial.

    Parameters
    ----------
    batch : Batch
    apart : ndarray, shape (l, coefficients)
        Each level's mean minus the reference's; the first is the one asked about.
    bottom : ndarray, shape (coefficients,)
        The reference's mean.
    ratio : float

    Returns
    -------
    RatioTests
        Missing where no test comes of it.
    """
    kept = batch.prepared.design.kept
    base, first = bottom[None][:, kept], apart[:1][:, kept]
    gaps = batch.answers(apart[:, kept], "default", joint=False)
    means = batch.answers(base, "default", joint=False)
    wholes = batch.answers(np.vstack([first, base]), _WHOLE, joint=False)
    lines = batch.answers(first + (1 - ratio) * base, _WHOLE, joint=False)
    parts = [_tests(*four, ratio=ratio) for four in zip(gaps, means, wholes, lines, strict=True)]
    return RatioTests(*(np.concatenate(part) for part in zip(*parts, strict=True)))


def _tests(
    gap: Answer, mean: Answer, whole: Answer, line: Answer, *, ratio: float
) -> tuple[Floats, ...]:
    """Give the fields of `RatioTests`, in the whole model or of the two parts joined."""
    rest = 1 - ratio
    d, v, nu = gap.estimate[:, 0], gap.cov[:, 0, 0], gap.df[:, 0]
    m, w, nu_mean = mean.estimate[:, 0], mean.cov[:, 0, 0], mean.df[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.clip(whole.cov[:, 0, 1] / whole.cov[:, 0, 0], -1.0, 0.0)
        slope = np.where(whole.cov[:, 0, 0] > 0, slope, -0.5)
        w = np.maximum(w, slope**2 * v)
        explained = (1 + rest * slope) ** 2 * v
        beyond = rest**2 * (w - slope**2 * v)
        df = (explained + beyond) ** 2 / (explained**2 / nu + beyond**2 / nu_mean)
        with_gap, alone = slope**2 * v, w - slope**2 * v
        mean_df = w**2 / (with_gap**2 / nu + alone**2 / nu_mean)
    direct = (gap.method == _WHOLE) & (mean.method == _WHOLE)
    estimate = np.where(direct, line.estimate[:, 0], d + rest * m)
    variance = np.where(direct, line.cov[:, 0, 0], explained + beyond)
    mean_df = np.where(direct, nu_mean, mean_df)
    with np.errstate(invalid="ignore"):
        se, spread = (np.sqrt(np.where(x > 0, x, np.nan)) for x in (variance, w))
    df = np.fmin(np.where(direct, line.df[:, 0], df), nu)
    return estimate, se, df, m / spread, np.fmin(mean_df, nu)
