"""Fit one response by the trial's own terms, before anything is compared."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from trialkit.analysis.logscale import logged
from trialkit.analysis.table import analysis_table, level_order, told_apart
from trialkit.analysis.terms import Terms, derive_terms
from trialkit.errors import ModelError

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.alignment.result import Aligned
    from trialkit.analysis.result import Scale
    from trialkit.model.fit import Fit
    from trialkit.trial import Trial


def fit_response(
    trial: Trial,
    data: Aligned,
    *,
    response: str | None = None,
    residual_by: str | None = None,
    scale: Scale = "plain",
) -> tuple[Terms, pd.DataFrame, Fit]:
    """Fit one response, or its logarithm, by the trial's own terms; nothing is compared yet.

    Returns
    -------
    terms : Terms
    table : DataFrame
        All rows that could carry the response, those without it too.
    fit : Fit

    Raises
    ------
    ModelError
        If no row holds the response, the model cannot be fitted, or a value has no logarithm.
    """
    from trialkit.analysis.batches_to_come import fit_for_batches

    terms = derive_terms(trial, response=response, data=data)
    table = analysis_table(trial, data, terms.response)
    if terms.response not in table or table[terms.response].notna().sum() == 0:
        remedy = "fill in the harvest sheet, or ask for another response"
        if terms.response == "be_pct" and not trial.blocks.dry_substrate_g:
            remedy = (
                "it needs the dry weight of the substrate; add dry_substrate_g under [blocks] in "
                "the trial file"
            )
        raise ModelError(f"no row has a value of {terms.response!r}: {remedy}")
    rows = table[table[terms.response].notna()]
    if scale == "logarithm":
        rows = logged(rows, terms.response)
    made = fit_for_batches(
        trial,
        level_order(trial, rows),
        random=told_apart(terms.random, rows),
        options={
            "response": terms.response,
            "fixed": terms.fixed,
            "residual_by": residual_by,
            "level": trial.question.level,
        },
    )
    return replace(terms, random=made.spec.random), table, made
