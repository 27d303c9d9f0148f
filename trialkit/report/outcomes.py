"""Beside yield: blocks lost, other outcomes, and yield against what was delivered."""

from __future__ import annotations

from typing import Any

from trialkit.analysis.dose import Dose, dose_response, quantity_key
from trialkit.analysis.outcomes import Outcomes, other_outcomes, shown_outcomes
from trialkit.columns import head
from trialkit.errors import ModelError
from trialkit.report.inputs import Material
from trialkit.report.page_parts import Fold, Table, Words, build_table, show_findings

#: Exposure that the schedules set, in which delivered dose is told.
DOSE = "duty_pct"


def outcome_parts(material: Material) -> list[Any]:
    """Put together what stands beside the harvest."""
    found = other_outcomes(material.trial, material.data)
    parts: list[Any] = []
    if len(found.proportions):
        parts.append(_lost(material, found))
    if len(found.measured):
        parts.append(_measured(material, found))
    if len(found.efficiency):
        parts.append(_efficiency(material, found))
    delivered = _delivered(material)
    if delivered:
        parts.append(Fold(material.say.text("beyond.fold"), tuple(delivered)))
    return parts


def _lost(material: Material, found: Outcomes) -> Table:
    say = material.say
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
        caption=say.text("beyond.lost_caption", level=material.level),
        formats={k: lambda v: say.percent(100 * v, 1) for k in ("proportion", "low", "high")},
        notes=[say.text("beyond.lost_note")],
        row_heads=3,
    )


def _measured(material: Material, found: Outcomes) -> Table:
    own = material.trial.columns
    frame = found.measured.assign(outcome=[head(name, own) for name in found.measured["outcome"]])
    return build_table(
        frame,
        columns=["outcome", "factor", "level", "estimate", "low", "high"],
        say=material.say,
        caption=material.say.text("beyond.measured_caption", level=material.level),
        together=(),
        row_heads=3,
    )


def _efficiency(material: Material, found: Outcomes) -> Table:
    frame = found.efficiency
    columns = ["factor", "level", "blocks", "be_total_pct", "be_per_day_pct"]
    if frame["dry_share_pct"].notna().any():
        columns.append("dry_share_pct")
    return build_table(
        frame,
        columns=columns,
        say=material.say,
        caption=material.say.text("beyond.efficiency_caption"),
        notes=[material.say.text("beyond.efficiency_note")],
        row_heads=2,
    )


def _delivered(material: Material) -> list[Any]:
    """Show yield against the mist delivered, beside the answer as assigned."""
    say = material.say
    if not {"batch", "chamber"} >= set(material.factor.applied_to):
        return []
    try:
        dose = dose_response(material.trial, material.data, exposure=DOSE)
    except ModelError:
        return []
    return [
        Words(say.text("beyond.delivered_intro", exposure=head(DOSE))),
        _beside(material, dose),
        _slope(material, dose),
        *show_findings(dose.findings, say),
    ]


def _beside(material: Material, dose: Dose) -> Table:
    return build_table(
        dose.beside,
        columns=["level", "runs", "dose", "as_assigned", "as_delivered"],
        say=material.say,
        caption=material.say.text("beyond.beside_caption", unit=material.row_quantity),
        heads={"level": material.factor.name, "dose": head(DOSE)},
        together=("as_assigned", "as_delivered"),
    )


def _slope(material: Material, dose: Dose) -> Table:
    say = material.say
    named = [say.text(f"dose.quantity.{quantity_key(q)}") for q in dose.summary["quantity"]]
    return build_table(
        dose.summary.assign(quantity=named),
        columns=["quantity", "estimate", "low", "high", "p", "df"],
        say=material.say,
        caption=material.say.text(
            "beyond.slope_caption", unit=material.row_quantity, exposure=head(DOSE)
        ),
    )
