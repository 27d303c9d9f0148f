"""The trial in one picture, second on the page."""

from __future__ import annotations

from trialkit.report.inputs import PageInputs
from trialkit.report.page_parts import Picture, Section, Words
from trialkit.report.svg import inline_svg

#: More runs than this make a picture too high to be read.
MOST_RUNS = 60


def whole_trial_section(inputs: PageInputs) -> Section:
    """Show every run with its air, its flushes, its yield and what it used."""
    say = inputs.say
    title = say.text("section.whole")
    count = len(inputs.tables.runs)
    if count > MOST_RUNS:
        words = {"n": say.number(count, 0), "units": inputs.units, "most": MOST_RUNS}
        return Section("whole", title, (Words(say.text("picture.too_many", **words)),))
    return Section("whole", title, (_picture(inputs),))


def shows_air(inputs: PageInputs) -> bool:
    """Tell whether the picture shows the humidity of the runs against a band."""
    return 0 < len(inputs.tables.runs) <= MOST_RUNS and len(inputs.tables.air) > 0


def _picture(inputs: PageInputs) -> Picture:
    from trialkit.figures import trial_in_one_picture
    from trialkit.figures.picture_words import picture_alt, picture_note

    say, tables = inputs.say, inputs.tables
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
