"""Whether the levels of a treatment spread differently: between units, and within them.

Two tests, fixed beforehand, each at `ALARM` so that both together err in at most 5 %:

- *between units*: the largest over the smallest mean square that the levels leave between
  their units (fixed part and blocks taken out), against its law for equal spreads and normal
  errors, drawn with a fixed seed;
- *within units*: the logarithm of each unit's own mean square within, compared between levels by
  the analysis of variance (Bartlett & Kendall 1946). One value a unit, so that shelves, blocks
  and flushes within a unit need not be alike, and heavy tails do little harm.

References
----------
.. [1] Bartlett MS, Kendall DG (1946). The statistical analysis of variance-heterogeneity and the
   logarithmic transformation. Suppl J R Stat Soc 8:128-138. doi:10.2307/2983618
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import stats

from trialkit.arrays import Floats
from trialkit.errors import Finding
from trialkit.model.columns.matrices import estimable_part
from trialkit.model.columns.rank import independent
from trialkit.model.columns.terms import indicator
from trialkit.model.fitted import Fitted
from trialkit.model.inference.question import Question
from trialkit.model.inference.unequal_spread import (
    LEAST_FREE,
    SpreadLevels,
    spread_levels,
    unequal_levels,
)
from trialkit.wording import Chance, Joined, Units, finding, message

ALARM = 0.025  # chance of a false alarm of each of the two tests
DRAWS, SEED = 4_000, 20_311  # of the law of the largest ratio
LEAST_WITHIN = 2.0  # df within a unit from which its own mean square counts


@dataclass(frozen=True)
class Spreads:
    """How far the levels of a factor spread, and whether chance explains it.

    Parameters
    ----------
    factor : str
    units : str
        Random term whose units received the levels.
    between, within : dict
        Level → standard deviation between its units (what lies within included), and of rows
        within them; empty where it cannot be told.
    p_between, p_within : float
        NaN where it cannot be told.
    unequal : bool
        Whether the numbers of units call for an error by level.
    """

    factor: str
    units: str
    between: dict[str, float]
    within: dict[str, float]
    p_between: float
    p_within: float
    unequal: bool


def level_spreads(fit: Fitted, factor: str) -> Spreads | None:
    """Compare the spread of a factor's levels, between its units and within them.

    Parameters
    ----------
    fit : Fitted
    factor : str

    Returns
    -------
    Spreads or None
        None where the levels are not between groups of units, or the model is too large.
    """
    if fit.data.large is not None or factor not in fit.design.levels:
        return None
    design = fit.design
    rows = independent(estimable_part(design, design.hypothesis(factor))[:, design.kept])
    if not len(rows):
        return None
    question = Question(fit.data, rows)
    levels = spread_levels(question)
    if levels is None or question.own is None or question.within_basis is None:
        return None
    between, p_between = _between(question, levels, fit.y)
    within, p_within = _within(question, levels, fit.y)
    return Spreads(
        factor,
        question.own.term.name,
        dict(zip(levels.labels, between, strict=True)) if between is not None else {},
        dict(zip(levels.labels, within, strict=True)) if within is not None else {},
        p_between,
        p_within,
        unequal_levels(question) is not None,
    )


def _between(question: Question, levels: SpreadLevels, y: Floats) -> tuple[Floats | None, float]:
    """Give standard deviations between units by level, and the p-value of equal ones."""
    rows, X, blocks = question.unit_design
    F = np.hstack([X, *(indicator(g) for g in blocks)])
    U, s, _ = np.linalg.svd(F, full_matrices=True)
    K = U[:, int((s > 1e-9 * s[0]).sum()) :]  # error contrasts
    member = np.eye(levels.count)[levels.codes]
    free = np.einsum("ij,ij->i", K, K) @ member
    if free.min() < LEAST_FREE * 2:
        return None, math.nan

    def squares(z: Floats) -> Floats:
        return np.asarray((z @ K.T) ** 2 @ member / free)

    drawn = squares(np.random.default_rng(SEED).standard_normal((DRAWS, K.shape[1])))
    found = squares((rows @ y) @ K)
    law = drawn.max(axis=1) / drawn.min(axis=1)
    ratio = found.max() / max(float(found.min()), 1e-300)
    return np.sqrt(found), float((1 + (law >= ratio).sum()) / (1 + DRAWS))


def _within(question: Question, levels: SpreadLevels, y: Floats) -> tuple[Floats | None, float]:
    """Give standard deviations within units by level, and the p-value of equal ones."""
    own, basis = question.own, question.within_basis
    assert own is not None
    assert basis is not None
    left = y - basis @ (basis.T @ y)
    free = np.bincount(own.codes, weights=1 - np.einsum("ij,ij->i", basis, basis))
    squares = np.bincount(own.codes, weights=left**2)
    known = (free >= LEAST_WITHIN) & (squares > 0)
    counts = np.bincount(levels.codes[known], minlength=levels.count)
    if counts.min() < 2:
        return None, math.nan
    groups = [known & (levels.codes == j) for j in range(levels.count)]
    logs = [np.log(squares[g] / free[g]) for g in groups]
    sd = np.array([math.sqrt(squares[g].sum() / free[g].sum()) for g in groups])
    return sd, float(stats.f_oneway(*logs).pvalue)


def spread_findings(fit: Fitted, factor: str) -> list[Finding]:
    """Say whether the levels of a factor spread differently, and what that does to the answer.

    Parameters
    ----------
    fit : Fitted
    factor : str

    Returns
    -------
    list of Finding
        One caution where either test of `level_spreads` is below its limit; else none.
    """
    found = level_spreads(fit, factor)
    if found is None:
        return []
    told = []
    units = Units(tuple(found.units.split(":")))
    for sd, p, key in (
        (found.between, found.p_between, "spread_words.between"),
        (found.within, found.p_within, "spread_words.within"),
    ):
        if p < ALARM:
            low, high = min(sd, key=sd.__getitem__), max(sd, key=sd.__getitem__)
            values = {"low": low, "high": high, "ratio": sd[high] / sd[low], "p": Chance(p)}
            told.append(message(key, units=units, **values))
    if not told:
        return []
    if found.unequal:
        form = "told_apart"
    elif len(fit.design.levels[factor]) == 2:
        form = "pair"
    else:
        form = "several"
    return [
        finding(
            "levels_spread_differently",
            "caution",
            form=form,
            factor=factor,
            told=Joined(tuple(told), "; "),
        )
    ]
