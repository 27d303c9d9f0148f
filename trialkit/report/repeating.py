"""How to get the same numbers again, and how to run the trial again."""

from __future__ import annotations

from trialkit import __version__
from trialkit.report.inputs import PageInputs
from trialkit.report.page_parts import Commands, Section, Words


def repeat_section(inputs: PageInputs) -> Section:
    """Say how to get the same numbers again, and how to run the trial again."""
    say = inputs.say
    parts = (
        Words(say.text("repeat.intro")),
        Words(say.text("repeat.install", version=__version__)),
        Commands(("python -m pip install .",)),
        Words(say.text("repeat.again")),
        Commands(("trialkit check .", "trialkit report .")),
        Words(say.text("repeat.farm")),
        Commands(("trialkit plan .",)),
    )
    return Section("repeat", say.text("section.repeat"), parts)
