"""The words of the page with what they mean."""

from __future__ import annotations

from trialkit.report.inputs import PageInputs
from trialkit.report.page_parts import Pairs, Section


def glossary_section(inputs: PageInputs) -> Section:
    """Give the words of the page with what they mean."""
    say = inputs.say
    names = [key.removeprefix("term.") for key in say.entries if key.startswith("term.")]
    pairs = tuple((say.text(f"term.{n}"), say.text(f"glossary.{n}")) for n in names)
    return Section("glossary", say.text("section.glossary"), (Pairs(pairs),))
