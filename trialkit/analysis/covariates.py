"""Covariates and further blocks in the analysis: their values by row, their terms, their gain.

A covariate that was known before the treatment began may be put into the model whatever the
treatment does: it takes out what it explains. A missing number is replaced by the mean of the
others, a missing name by a level of its own, so that no harvest is lost [1]_.

References
----------
.. [1] White IR, Thompson SG (2005). Adjusting for partially missing baseline measurements in
   randomized trials. Stat Med 24:993-1007 (cited from memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from trialkit.errors import Finding, ModelError
from trialkit.trial.covariates import NOT_KNOWN
from trialkit.wording import Number, Units, finding

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.model.fit import Fit
    from trialkit.trial import Trial
    from trialkit.trial.covariates import Covariate

#: Findings that say what a covariate or a further block in the model gained.
IN_THE_MODEL = ("covariate_used", "further_block_used")


def with_covariates(trial: Trial, table: pd.DataFrame) -> pd.DataFrame:
    """Give the rows with a complete column for each covariate.

    Parameters
    ----------
    trial : Trial
    table : DataFrame
        Rows with unit columns and `unit`.

    Returns
    -------
    DataFrame
        A copy where the trial has covariates.
    """
    if not trial.covariates:
        return table
    out = table.copy()
    for covariate in trial.covariates.values():
        values = covariate_values(covariate, out)
        if covariate.use == "block":
            out[covariate.name] = values.astype(object).where(values.notna(), NOT_KNOWN).astype(str)
        else:
            numbers = values.astype(float)
            out[covariate.name] = numbers.fillna(numbers.mean()).fillna(0.0)
    return out


def covariate_values(covariate: Covariate, table: pd.DataFrame) -> pd.Series:
    """Give the value of each row as it was recorded; missing where there is none.

    What the harvest sheet holds stands in one of a unit's rows, usually the first flush; with
    values for larger units, the rows of one such unit share their mean.
    """
    import numpy as np
    import pandas as pd

    if covariate.values:
        units = table[list(covariate.by)].astype(str).agg(":".join, axis=1)
        return units.map(covariate.values)
    if covariate.name not in table:
        return pd.Series(np.nan, index=table.index)
    keys = [table[name].astype(str) for name in covariate.by]
    groups = table[covariate.name].groupby(keys)
    return groups.transform("first" if covariate.use == "block" else "mean")


def covariate_terms(trial: Trial, table: pd.DataFrame | None) -> list[str]:
    """Name the covariates that belong into the model.

    Parameters
    ----------
    trial : Trial
    table : DataFrame or None
        Rows that came in; before there are any, all that the layout does not hold already.

    Returns
    -------
    list of str
        Without those that the layout's own blocks hold, and those that are alike on all rows.
    """
    given = [factor.applied_to for factor in trial.factors.values()]
    wanted = [c for c in trial.covariates.values() if not c.held_by_layout(given)]
    if table is None:
        return [c.name for c in wanted]
    return [c.name for c in wanted if covariate_values(c, table).nunique() > 1]


def covariate_findings(
    trial: Trial, table: pd.DataFrame, raw: pd.DataFrame, fit: Fit
) -> list[Finding]:
    """Say what became of each covariate: used and what it gained, left out, missing, too late.

    Parameters
    ----------
    trial : Trial
    table : DataFrame
        Rows that were analysed.
    raw : DataFrame
        The same rows before anything was filled in.
    fit : Fit
    """
    found, used = [], set(covariate_terms(trial, raw))
    given = [factor.applied_to for factor in trial.factors.values()]
    for c in trial.covariates.values():
        words: dict[str, Any] = {"name": c.label, "units": Units(c.by)}
        if c.name not in used:
            form = "held" if c.held_by_layout(given) else "alike"
            found.append(finding("covariate_left_out", "note", form=form, **words))
            continue
        values = covariate_values(c, raw)
        units = raw[list(c.by)].astype(str).agg(":".join, axis=1)
        lacking = int(units[values.isna()].nunique())
        if lacking:
            counts = {"missing": lacking, "all": int(units.nunique())}
            form = "names" if c.use == "block" else "numbers"
            found.append(finding("covariate_missing", "caution", form=form, **counts, **words))
        if c.measured == "after":
            treatment = trial.primary.name
            found.append(finding("covariate_late", "caution", treatment=treatment, **words))
        found += _gain(trial, table, c, fit)
    return found


def _gain(trial: Trial, table: pd.DataFrame, c: Covariate, fit: Fit) -> list[Finding]:
    """Say how much smaller the standard error is with a covariate than without.

    Both without batch × treatment, which a layout keeps or drops by its data: with it on one side
    only, the two could not be compared.
    """
    primary = trial.primary.name
    random = [term for term in fit.spec.random if set(term.split(":")) != {"batch", primary}]
    every = fit.spec.fixed.split(" + ")
    try:
        without, used = (
            _standard_error(fit, " + ".join(fixed), random, primary)
            for fixed in ([term for term in every if term != c.name], every)
        )
    except (ModelError, ArithmeticError):
        return []
    if not (without > 0 and used > 0):
        return []
    change = 100 * (1 - used / without)
    words: dict[str, Any] = {"name": c.label, "treatment": primary}
    words["percent"] = Number(abs(change))
    way = "smaller" if change >= 0.5 else "larger" if change <= -0.5 else "same"
    if c.use == "block":
        return [finding("further_block_used", "note", form=way, **words)]
    words |= {"units": Units(c.by), "mean": float(table[c.name].mean()), "unit": c.unit}
    return [finding("covariate_used", "note", form=way, **words)]


def _standard_error(fit: Fit, fixed: str, random: list[str], primary: str) -> float:
    """Give the root mean square of the standard errors of differences from the first level."""
    from trialkit.model.fit import fit as fit_model

    spec = fit.spec
    made = fit_model(
        fit.table,
        response=spec.response,
        fixed=fixed,
        random=random,
        residual_by=spec.residual_by,
        level=spec.level,
    )
    rows = made.differences(primary, against=made.design.levels[primary][0], adjust="none")
    return float((rows["se"] ** 2).mean() ** 0.5)
