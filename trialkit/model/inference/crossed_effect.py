"""Whether a treatment that acts differently from batch to batch can be told from its units.

A random term batch × treatment makes limits speak of batches to come. Tested against that term
alone a treatment has few degrees of freedom, so the term stays only where it is large beside the
error between units: where the ratio ``F`` of its mean square to theirs is beyond the `LEFT_OUT`
quantile of the F distribution, or beyond its median where the term has fewer than `FEW` degrees of
freedom. Chambers that lie across the batches take part of the term's mean square (a third of it,
in small layouts), so that less is seen of it. Where batches differ by as much as runs do, limits
then covered the lasting effect in 94.9 % of drawn trials of 6 chambers in 4 batches (for a stated
95; ``benchmarks/spread_and_batches.py``); with fewer than `LEAST_DF` degrees of freedom no quantile
is of use. It costs power [2]_, and ``benchmarks/crossed_effect_level.py`` works out that no rule
which errs as seldom could cost much less.

References
----------
.. [1] Paull AE (1950). On a preliminary test for pooling mean squares in the analysis of
   variance. Ann Math Stat 21:539-556. doi:10.1214/aoms/1177729750
.. [2] Bozivich H, Bancroft TA, Hartley HO (1956). Power of analysis of variance test procedures
   for certain incompletely specified models, I. Ann Math Stat 27:1017-1043.
   doi:10.1214/aoms/1177728071
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from trialkit.arrays import Floats
from trialkit.model.columns.matrices import estimable_part
from trialkit.model.columns.rank import independent
from trialkit.model.inference.question import Question
from trialkit.model.likelihood.prepare import Prepared

LEAST_DF = 3  # of the term, and of the units beside it, from which it can be told apart
LEFT_OUT = 0.60  # quantile of F below which the term is left out
LEFT_OUT_FEW, FEW = 0.50, 5  # the quantile where the term has fewer df than that


def crossed_df(
    table: pd.DataFrame, units: Sequence[str], batch: str, factor: str
) -> tuple[int, int]:
    """Give the degrees of freedom of batch × treatment, and of the units beside it.

    Parameters
    ----------
    table : DataFrame
        One row per observation.
    units : sequence of str
        Columns that name the units the treatment was given to, `batch` among them.
    batch, factor : str

    Returns
    -------
    term, error : int

    Examples
    --------
    Two batches of four chambers, each schedule in two of them:

    >>> runs = pd.DataFrame([(b, c) for b in "12" for c in "ABCD"], columns=["batch", "chamber"])
    >>> runs["schedule"] = ["usual", "sparse", "usual", "sparse", "sparse", "usual"] + [
    ...     "usual", "sparse"]
    >>> crossed_df(runs, ["batch", "chamber"], "batch", "schedule")
    (1, 1)
    """
    runs = table[[*units, factor]].astype(str).drop_duplicates()
    alone = [np.asarray(pd.get_dummies(runs[name]), dtype=float) for name in (*units, factor)]
    both = runs[batch] + "\x1f" + runs[factor]
    crossed = np.asarray(pd.get_dummies(both), dtype=float)
    base = int(np.linalg.matrix_rank(np.hstack(alone)))
    whole = int(np.linalg.matrix_rank(np.hstack([*alone, crossed])))
    return whole - base, len(runs) - whole


def can_be_told(df: tuple[int, int]) -> bool:
    """Say whether a layout can tell batch × treatment from its units."""
    return min(df) >= LEAST_DF


def least_ratio(df: tuple[int, int], at: float | None = None) -> float:
    """Give the ratio of mean squares from which the term stays.

    Parameters
    ----------
    df : tuple of int
        Of the term and of the units beside it.
    at : float, optional
        Quantile of F; that of the analysis by default.

    Examples
    --------
    The 60 % point of F with 6 and 12 degrees of freedom, and the median with 3 and 8:

    >>> round(least_ratio((6, 12)), 2), round(least_ratio((3, 8)), 2)
    (1.13, 0.86)
    """
    if at is None:
        at = LEFT_OUT_FEW if df[0] < FEW else LEFT_OUT
    return float(special.fdtri(*df, at))


def stands_clear(
    prepared: Prepared,
    variances: pd.DataFrame,
    factor: str,
    term: str,
    df: tuple[int, int],
    *,
    at: float = LEFT_OUT,
) -> NDArray[np.bool_]:
    """Say for which responses a random term batch × treatment stays.

    Parameters
    ----------
    prepared : Prepared
        The model with the term.
    variances : DataFrame
        One row per response, one column per variance.
    factor, term : str
        The treatment, and the random term.
    df : tuple of int
        From `crossed_df`.
    at : float
        Quantile of F from which the term stays.

    Returns
    -------
    ndarray of bool
    """
    design = prepared.design
    L = independent(estimable_part(design, design.hypothesis(factor))[:, design.kept])
    question = Question(prepared, L)
    if not len(L) or question.own is None or question.own.term.name != term:
        return np.zeros(len(variances), dtype=bool)
    within: Floats = np.zeros(len(variances))
    for name, share in question.own_share.items():
        if name != term:
            within = within + share * variances[name].to_numpy(dtype=float)
    own = variances[term].to_numpy(dtype=float)
    return np.asarray(own > (least_ratio(df, at) - 1) * np.maximum(within, 0.0))
