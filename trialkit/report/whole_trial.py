"""The trial in one picture, second on the page."""

from __future__ import annotations

from trialkit.report.inputs import PageInputs
from trialkit.report.page_parts import Picture, Section, Words
from trialkit.report.svg import inline_svg

#: More runs than this make a picture too high to be read.
MOST_RUNS = 60


def whole_trial_section(inputs: PageInputs) -> Section:
    """Show every run with its air, its flushes, its yield and what it used."""
    from trialkit.figures import trial_tables

    say = inputs.say
    title = say.text("section.whole")
    tables = trial_tables(inputs.result, inputs.verdict, wording=say)
    count = len(tables.runs)
    if count > MOST_RUNS:
        words = {"n": say.number(count, 0), "units": inputs.units, "most": MOST_RUNS}
        return Section("whole", title, (Words(say.text("picture.too_many", **words)),))
    return Section("whole", title, (_picture(inputs, tables),))


def shows_air(inputs: PageInputs) -> bool:
    """Tell whether the picture shows the humidity of the runs against a band."""
    from trialkit.figures import trial_tables

    tables = trial_tables(inputs.result, inputs.verdict, wording=inputs.say)
    return 0 < len(tables.runs) <= MOST_RUNS and len(tables.air) > 0


def _picture(inputs: PageInputs, tables: object) -> Picture:
    from trialkit.figures import TrialTables, trial_in_one_picture
    from trialkit.figures.picture_words import picture_alt, picture_note

    assert isinstance(tables, TrialTables)
    say = inputs.say
    alt, note = picture_alt(tables, say), picture_note(tables, say)
    wide, narrow = (
        inline_svg(
            trial_in_one_picture(tables, narrow=phone, titled=False, wording=say),
            ident=f"trial{'-n' if phone else ''}",
            alt=alt,
        )
        for phone in (False, True)
    )
    caption = say.text("picture.caption", units=inputs.units)
    return Picture(wide, caption, note=note, narrow=narrow)
