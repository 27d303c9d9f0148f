"""What covariates and further blocks bring to the power, and what they cost."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from trialkit.design.strata.comparisons import Comparison
from trialkit.design.strata.covariate_cost import df_taken
from trialkit.design.variation import Variation
from trialkit.trial import Trial
from trialkit.trial.covariates import NOT_KNOWN
from trialkit.wording import Message, Units, message

if TYPE_CHECKING:
    import pandas as pd


def with_covariates(trial: Trial, variation: Variation) -> tuple[Variation, tuple[Message, ...]]:
    """Take out of the variation what covariates are expected to explain, and say so.

    Parameters
    ----------
    trial : Trial
    variation : Variation
        Of units as they are, before anything is explained.

    Returns
    -------
    variation : Variation
        The variance between the units of a covariate times what it leaves.
    notes : tuple of Message
    """
    squares, notes = dict(variation.squares), []
    given = [factor.applied_to for factor in trial.factors.values()]
    for c in trial.covariates.values():
        words = {"name": c.label, "units": Units(c.by)}
        key = ":".join(c.by)
        if c.held_by_layout(given):
            notes.append(message("power_covariate.held", **words))
        elif variation.kind == "pilot":
            notes.append(message("power_covariate.pilot", name=c.label))
        elif c.explains_pct is None:
            notes.append(message("power_covariate.not_counted", name=c.label, key=c.name))
        else:
            left = 1 - c.explains_pct / 100
            low, middle, high = squares[key]
            squares[key] = (low * left, middle * left, high * left)
            notes.append(message("power_covariate.counted", share=c.explains_pct, **words))
    return replace(variation, squares=squares), tuple(notes)


def covariates_cost(trial: Trial, c: Comparison) -> Comparison:
    """Take the degrees of freedom that covariates cost from the error of a comparison."""
    cost = sum(df for _, df in df_taken(trial, c.stratum))
    if not cost:
        return c
    left = max(0, c.error_df - cost)
    return replace(c, error_df=left, spare_df={**c.spare_df, c.stratum: left})


def with_known_values(trial: Trial, table: pd.DataFrame) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Give the plan's table with the covariates known beforehand that belong into the model.

    Returns
    -------
    table : DataFrame
        Numbers about their mean, so that 0 stands for it; a missing one is the mean, a missing
        name a level of its own, as in the analysis.
    names : tuple of str
        Their columns.
    """
    given = [factor.applied_to for factor in trial.factors.values()]
    out, names = table.copy(), []
    for c in trial.covariates.values():
        if not c.values or c.held_by_layout(given):
            continue
        values = out[list(c.by)].astype(str).agg(":".join, axis=1).map(c.values)
        if values.nunique() < 2:
            continue
        if c.use == "block":
            out[c.name] = values.astype(object).where(values.notna(), NOT_KNOWN).astype(str)
        else:
            numbers = values.astype(float)
            out[c.name] = (numbers - numbers.mean()).fillna(0.0)
        names.append(c.name)
    return out, tuple(names)
