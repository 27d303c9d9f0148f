"""Letting the answer speak of batches to come, and saying where it cannot.

A schedule may do better in some batches than in others. The question is about batches to come, so
a random term batch × treatment belongs to the primary treatment's error wherever the layout can
tell it from the runs (`trialkit.model.inference.crossed_effect` holds the rule). Where each run is
its own batch × treatment, the error between runs holds it already.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from trialkit.columns import house_unit
from trialkit.errors import Finding, ModelError
from trialkit.model.inference.crossed_effect import can_be_told, crossed_df, stands_clear
from trialkit.wording import Units, finding, message

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.model.fit import Fit
    from trialkit.trial import Trial

BATCH = "batch"
Case = Literal["told", "in the error", "one batch", "kept", "too few"]


@dataclass(frozen=True)
class BatchPart:
    """What a layout can say of a treatment that acts differently from batch to batch.

    Parameters
    ----------
    case : str
        ``"told"``: a random term can be told from the units; ``"in the error"``: each unit is its
        own batch × treatment, so that the error holds it; ``"one batch"``; ``"kept"``: the
        treatment stays with its units through all batches; ``"too few"`` degrees of freedom.
    term : str
        The random term.
    df : tuple of int
        Degrees of freedom of the term and of the units beside it.
    """

    case: Case
    term: str
    df: tuple[int, int]


def batch_part(trial: Trial, table: pd.DataFrame) -> BatchPart:
    """Say what the rows of a trial can tell of batch × the primary treatment.

    Parameters
    ----------
    trial : Trial
    table : DataFrame
        Rows with unit columns and treatments.

    Returns
    -------
    BatchPart
    """
    factor = trial.primary
    term = f"{BATCH}:{factor.name}"
    if BATCH not in table or table[BATCH].nunique() < 2:
        return BatchPart("one batch", term, (0, 0))
    if BATCH not in factor.applied_to:
        return BatchPart("kept", term, (0, 0))
    df = crossed_df(table, factor.applied_to, BATCH, factor.name)
    if can_be_told(df):
        return BatchPart("told", term, df)
    return BatchPart("in the error" if df[1] == 0 else "too few", term, df)


def fit_for_batches(
    trial: Trial, table: pd.DataFrame, *, random: Sequence[str], options: Mapping[str, Any]
) -> Fit:
    """Fit with a random term batch × treatment where it can be told and is large enough to stay.

    Parameters
    ----------
    trial : Trial
    table : DataFrame
        Rows with a response.
    random : sequence of str
        The layout's random terms.
    options : mapping
        Further arguments of `trialkit.model.fit.fit`.

    Returns
    -------
    Fit
    """
    from trialkit.model.fit import fit

    whole, part = fit_with_term(trial, table, random=random, options=options)
    if whole is not None and term_stays(trial, part, whole):
        return whole
    return fit(table, random=list(random), **options)


def fit_with_term(
    trial: Trial, table: pd.DataFrame, *, random: Sequence[str], options: Mapping[str, Any]
) -> tuple[Fit | None, BatchPart]:
    """Fit with a random term batch × treatment; nothing where the rows cannot tell it.

    Parameters
    ----------
    trial, table, random, options
        As for `fit_for_batches`.
    """
    from trialkit.model.fit import fit

    part = batch_part(trial, table)
    if part.case != "told" or part.term in random:
        return None, part
    try:
        return fit(table, random=[*random, part.term], **options), part
    except ModelError:  # the rows left cannot hold the term after all
        return None, part


def term_stays(trial: Trial, part: BatchPart, whole: Fit) -> bool:
    """Say whether batch × treatment is large enough to stay in a model that has it.

    Parameters
    ----------
    trial : Trial
    part : BatchPart
        With the case ``"told"``.
    whole : Fit
        With the term.
    """
    variances = whole.variances.to_frame().T
    stays = stands_clear(whole.data, variances, trial.primary.name, part.term, part.df)
    return bool(stays[0])


def batch_findings(trial: Trial, table: pd.DataFrame, fit: Fit) -> list[Finding]:
    """Say whether an answer speaks of batches to come.

    Parameters
    ----------
    trial : Trial
    table : DataFrame
        Rows with a response.
    fit : Fit
        Made by `fit_for_batches`.

    Returns
    -------
    list of Finding
    """
    part, name = batch_part(trial, table), trial.primary.name
    if part.case == "in the error":
        return []
    if part.case == "told":
        return _found(part, trial, fit)
    units = Units(tuple(trial.primary.applied_to))
    words: dict[str, Any] = {"treatment": name, "units": units}
    why = message(
        f"batches.why.{part.case.replace(' ', '_')}",
        between=part.df[0],
        within=part.df[1],
        **words,
    )
    return [finding("batches_as_tried", "caution", why=why, **words)]


def _found(part: BatchPart, trial: Trial, fit: Fit) -> list[Finding]:
    if part.term not in fit.spec.random:
        return []
    share = max(float(fit.variances[part.term]), 0.0) ** 0.5
    return [
        finding(
            "batches_differ",
            "caution",
            treatment=trial.primary.name,
            spread=float(share),
            unit=house_unit(fit.spec.response, trial.columns),
            df=part.df[0],
        )
    ]
