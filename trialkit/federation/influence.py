"""What each trial does to a pooled answer, and which does not look like the others.

References
----------
.. [1] Viechtbauer W, Cheung MW-L (2010). Outlier and influence diagnostics for meta-analysis.
   Research Synthesis Methods 1:112-125. doi:10.1002/jrsm.11
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from trialkit.arrays import Floats
from trialkit.decision.pooling import Combined, combine_estimates

#: Up to so many trials the variance between trials is estimated again without each; among more,
#: one trial hardly moves it and that of all is kept.
REFIT_UP_TO = 200


@dataclass(frozen=True)
class Influence:
    """What is left without each trial. Made by `leave_one_out`.

    Parameters
    ----------
    estimate, low, high : ndarray, shape (k,)
        Mean over the other trials, with limits; NaN where fewer than two others are left.
    moves : ndarray, shape (k,)
        How far the trial moves the mean, in standard errors of the mean without it.
    t : ndarray, shape (k,)
        How far the trial lies from what the others foretell of it, in standard errors of that.
    p : ndarray, shape (k,)
        Chance that the farthest of k like trials lies so far, at most (Bonferroni).
    """

    estimate: Floats
    low: Floats
    high: Floats
    moves: Floats
    t: Floats
    p: Floats


def leave_one_out(estimates: ArrayLike, variances: ArrayLike, *, level: float = 0.95) -> Influence:
    """Pool again without each trial in turn, and compare it with the others.

    Parameters
    ----------
    estimates, variances : array, shape (k,)
    level : float

    Returns
    -------
    Influence

    Notes
    -----
    A trial is compared with the others by its distance to their mean over the root of its own
    squared standard error, the variance between the others and the squared standard error of
    their mean, against Student's t with k - 2 df [1]_.

    Examples
    --------
    The last of six trials says something else:

    >>> got = leave_one_out([0.01, 0.03, -0.02, 0.02, 0.0, 0.9], [0.001] * 6)
    >>> int(got.p.argmin()), bool(got.p[-1] < 0.01), bool(got.p[0] < 0.05)
    (5, True, False)
    """
    y, v = np.asarray(estimates, dtype=float), np.asarray(variances, dtype=float)
    k = len(y)
    if k < 3:
        nothing = np.full(k, np.nan)
        return Influence(nothing, nothing, nothing, nothing, nothing, nothing)
    whole = combine_estimates(y, v, level=level)
    if k <= REFIT_UP_TO:
        parts = [_without(i, y, v, level) for i in range(k)]
        centre, se, between = (
            np.array([getattr(part, name) for part in parts])
            for name in ("estimate", "se", "between")
        )
    else:
        centre, se = _downdate(y, v, whole.between)
        between = np.full(k, whole.between)
    half = float(special.stdtrit(k - 2, (1 + level) / 2)) * se
    t = (y - centre) / np.sqrt(v + between + se**2)
    p = np.minimum(1.0, 2 * k * special.stdtr(k - 2, -np.abs(t)))
    return Influence(
        centre, centre - half, centre + half, (whole.estimate - centre) / se, t, np.asarray(p)
    )


def _without(i: int, y: Floats, v: Floats, level: float) -> Combined:
    keep = np.arange(len(y)) != i
    return combine_estimates(y[keep], v[keep], level=level)


def _downdate(y: Floats, v: Floats, between: float) -> tuple[Floats, Floats]:
    """Take each trial out of the sums, with the variance between trials kept."""
    w = 1 / (v + between)
    total = w.sum() - w
    centre = (w @ y - w * y) / total
    squares = w @ y**2 - w * y**2 - total * centre**2
    scale = np.maximum(1.0, squares / (len(y) - 2))
    return np.asarray(centre), np.sqrt(scale / total)
