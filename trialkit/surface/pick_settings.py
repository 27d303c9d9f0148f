"""Settings of a next trial, one after another: each for what it may gain and what it teaches.

References
----------
.. [1] Ginsbourger D, Le Riche R, Carraro L (2010). Kriging is well-suited to parallelize
   optimization. In: Computational Intelligence in Expensive Optimization Problems, 131-162.
   Springer. doi:10.1007/978-3-642-10701-6_6 (choosing several before any answer is in)
"""

from __future__ import annotations

import numpy as np
from scipy import linalg

from trialkit.arrays import Floats, Ints
from trialkit.settings.polynomial import terms
from trialkit.surface.expected_gain import Belief, expected_improvement

#: Times the variance of a unit: what is thought of the level of the next trial.
_UNKNOWN = 1e4


def pick_settings(
    belief: Belief,
    candidates: Floats,
    usual: Floats,
    count: int,
    *,
    variance: float,
    over: Floats,
    usual_units: int = 1,
    price: float = 1.0,
    dearer: Floats | float = 0.0,
) -> Ints:
    """Choose the settings of a next trial.

    Parameters
    ----------
    belief : Belief
    candidates : ndarray, shape (m, settings)
        Coded settings to choose among.
    usual : ndarray, shape (settings,)
        Today's, coded.
    count : int
        Units of the next trial.
    variance : float
        Of the response of one unit about the surface.
    over : ndarray, shape (n, settings)
        Coded settings over which the mean variance of the prediction counts.
    usual_units : int
        Units that have today's setting.
    price : float
        Value of one unit of the response.
    dearer : ndarray, shape (m,), or float
        What each candidate costs more than today's.

    Returns
    -------
    ndarray of int, shape (count - usual_units,)
        Numbers of candidates, in the order of choice.

    Notes
    -----
    Each time the candidate is taken whose expected improvement over today's and whose fall in
    the mean variance of the prediction, each as a share of the largest there is, have the
    largest sum. The variance that all settings chosen so far leave counts, not answers that are
    not in yet [1]_.

    Examples
    --------
    Nothing known of one setting: both ends and the middle are taken.

    >>> nothing = Belief(np.zeros(2), np.eye(2), 20.0)
    >>> grid = np.linspace(-1, 1, 5)[:, None]
    >>> picked = pick_settings(nothing, grid, np.zeros(1), 9, variance=0.1, over=grid)
    >>> {0, 4} <= set(picked.tolist())
    True
    """
    rows, home = terms(candidates), terms(usual)[0]
    gains, wide = rows - home, terms(over) - home
    left = linalg.block_diag([[_UNKNOWN * variance]], belief.covariance)
    for _ in range(usual_units):
        left = _learn(left, home, variance)
    means = price * gains[:, 1:] @ belief.mean - dearer
    picked = []
    for _ in range(count - usual_units):
        spread = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", gains, left, gains), 0))
        gain = expected_improvement(means, price * spread, belief.df)
        seen = rows @ left
        falls = ((seen @ wide.T) ** 2).mean(axis=1) / (variance + (seen * rows).sum(axis=1))
        both = gain / max(gain.max(), 1e-300) + falls / max(falls.max(), 1e-300)
        at = int(both.argmax())
        picked.append(at)
        left = _learn(left, rows[at], variance)
    return np.array(picked, dtype=np.int64)


def _learn(covariance: Floats, row: Floats, variance: float) -> Floats:
    """Give what is left unknown once a unit with a row of terms has answered."""
    way = covariance @ row
    return np.asarray(covariance - np.outer(way, way) / (variance + row @ way))
