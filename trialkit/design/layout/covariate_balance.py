"""Let chance choose among plans, and keep the one in which known covariates differ least.

Several assignments are drawn as ever, and the first of those that spread the covariates most evenly
over the levels is taken [1]_. Every level is as likely at every unit as before, since the rule
knows no names of levels, and the randomisation test draws in the same way.

References
----------
.. [1] Morgan KL, Rubin DB (2012). Rerandomization to improve covariate balance in experiments.
   Ann Stat 40:1263-1282 (cited from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from trialkit.arrays import Floats, Ints
from trialkit.trial import Trial
from trialkit.wording import Message, message

DRAWS = 12  #: assignments drawn where covariates are known


def most_even(trial: Trial, draw: Callable[[], dict[str, Ints]]) -> dict[str, Ints]:
    """Draw assignments and take the one in which known covariates differ least between levels.

    Parameters
    ----------
    trial : Trial
    draw : callable
        Draws one: treatment → level number at each unit of its stratum, in plan order.

    Returns
    -------
    dict
        The first draw where no covariate is known before the plan.
    """
    if not any(c.values for c in trial.covariates.values()):
        return draw()
    columns = {name: known_columns(trial, name) for name in trial.factors}
    if not any(matrix.shape[1] for matrix in columns.values()):
        return draw()
    drawn = [draw() for _ in range(DRAWS)]
    return min(drawn, key=lambda levels: round(unevenness(levels, columns), 9))


def covariate_lines(trial: Trial) -> list[Message]:
    """Say of each covariate whether the plan looked at it, and how far that goes.

    Parameters
    ----------
    trial : Trial
    """
    terms = {name: set(factor.applied_to) for name, factor in trial.factors.items()}
    lines = []
    for name, c in trial.covariates.items():
        spread = [factor for factor, term in terms.items() if c.values and set(c.by) <= term]
        key = "spread" if spread else "not_spread"
        lines.append(message(f"plan_covariate.{key}", name=name, factors=spread, draws=DRAWS))
    return lines


def known_columns(trial: Trial, factor: str) -> Floats:
    """Give what is known of a treatment's units: one standardised column per number or name."""
    term = trial.factors[factor].applied_to
    units = trial.strata_units(":".join(term))
    columns = []
    for c in trial.covariates.values():
        if not c.values or not set(c.by) <= set(term):
            continue
        values = units[list(c.by)].astype(str).agg(":".join, axis=1).map(c.values)
        if c.use == "block":
            names = sorted({str(v) for v in values.dropna()})
            parts = [np.asarray(values.astype(str) == name, dtype=float) for name in names]
        else:
            numbers = values.astype(float)
            parts = [np.asarray(numbers.fillna(numbers.mean()).fillna(0.0), dtype=float)]
        columns += [(x - x.mean()) / x.std() for x in parts if x.std() > 0]
    return np.column_stack(columns) if columns else np.zeros((len(units), 0))


def unevenness(levels: Mapping[str, Ints], columns: Mapping[str, Floats]) -> float:
    """Give the sum of squares of the covariates between levels, over all treatments.

    Examples
    --------
    Two units of two: alike, and as different as can be:

    >>> column = {"schedule": np.array([[1.0], [1.0], [-1.0], [-1.0]])}
    >>> unevenness({"schedule": np.array([0, 1, 0, 1])}, column)
    0.0
    >>> unevenness({"schedule": np.array([0, 0, 1, 1])}, column)
    4.0
    """
    total = 0.0
    for name, matrix in columns.items():
        for level in np.unique(levels[name]):
            here = matrix[levels[name] == level]
            total += float((here.sum(axis=0) ** 2).sum() / len(here))
    return total
