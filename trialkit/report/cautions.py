"""Safety notes of the page."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit.cautions import list_cautions, uses_of
from trialkit.report.page_parts import Pairs, Section, Words

if TYPE_CHECKING:
    from trialkit.report.inputs import PageInputs
    from trialkit.report.settings_inputs import SettingsInputs


def cautions_section(inputs: PageInputs | SettingsInputs) -> Section:
    """Put together the safety notes."""
    say = inputs.say
    pairs = tuple(
        (
            say.text(f"caution.{c.code}.title"),
            f"{say.text(f'caution.{c.code}.text')} [{c.source}]",
        )
        for c in list_cautions(where="report", uses=uses_of(inputs.trial))
    )
    return Section(
        "cautions",
        say.text("section.cautions"),
        (Words(say.text("cautions.intro")), Pairs(pairs)),
    )
