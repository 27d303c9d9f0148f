"""What this very trial cannot tell."""

from __future__ import annotations

from trialkit.report.inputs import Material
from trialkit.report.page_parts import Points, Section


def limits_section(material: Material) -> Section:
    """Say what the trial cannot tell."""
    say = material.say
    return Section("limits", say.text("section.limits"), (Points(tuple(limit_words(material))),))


def limit_words(material: Material) -> list[str]:
    """Give the limits of this very trial, one sentence or two each."""
    say = material.say
    words = {"n": say.number(material.count(), 0), "units": material.units}
    smallest = material.factor.applied_to == material.trial.structure.smallest
    key = "limits.unit_smallest" if smallest else "limits.unit"
    out = [say.text("limits.one_place"), say.text(key, **words)]
    df = material.result.ratios["df"].min()
    if df == df and df < 20:
        out.append(say.text("limits.few", df=say.number(df, 0)))
    out.append(say.text("limits.margin", margin=material.margin))
    if len(material.trial.factors) > 1 or material.per_flush:
        out.append(say.text("limits.additive"))
    out.append(say.text("limits.open"))
    if "environment" in material.trial.logs:
        out.append(say.text("limits.measure"))
    return out
