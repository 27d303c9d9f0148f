"""Tests of whether levels spread alike: between their units, and within them.

Two tests, fixed beforehand, each at `ALARM` so that both together err in at most 5 %:

- *between units*: the largest over the smallest mean square that the levels leave between
  their units (fixed part and blocks taken out), against its law for equal spreads and normal
  errors, drawn with a fixed seed;
- *within units*: the logarithm of each unit's own mean square within, compared between levels by
  the analysis of variance [1]_. One value a unit, so that shelves, blocks and flushes within a unit
  need not be alike, and heavy tails do little harm.

References
----------
.. [1] Bartlett MS, Kendall DG (1946). The statistical analysis of variance-heterogeneity and the
   logarithmic transformation. Suppl J R Stat Soc 8:128-138. doi:10.2307/2983618
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from trialkit.arrays import Floats
from trialkit.model.columns.terms import indicator
from trialkit.model.inference.question import Question
from trialkit.model.inference.tails import f_upper
from trialkit.model.inference.unequal_spread import LEAST_FREE, SpreadLevels

ALARM = 0.025  # chance of a false alarm of each of the two tests
DRAWS, SEED = 4_000, 20_311  # of the law of the largest ratio
LEAST_WITHIN = 2.0  # df within a unit from which its own mean square counts


def between_units(question: Question, levels: SpreadLevels, Y: Floats) -> tuple[Floats, Floats]:
    """Give mean squares between units by level, and the p-value of equal ones.

    Parameters
    ----------
    question : Question
    levels : SpreadLevels
    Y : ndarray, shape (R, n)

    Returns
    -------
    squares : ndarray, shape (R, levels)
    p : ndarray, shape (R,)
        Both missing where some level has no units to spare.
    """
    rows, X, blocks = question.unit_design
    F = np.hstack([X, *(indicator(g) for g in blocks)])
    U, s, _ = np.linalg.svd(F, full_matrices=True)
    K = np.ascontiguousarray(U[:, int((s > 1e-9 * s[0]).sum()) :])  # error contrasts
    free = np.einsum("ij,ij->i", K, K) @ np.eye(levels.count)[levels.codes]
    if free.min() < LEAST_FREE * 2:
        return np.full((len(Y), levels.count), np.nan), np.full(len(Y), np.nan)
    squares = _squares(Y @ rows.T @ K, K, levels.codes)
    law = _law(K.tobytes(), K.shape, levels.codes.tobytes())
    ratio = squares.max(axis=1) / np.maximum(squares.min(axis=1), 1e-300)
    above = len(law) - np.searchsorted(law, ratio, side="left")
    return squares, np.asarray((1 + above) / (1 + len(law)))


def _squares(z: Floats, K: Floats, codes: NDArray[np.intp]) -> Floats:
    """Give mean squares by level of what contrasts ``z`` leave in each unit."""
    member = np.eye(int(codes.max()) + 1)[codes]
    free = np.einsum("ij,ij->i", K, K) @ member
    return np.asarray((z @ K.T) ** 2 @ member / free)


@lru_cache(maxsize=64)
def _law(K: bytes, shape: tuple[int, int], codes: bytes) -> Floats:
    """Give the largest over the smallest mean square for equal spreads, in order."""
    contrasts = np.frombuffer(K).reshape(shape)
    z = np.random.default_rng(SEED).standard_normal((DRAWS, shape[1]))
    drawn = _squares(z, contrasts, np.frombuffer(codes, dtype=np.intp))
    return np.sort(drawn.max(axis=1) / drawn.min(axis=1))


def within_units(question: Question, levels: SpreadLevels, Y: Floats) -> tuple[Floats, Floats]:
    """Give mean squares within units by level, and the p-value of equal ones.

    Parameters
    ----------
    question : Question
    levels : SpreadLevels
    Y : ndarray, shape (R, n)

    Returns
    -------
    squares : ndarray, shape (R, levels)
    p : ndarray, shape (R,)
        Both missing where some level has fewer than two units with rows to spare.
    """
    own, basis = question.own, question.within_basis
    assert own is not None
    assert basis is not None
    left = Y - (Y @ basis) @ basis.T
    free = np.bincount(own.codes, weights=1 - np.einsum("ij,ij->i", basis, basis))
    sums = (left**2) @ np.eye(own.q)[own.codes]
    known = free >= LEAST_WITHIN
    member = np.eye(levels.count)[levels.codes[known]]
    sums, free = sums[:, known], free[known]
    counts = member.sum(axis=0)
    if not known.any() or counts.min() < 2:
        return np.full((len(Y), levels.count), np.nan), np.full(len(Y), np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.log(sums / free)  # a unit without any spread leaves no p
        means = logs @ member / counts
        rest = ((logs - means @ member.T) ** 2).sum(axis=1) / (len(free) - levels.count)
        spread = means - (logs.mean(axis=1))[:, None]
        F = (counts * spread**2).sum(axis=1) / (levels.count - 1) / rest
    squares = sums @ member / (free @ member)
    return squares, np.asarray(f_upper(F, levels.count - 1, len(free) - levels.count))


def spread_apart(question: Question, levels: SpreadLevels, Y: Floats) -> NDArray[np.bool_]:
    """Say for which responses either test finds that the levels do not spread alike."""
    found = np.zeros(len(Y), dtype=bool)
    if question.within_basis is None:
        return found
    for test in (between_units, within_units):
        found |= test(question, levels, Y)[1] < ALARM
    return found
