"""The chance of an answer where the analysis chooses its error by what it finds.

Let ``M1`` be the mean square of batch × treatment on ``d1`` degrees of freedom and ``M2`` that
of the units beside it on ``d2``. A mean over the units of a batch × treatment has variance ``V``
times what the units alone give it, and ``M1`` carries the share ``e`` of what is beyond (one in
a balanced layout; less where chambers take part of it). Over the expectation of ``M2``, ``M1``
then expects ``m = 1 + e (V - 1)``, and ``1 + (M1 / M2 - 1) / e`` finds ``V``. Where that is above
a stated quantile of F, the analysis judges a comparison by the term (by the plain values of its
units, if ``e`` is below one and the ``V`` found below one plus `OWN_CLEAR`); otherwise by both
mean squares pooled on ``d = d1 + d2`` [1]_. With ``S = M1 d1 / m + M2 d2`` and ``U`` the first
part's share of it, ``S`` is chi-square on ``d``, ``U`` is beta with ``d1 / 2`` and ``d2 / 2``,
and they are independent of each other and of the comparison. The error found, over its true
value, is ``(S / d) r(U)`` with

- ``r = (m U + 1 - U) / V`` where the term goes (one, if batches do not differ),
- ``r = d U / d1`` where it stays and the plain values are taken, or ``e`` is one,
- ``r = d (m U / (e d1) - (1 / e - 1) (1 - U) / d2) / V`` where it stays otherwise.

So, given ``U``, the answer is a t (F) on ``d`` degrees of freedom held against the critical value
for ``d``, ``d1`` or Satterthwaite's df of the error used, times ``sqrt(r)`` (``r``), and the
chance is an integral over ``U`` alone. It is exact where the layout is balanced.

References
----------
.. [1] Bozivich H, Bancroft TA, Hartley HO (1956). Power of analysis of variance test procedures
   for certain incompletely specified models, I. Ann Math Stat 27:1017-1043.
   doi:10.1214/aoms/1177728071
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import special

from trialkit.arrays import Floats
from trialkit.design.strata.error_terms import BatchTerm
from trialkit.model.inference.crossed_effect import can_be_told, least_ratio
from trialkit.model.inference.default import OWN_CLEAR

_POINTS, _WEIGHTS = np.polynomial.legendre.leggauss(16)


@dataclass(frozen=True, eq=False)
class ErrorUsed:
    """One of the errors that an answer may be judged by.

    Parameters
    ----------
    df : float
        Degrees of freedom that its critical value is taken from.
    kept : bool
        Whether it is the mean square of batch × treatment.
    ratio : array
        Error found over its true value, given one of the pooled mean square.
    weight : array
        Chance of each ratio.
    """

    df: float
    kept: bool
    ratio: Floats
    weight: Floats


def errors_used(df: float, term: BatchTerm, apart: float = 1.0) -> tuple[ErrorUsed, ...]:
    """Give the errors that an answer may be judged by, with their chances.

    Parameters
    ----------
    df : float
        Degrees of freedom of the pooled error.
    term : BatchTerm
        What the layout tells of batch × treatment.
    apart : float
        The variance of the mean over a batch × treatment, over what its units alone give it.

    Examples
    --------
    Where batches do not differ, the term stays in 40 of 100 trials:

    >>> pooled, kept = errors_used(13.0, BatchTerm((6, 7)))
    >>> round(float(pooled.weight.sum()), 3), round(float(kept.weight.sum()), 3)
    (0.6, 0.4)
    """
    if not acts(df, term):
        return (ErrorUsed(df, False, np.ones(1), np.ones(1)),)
    return _errors_used(round(df, 6), term, round(apart, 6))


def acts(df: float, term: BatchTerm) -> bool:
    """Say whether the analysis chooses between a term batch × treatment and the pooled error."""
    return can_be_told(term.df) and df > term.df[0] + 1


@lru_cache(maxsize=512)
def _errors_used(df: float, term: BatchTerm, apart: float) -> tuple[ErrorUsed, ...]:
    d1, e = float(term.df[0]), term.share
    d2 = df - d1
    m = 1 + e * (apart - 1)

    def up_to(found: float) -> float:
        """Give the chance that less than some V is found."""
        odds = (1 + e * (found - 1)) * d1 / d2 / m  # U / (1 - U)
        return float(special.betainc(d1 / 2, d2 / 2, odds / (1 + odds)))

    def between(low: float, high: float) -> tuple[Floats, Floats]:
        at = low + (high - low) * (_POINTS + 1) / 2
        return special.betaincinv(d1 / 2, d2 / 2, at), (high - low) * _WEIGHTS / 2

    stays = up_to(least_ratio(term.df))
    weighted = up_to(1 + OWN_CLEAR) if e < 1 else 1.0
    out = [ErrorUsed(df, False, np.ones(1), np.array([stays]))]
    if apart != 1.0:
        U, weight = between(0.0, stays)
        out = [ErrorUsed(df, False, (m * U + 1 - U) / apart, weight)]
    if weighted > stays:
        U, weight = between(stays, weighted)
        out.append(ErrorUsed(d1, True, df * U / d1, weight))
    if weighted < 1:
        U, weight = between(max(stays, weighted), 1.0)
        own, beside = m * U / (e * d1), (1 / e - 1) * (1 - U) / d2
        error_df = (own - beside) ** 2 / (own**2 / d1 + beside**2 / d2)
        usual = float(weight.sum() / (weight @ (1 / error_df)))
        out.append(ErrorUsed(usual, True, df * (own - beside) / apart, weight))
    return tuple(out)


def mixed(errors: tuple[ErrorUsed, ...], chance: Callable[[ErrorUsed], Floats]) -> float:
    """Average a chance, given for every ratio of an error, over all errors."""
    return float(sum(error.weight @ chance(error) for error in errors))
