"""Whether the levels of a treatment spread differently: between units, and within them.

The tests are those of `trialkit.model.inference.spread_tests`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trialkit.arrays import Floats
from trialkit.errors import Finding
from trialkit.model.columns.matrices import estimable_part
from trialkit.model.columns.rank import independent
from trialkit.model.fitted import Fitted
from trialkit.model.inference.question import Question
from trialkit.model.inference.spread_tests import ALARM, between_units, within_units
from trialkit.model.inference.unequal_spread import spread_levels
from trialkit.wording import Chance, Joined, Units, finding, message


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
    by_level : bool
        Whether the default test of the factor gives each level its own error.
    """

    factor: str
    units: str
    between: dict[str, float]
    within: dict[str, float]
    p_between: float
    p_within: float
    by_level: bool


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
    between, p_between = between_units(question, levels, fit.y[None])
    within, p_within = within_units(question, levels, fit.y[None])
    return Spreads(
        factor,
        question.own.term.name,
        _named(levels.labels, between[0]),
        _named(levels.labels, within[0]),
        float(p_between[0]),
        float(p_within[0]),
        f"spread by {levels.name}" in str(fit.joint(design.hypothesis(factor))["method"]),
    )


def _named(labels: tuple[str, ...], squares: Floats) -> dict[str, float]:
    """Give standard deviations by level; none where they cannot be told."""
    if np.isnan(squares).any():
        return {}
    return dict(zip(labels, map(float, np.sqrt(squares)), strict=True))


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
    if found.by_level:
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
