"""What is to be told of a trial's analysis beside its numbers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from trialkit.analysis.batches_to_come import batch_findings
from trialkit.analysis.by_run import run_keys
from trialkit.analysis.covariates import covariate_findings
from trialkit.analysis.harvest_in import flushes_lacking, has_begun
from trialkit.analysis.table import flushes_weighed
from trialkit.columns import find_column
from trialkit.errors import Finding
from trialkit.wording import Named, Units, finding
from trialkit.wording.places import place, several

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.alignment.result import Aligned
    from trialkit.analysis.terms import Terms
    from trialkit.model.fit import Fit
    from trialkit.trial import Trial


def analysis_findings(
    trial: Trial, data: Aligned, terms: Terms, table: pd.DataFrame, fit: Fit
) -> Sequence[Finding]:
    """Tell what is missing, what cannot be tested, and where the units are few."""
    from trialkit.model.checks.spread import spread_findings

    found = [*data.findings, *fit.findings]
    column = find_column(terms.response, trial.columns)
    label = Named(f"glossary_label.{terms.response}", "" if column is None else column.label)
    begun = has_begun(table)
    missing = table[table[terms.response].isna() & begun]
    if len(missing):
        units = missing["unit"].nunique()
        found.append(
            finding(
                "missing_response",
                "note",
                missing=len(missing),
                rows=int(begun.sum()),
                label=label,
                number=units,
                blocks=Units((trial.structure.smallest[-1],), units),
            )
        )
    if trial.flushes > 1 and flushes_weighed(data, terms.response) == 1:
        weighed = table.loc[table[terms.response].notna(), "flush"].iloc[0]
        found.append(
            finding("one_flush", "caution", flush=str(weighed), flushes=trial.flushes, label=label)
        )
    found += _lacking(trial, table, terms, label)
    for name in terms.left_out:
        first, _, second = name.partition(":")
        found.append(finding("interaction_untestable", "note", first=first, second=second))
    found += batch_findings(trial, table[table[terms.response].notna()], fit)
    found += spread_findings(fit, trial.primary.name)
    rows = table[table[terms.response].notna()]
    raw = data.table[data.table["unit"].isin(rows["unit"])]
    found += covariate_findings(trial, rows, raw, fit)
    factor = trial.primary
    given = table[list(factor.applied_to)].drop_duplicates()
    if len(given) < 6:
        units_given = Units(tuple(factor.applied_to), len(given))
        found.append(
            finding(
                "few_units",
                "caution",
                treatment=factor.name,
                number=len(given),
                units=units_given,
            )
        )
    return found


def _lacking(trial: Trial, table: pd.DataFrame, terms: Terms, label: Named) -> list[Finding]:
    """Name the flushes that chamber runs lack, and say what stands for them."""
    keys = run_keys(trial) or list(trial.primary.applied_to)
    if "flush" not in terms.fixed.split(" + "):
        return []
    places = [place(row) for row in flushes_lacking(table, terms.response, keys)]
    if not places:
        return []
    flushes = several(places, 4)
    treatment = trial.primary.name
    return [finding("flush_lacking", "caution", flushes=flushes, label=label, treatment=treatment)]
