"""What a reader of a power must know: how it was worked out, and how far it can be relied on."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from trialkit.design.power.covariates import covariates_cost
from trialkit.design.power.error_choice import acts
from trialkit.design.power.questions import Question, Wanted
from trialkit.design.strata.comparisons import Comparison, compare_in, with_counts
from trialkit.design.strata.error_terms import BATCH
from trialkit.design.variation import Variation
from trialkit.errors import DesignError, PlanError
from trialkit.trial import Trial
from trialkit.wording import Message, Units, message

if TYPE_CHECKING:
    import pandas as pd

WIDE = 0.75  #: width of a range of chances beyond which it is said to tell next to nothing


def is_exact(c: Comparison, question: Question, variation: Variation, wanted: Wanted) -> bool:
    """Say whether the closed form is exact at the variances stated.

    It is where nothing is lost, all the information lies in one stratum, no other treatment
    shares it, no error of the mean from coarser strata enters, and the analysis has but one
    error to judge by. From a pilot the variances themselves are uncertain, so that nothing is
    exact.
    """
    alone = not any(set(s) < set(c.stratum) for s in c.sizes)
    free = c.solve(variation.point(1), wanted.lost).free_df()
    return (
        variation.kind != "pilot"
        and not any(wanted.lost.values())
        and c.orthogonal
        and not c.trend
        and free < 1e-6
        and not acts(c.left_df(), c.batch_term)
        and (c.level_errors is None or question == "no worse")
        and (question != "no worse" or alone)
    )


def notes_on(c: Comparison, spread: Variation, asked: Wanted) -> list[Message]:
    """Say what a reader of the powers must know."""
    out = []
    if spread.kind == "planning range":
        out.append(message("power.planning"))
    if spread.kind == "pilot":
        out += _pilot_notes(c, spread)
    for stratum, share in asked.lost.items():
        if share:
            units = Units(tuple(stratum.split(":")))
            out.append(message("power.lost", share=100 * share, units=units))
    if not c.orthogonal:
        units = Units(c.stratum)
        share = 100 * c.efficiency
        out.append(message("power.partly", share=share, treatment=c.name, units=units))
    if asked.joint and len(c.levels[0]) > 2 and ":" not in c.name:
        out.append(message("power.joint"))
    return out


def batch_notes(trial: Trial, c: Comparison) -> list[Message]:
    """Say where the analysis may judge by batch × treatment, or would with one batch more."""
    if acts(c.left_df(), c.batch_term):
        return [message("power.batches_told", factor=c.name, few=c.batch_term.df[0], df=c.error_df)]
    if not any(c.batch_term.df):
        return []
    now = trial.counts[BATCH]
    try:
        changed = with_counts(trial, {BATCH: now + 1})
        more = covariates_cost(changed, compare_in(changed, c.name))
    except (DesignError, PlanError):
        return []
    if not acts(more.left_df(), more.batch_term):
        return []
    return [message("power.batches_next", factor=c.name, now=now, more=now + 1)]


def _pilot_notes(c: Comparison, spread: Variation) -> list[Message]:
    """Say how far a pilot can be relied on, and what it does not tell."""
    out = [message("power.pilot_range"), *spread.notes]
    if any(c.batch_term.df) and ":".join(c.stratum) not in spread.by_batch:
        units = Units(c.stratum)
        out.append(message("power.pilot_batches", factor=c.name, units=units))
    weights = c.error_weights()
    untold = [Units(tuple(s.split(":"))) for s in weights if s not in spread.df]
    return [*out, message("power.pilot_untold", units=untold)] if untold else out


def cannot_be_said(low: float, high: float) -> bool:
    """Say whether a range of chances is so wide that it tells next to nothing."""
    return high - low > WIDE


def range_in_words(low: float, high: float) -> Message:
    """Say a range of chances as a grower would read it.

    Examples
    --------
    >>> str(range_in_words(0.4, 0.751))
    'between 40 and 75 %'
    >>> str(range_in_words(0.02, 0.98))
    'anything between 2 and 98 %: this pilot is too small to say'
    """
    ends = {"low": 100 * low, "high": 100 * high}
    if cannot_be_said(low, high):
        return message("power.wide", **ends)
    alike = round(ends["low"]) == round(ends["high"])
    return message("power.about" if alike else "power.between", **ends)


def ranges_of(table: pd.DataFrame, spread: Variation) -> list[Message]:
    """Say what a pilot allows for each question."""
    if spread.kind != "pilot":
        return []
    return [
        message(
            "power.chance",
            question=message(f"power.question.{row['question']}"),
            range=range_in_words(row["low"], row["high"]),
        )
        for row in table.to_dict("records")
    ]


def method_of(c: Comparison, question: Question, spread: Variation, asked: Wanted) -> str:
    """Give the code of the formula; it is called exact only where it is."""
    law = "F" if question == "any" else "t"
    if is_exact(c, question, spread, asked):
        return f"exact, {law}"
    within = "" if c.orthogonal else f" within {':'.join(c.stratum)}"
    return f"formula{within}, {law}"


def method_words(code: str) -> Message | str:
    """Say the code of a method; one that is not known stays as it is.

    Examples
    --------
    >>> str(method_words("formula within batch:chamber, t"))
    'formula within chamber runs, t'
    """
    found = re.fullmatch(r"(exact|formula)(?: within (\S+))?, ([Ft])", code)
    if found and found[2]:
        units = Units(tuple(found[2].split(":")))
        return message("power.method.formula_within", units=units, law=found[3])
    if found:
        return message(f"power.method.{found[1]}", law=found[3])
    found = re.fullmatch(r"simulated, (\d+) trials", code)
    return message("power.method.simulated", number=found[1]) if found else code
