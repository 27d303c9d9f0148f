"""What the plan that a trial's seed draws tells of batch × treatment.

Layouts that are equally good for the treatment may differ in it: of the layouts of two schedules
over four chambers and four batches some leave two degrees of freedom for batch × schedule, others
three, and only with these does the analysis look at it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from trialkit.arrays import Ints
from trialkit.design.layout.chance import Draws
from trialkit.design.layout.procedure import draw_plan
from trialkit.design.strata.comparisons import Comparison
from trialkit.design.strata.error_terms import BATCH, batch_term
from trialkit.errors import DesignError, PlanError
from trialkit.trial import Trial


def drawn_levels(trial: Trial) -> Ints | None:
    """Give the level number of the question's treatment at each unit that it is given to.

    Parameters
    ----------
    trial : Trial

    Returns
    -------
    ndarray or None
        In plan order, as `tk.assign` draws them with the trial's seed. None where it does not
        matter which layout is drawn, or a part of the trial is drawn apart.
    """
    given = trial.primary.applied_to
    plain = trial.over_time == "random" and not trial.never_grown and not trial.tuned
    if not plain or BATCH not in given or len(given) == 1:
        return None
    try:
        return draw_plan(trial, Draws(trial.seed))[trial.primary.name].level
    except (DesignError, PlanError):
        return None


def comparison_drawn(trial: Trial, c: Comparison) -> Comparison:
    """Let a comparison tell of batch × treatment what the plan of the trial's seed tells."""
    if c.name != trial.question.primary or not any(c.batch_term.df):
        return c
    return as_drawn(trial, c, drawn_levels(trial))


def as_drawn(
    trial: Trial, c: Comparison, levels: Ints | None, batches: int | None = None
) -> Comparison:
    """Let a comparison tell of batch × treatment what the drawn plan tells.

    Parameters
    ----------
    trial : Trial
    c : Comparison
        Of the question's treatment.
    levels : ndarray or None
        From `drawn_levels`; without them the comparison stays as it is.
    batches : int, optional
        Batches that are in; all by default.
    """
    counts, factor = dict(trial.counts), trial.primary
    count = counts[BATCH] if batches is None else batches
    if levels is None or c.name != factor.name or not any(c.batch_term.df):
        return c
    units = trial.strata_units(":".join(factor.applied_to))
    here = units[BATCH].isin(trial.levels[BATCH][:count]).to_numpy()
    told = batch_term(
        trial.structure,
        counts | {BATCH: count},
        factor.applied_to,
        np.asarray(levels)[here],
        len(factor.levels),
    )
    return replace(c, batch_term=told)
