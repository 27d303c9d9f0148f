"""What covariates and further blocks bring to the power, and what they cost."""

from __future__ import annotations

from dataclasses import replace

from trialkit.design.strata.comparisons import Comparison
from trialkit.design.variation import Variation
from trialkit.trial import Trial
from trialkit.trial.covariates import Covariate
from trialkit.wording import Message, Units, message


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
    """Take the degrees of freedom that covariates cost from the error of a comparison.

    A covariate of larger or of the same units as the treatment was given to costs one, a further
    block one less than it has names; those of smaller units cost the comparison next to nothing.
    """
    cost = sum(_df(known) for known in trial.covariates.values() if _costs(known, trial, c))
    if not cost:
        return c
    left = max(0, c.error_df - cost)
    return replace(c, error_df=left, spare_df={**c.spare_df, c.stratum: left})


def _costs(known: Covariate, trial: Trial, c: Comparison) -> bool:
    given = [factor.applied_to for factor in trial.factors.values()]
    return set(known.by) <= set(c.stratum) and not known.held_by_layout(given)


def _df(known: Covariate) -> int:
    if known.use == "covariate":
        return 1
    return max(1, len(set(known.values.values())) - 1)
