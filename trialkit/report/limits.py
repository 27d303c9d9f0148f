"""What this very trial cannot tell."""

from __future__ import annotations

from trialkit.report.inputs import PageInputs
from trialkit.report.page_parts import Points, Section


def limits_section(inputs: PageInputs) -> Section:
    """Say what the trial cannot tell."""
    say = inputs.say
    return Section("limits", say.text("section.limits"), (Points(tuple(limit_words(inputs))),))


def limit_words(inputs: PageInputs) -> list[str]:
    """Give the limits of this very trial, one sentence or two each."""
    say = inputs.say
    words = {"n": say.number(inputs.count(), 0), "units": inputs.units}
    smallest = inputs.factor.applied_to == inputs.trial.structure.smallest
    key = "limits.unit_smallest" if smallest else "limits.unit"
    out = [say.text("limits.one_place"), say.text(key, **words)]
    df = inputs.result.ratios["df"].min()
    if df == df and df < 20:
        out.append(say.text("limits.few", df=say.number(df, 0)))
    out.append(say.text("limits.margin", margin=inputs.margin))
    if len(inputs.trial.factors) > 1 or inputs.per_flush:
        out.append(say.text("limits.additive"))
    out.append(say.text("limits.open"))
    if "environment" in inputs.trial.logs:
        out.append(say.text("limits.measure"))
    return out
