"""What a reader of a power must know: how it was worked out, and how far it can be relied on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit.design.power.error_choice import acts
from trialkit.design.power.questions import WORDS, Question, Wanted
from trialkit.design.power.variation import Variation
from trialkit.design.strata.comparisons import Comparison, compare_in, with_counts
from trialkit.design.strata.error_terms import BATCH
from trialkit.errors import DesignError, PlanError
from trialkit.trial import Trial
from trialkit.wording import units_in_words

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
        and free < 1e-6
        and not acts(c.left_df(), c.batch_term)
        and (c.level_errors is None or question == "no worse")
        and (question != "no worse" or alone)
    )


def notes_on(c: Comparison, spread: Variation, asked: Wanted) -> list[str]:
    """Say what a reader of the powers must know."""
    out = []
    if spread.kind == "planning range":
        out.append(
            "The variation is a planning range, not a measurement; a pilot of your own is better."
        )
    if spread.kind == "pilot":
        out += _pilot_notes(c, spread)
    for stratum, share in asked.lost.items():
        if share:
            units = units_in_words(stratum.split(":"))
            out.append(f"{100 * share:g} % of {units} are expected to be lost.")
    if not c.orthogonal:
        out.append(
            f"{100 * c.efficiency:.1f} % of the information on {c.name} lies between "
            f"{units_in_words(c.stratum)}; the formula leaves out the rest."
        )
    if asked.joint and len(c.levels[0]) > 2 and ":" not in c.name:
        out.append("Limits hold for all levels together, as in the analysis.")
    return out


def batch_notes(trial: Trial, c: Comparison) -> list[str]:
    """Say where the analysis may judge by batch × treatment, or would with one batch more."""
    if acts(c.left_df(), c.batch_term):
        return [
            f"With these batches the analysis can tell whether {c.name} acts alike in every batch. "
            f"Where it does, the limits still come out wider in about 4 of 10 trials "
            f"({c.batch_term.df[0]} degrees of freedom in place of {c.error_df}); the chance "
            "allows for that."
        ]
    if not any(c.batch_term.df):
        return []
    now = trial.counts[BATCH]
    try:
        more = compare_in(with_counts(trial, {BATCH: now + 1}), c.name)
    except (DesignError, PlanError):
        return []
    if not acts(more.left_df(), more.batch_term):
        return []
    return [
        f"{now} batches do not tell whether {c.name} acts alike in every batch; {now + 1} do, and "
        f"the analysis then looks at it. That makes its limits honest and sometimes wider: with "
        f"{now + 1} batches the chance may be lower than with {now}."
    ]


def _pilot_notes(c: Comparison, spread: Variation) -> list[str]:
    """Say how far a pilot can be relied on, and what it does not tell."""
    out = [
        "The range is what the pilot allows: in 9 of 10 pilots like it the true chance lies "
        "within.",
        *spread.notes,
    ]
    weights = c.error_weights()
    untold = [s for s in weights if s not in spread.df]
    if untold:
        names = ", ".join(units_in_words(s.split(":")) for s in untold)
        out.append(f"The pilot does not tell how {names} vary; a planning range stands in.")
    return out


def cannot_be_said(low: float, high: float) -> bool:
    """Say whether a range of chances is so wide that it tells next to nothing."""
    return high - low > WIDE


def range_in_words(low: float, high: float) -> str:
    """Say a range of chances as a grower would read it.

    Examples
    --------
    >>> range_in_words(0.4, 0.751)
    'between 40 and 75 %'
    >>> range_in_words(0.02, 0.98)
    'anything between 2 and 98 %: this pilot is too small to say'
    """
    first, last = (f"{100 * x:.0f}" for x in (low, high))
    if cannot_be_said(low, high):
        return f"anything between {first} and {last} %: this pilot is too small to say"
    return f"about {last} %" if first == last else f"between {first} and {last} %"


def ranges_of(table: pd.DataFrame, spread: Variation) -> list[str]:
    """Say what a pilot allows for each question."""
    if spread.kind != "pilot":
        return []
    return [
        f"Chance to show that {WORDS[row['question']]}: {range_in_words(row['low'], row['high'])}."
        for row in table.to_dict("records")
    ]


def method_of(c: Comparison, question: Question, spread: Variation, asked: Wanted) -> str:
    """Name the formula; it is called exact only where it is."""
    law = "F" if question == "any" else "t"
    if is_exact(c, question, spread, asked):
        return f"exact, {law}"
    within = "" if c.orthogonal else f" within {units_in_words(c.stratum)}"
    return f"formula{within}, {law}"
