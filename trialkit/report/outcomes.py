"""Beside yield: blocks lost, other outcomes, and yield against what was delivered."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from trialkit.analysis.dose import Dose, dose_response
from trialkit.analysis.dose_doubts import quantity_key
from trialkit.analysis.outcomes import Outcomes, other_outcomes, shown_outcomes
from trialkit.columns import head
from trialkit.decision.measures import shown_measures
from trialkit.errors import ModelError
from trialkit.report.inputs import PageInputs
from trialkit.report.page_parts import Fold, Table, Words, build_table, show_findings

if TYPE_CHECKING:
    import pandas as pd

#: Exposure that the schedules set, in which delivered dose is told.
DOSE = "duty_pct"


def outcome_parts(inputs: PageInputs) -> list[Any]:
    """Put together what stands beside the harvest."""
    found = other_outcomes(inputs.trial, inputs.data)
    parts: list[Any] = []
    if len(inputs.verdict.measures):
        parts.append(_decided_on(inputs))
    if len(found.proportions):
        parts.append(_lost(inputs, found))
    more = [_measured(inputs, found)] if len(found.measured) else []
    more += [_modelled(inputs, found)] if len(found.modelled) else []
    more += [_efficiency(inputs, found)] if len(found.efficiency) else []
    if more:
        parts.append(Fold(inputs.say.text("outcomes.more_fold"), tuple(more)))
    delivered = _delivered(inputs)
    if delivered:
        parts.append(Fold(inputs.say.text("outcomes.fold"), tuple(delivered)))
    return parts


def _decided_on(inputs: PageInputs) -> Table:
    """Show what growers decide on: per block started first."""
    say = inputs.say
    ends = ("change_pct", "change_low_pct", "change_high_pct")
    return build_table(
        shown_measures(inputs.verdict.measures, say, inputs.trial.columns),
        columns=["measure", "level", "estimate", "low", "high", *ends, "runs"],
        say=say,
        caption=say.text("outcomes.decided_caption", level=inputs.level),
        heads={"level": inputs.factor.name},
        # each measure has a size of its own: grams of a block, a fraction of a kilogram a day
        formats=dict.fromkeys(ends, lambda v: say.percent(v, 0, sign=True))
        | dict.fromkeys(("estimate", "low", "high"), say.number),
        notes=[say.text("outcomes.decided_note", reference=inputs.reference)],
        together=(),
        row_heads=2,
    )


def _lost(inputs: PageInputs, found: Outcomes) -> Table:
    say = inputs.say
    frame = shown_outcomes(found.proportions, say)
    return build_table(
        frame,
        columns=[
            "outcome",
            "factor",
            "level",
            "events",
            "blocks",
            "proportion",
            "low",
            "high",
            "p",
        ],
        say=say,
        caption=say.text("outcomes.lost_caption", level=inputs.level),
        formats={k: lambda v: say.percent(100 * v, 1) for k in ("proportion", "low", "high")},
        notes=[say.text("outcomes.lost_note")],
        row_heads=3,
    )


def _measured(inputs: PageInputs, found: Outcomes) -> Table:
    own = inputs.trial.columns
    frame = found.measured.assign(outcome=[head(name, own) for name in found.measured["outcome"]])
    return build_table(
        frame,
        columns=[
            *("outcome", "factor", "level", "estimate", "low", "high"),
            *("difference", "difference_low", "difference_high"),
        ],
        say=inputs.say,
        caption=inputs.say.text("outcomes.measured_caption", level=inputs.level),
        together=(),
        row_heads=3,
    )


def _modelled(inputs: PageInputs, found: Outcomes) -> Table:
    say = inputs.say
    return build_table(
        shown_outcomes(found.modelled, say),
        columns=["outcome", "factor", "level", "measure", "estimate", "low", "high", "p"],
        say=say,
        caption=say.text("outcomes.modelled_caption", level=inputs.level),
        # a ratio of counts and one of odds have sizes of their own
        formats=dict.fromkeys(("estimate", "low", "high"), say.number),
        together=(),
        notes=[say.text("outcomes.modelled_note")],
        row_heads=3,
    )


def _efficiency(inputs: PageInputs, found: Outcomes) -> Table:
    frame = found.efficiency
    columns = ["factor", "level", "blocks", "be_total_pct", "be_low_pct", "be_high_pct"]
    columns += ["difference", "difference_low", "difference_high", "be_per_day_pct"]
    if frame["dry_share_pct"].notna().any():
        columns.append("dry_share_pct")
    return build_table(
        frame,
        columns=columns,
        say=inputs.say,
        caption=inputs.say.text("outcomes.efficiency_caption"),
        notes=[inputs.say.text("outcomes.efficiency_note")],
        row_heads=2,
    )


def _delivered(inputs: PageInputs) -> list[Any]:
    """Show yield against the mist delivered, beside the answer as assigned."""
    say = inputs.say
    if not {"batch", "chamber"} >= set(inputs.factor.applied_to):
        return []
    try:
        dose = dose_response(inputs.trial, inputs.data, exposure=DOSE)
    except ModelError:
        return []
    return [
        Words(say.text("outcomes.delivered_intro", exposure=head(DOSE))),
        _beside(inputs, dose),
        _slope(inputs, dose),
        *show_findings(dose.findings, say),
    ]


def _beside(inputs: PageInputs, dose: Dose) -> Table:
    return build_table(
        _as_answered(inputs, dose),
        columns=["level", "runs", "dose", "as_assigned", "as_delivered"],
        say=inputs.say,
        caption=inputs.say.text("outcomes.beside_caption", unit=inputs.row_quantity),
        heads={"level": inputs.factor.name, "dose": head(DOSE)},
        together=("as_assigned", "as_delivered"),
    )


def _as_answered(inputs: PageInputs, dose: Dose) -> pd.DataFrame:
    """Put the means of the answer in the place of plain ones, where both are of one scale."""
    result = inputs.result
    if result.scale != "plain":
        return dose.beside
    means = result.means[inputs.factor.name].set_index("level")["estimate"]
    return dose.beside.assign(
        as_assigned=dose.beside["level"].astype(str).map(means).fillna(dose.beside["as_assigned"])
    )


def _slope(inputs: PageInputs, dose: Dose) -> Table:
    say = inputs.say
    named = [say.text(f"dose.quantity.{quantity_key(q)}") for q in dose.summary["quantity"]]
    return build_table(
        dose.summary.assign(quantity=named),
        columns=["quantity", "estimate", "low", "high", "p", "df"],
        say=inputs.say,
        caption=inputs.say.text(
            "outcomes.slope_caption", unit=inputs.row_quantity, exposure=head(DOSE)
        ),
    )
