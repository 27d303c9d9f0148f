"""How sure this is: comparisons, the model in words and numbers, and the checks of it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from trialkit.report.first_screen import further_tables
from trialkit.report.inputs import PageInputs
from trialkit.report.model_checks import model_checks, redrawn_plans
from trialkit.report.model_parts import method_cell, model_parts, said_once
from trialkit.report.page_parts import (
    Fold,
    Heading,
    Picture,
    Section,
    Table,
    Words,
    build_table,
    show_findings,
)
from trialkit.report.pictures import make_picture
from trialkit.triage import for_growers, for_statisticians
from trialkit.wording import units_in_words
from trialkit.wording.method_names import method_notes
from trialkit.wording.row_notes import note_words

if TYPE_CHECKING:
    import pandas as pd

MOST_EFFECTS = 14  # differences drawn; more are told by the tables alone


def model_section(inputs: PageInputs) -> Section:
    """Put together the cautions and comparisons, with the model and its checks folded."""
    say = inputs.say
    together = _all_differences(inputs)
    parts: list[Any] = _findings(inputs)
    parts.append(_ratios(inputs))
    parts += further_tables(inputs)
    numbers: list[Any] = []
    if len(together) <= MOST_EFFECTS:
        numbers.append(_effects(inputs, together))
    numbers += [_means(inputs, name) for name in inputs.trial.factors] + _differences(inputs)
    parts.append(Fold(say.text("model.fold_numbers"), tuple(numbers)))
    parts.append(Fold(say.text("model.fold_model"), tuple(model_parts(inputs))))
    parts.append(Fold(say.text("model.fold_checks"), tuple(model_checks(inputs))))
    if inputs.redrawn is not None:
        parts += redrawn_plans(inputs)
    return Section("model", say.text("section.model"), tuple(parts))


def _findings(inputs: PageInputs) -> list[Any]:
    """Show what could change the answer, then what to fix in the data, then what is noted."""
    say = inputs.say
    found = for_growers(inputs.findings)
    of_data = {f for log in inputs.logs.values() for f in log.findings} | set(inputs.data.findings)
    data_codes = {f.code for f in of_data}
    notes = [f for f in found if f.severity == "note"]
    grave = [f for f in found if f.severity != "note"]
    fix = [f for f in grave if f.code in data_codes and f.severity != "stop"]
    change = [f for f in grave if f not in fix]
    parts: list[Any] = [] if grave else [Words(say.text("model.findings_none"))]
    for title, group in (
        (say.text("model.findings_change"), change),
        (say.text("model.findings_fix"), fix),
    ):
        if group:
            parts += [Heading(title), *show_findings(group, say)]
    if notes:
        count = say.number(len(notes), 0)
        shown = show_findings(notes, say)
        parts.append(Fold(say.text("model.notes_fold", count=count), shown))
    technical = show_findings(for_statisticians(inputs.findings), say)
    if technical:
        count = say.number(len(technical), 0)
        parts.append(Fold(say.text("model.statistics_fold", count=count), technical))
    return parts


def _ratios(inputs: PageInputs) -> Table:
    say, ratios = inputs.say, inputs.result.ratios
    margin = inputs.trial.question.margin_pct
    less = inputs.better == "less"
    limit = say.number(1 + (margin if less else -margin) / 100, 2)
    words = {
        "factor": inputs.factor.name,
        "reference": inputs.reference,
        "noun": inputs.noun,
    }
    formats = dict.fromkeys(("ratio", "low", "high"), lambda v: say.number(v, 3))
    told = zip(ratios["level"], ratios["note"], strict=True)
    columns = ["level", "reference", "ratio", "low", "high", "df", "p", "method"]
    columns, once = said_once(ratios, columns, say)
    return build_table(
        ratios,
        columns=columns,
        say=say,
        caption=say.text("model.ratio_caption", level=inputs.level, **words),
        heads={"level": inputs.factor.name, "p": say.text("column.p_margin")},
        formats={**formats, "df": lambda v: say.number(v, 1), "method": method_cell(say)},
        notes=[
            *once,
            say.text(
                "model.ratio_note_less" if less else "model.ratio_note",
                limit=limit,
                margin=inputs.margin,
            ),
            *(f"{level}: {note_words(note, say)}." for level, note in told if note),
            *method_notes(ratios["method"], say),
        ],
    )


def _means(inputs: PageInputs, name: str) -> Table:
    say, frame = inputs.say, inputs.result.per_block(inputs.result.means[name])
    primary = name == inputs.trial.primary.name
    at = [str(one.message) for one in inputs.result.covariates_used if primary]
    columns, once = said_once(
        frame, ["level", "estimate", "low", "high", "se", "df", "method"], say
    )
    return build_table(
        frame,
        columns=columns,
        notes=[*once, *at],
        say=say,
        caption=say.text(
            "model.means_caption", factor=name, level=inputs.level, unit=inputs.quantity
        ),
        heads={"level": name},
        formats={"df": lambda v: say.number(v, 1), "method": method_cell(say)},
    )


def _effects(inputs: PageInputs, together: pd.DataFrame) -> Picture:
    """Draw all differences between levels."""
    from trialkit.figures import effects

    say = inputs.say
    rows = say.listed(
        [
            say.text(
                "alt.change",
                level=say.text("figure.effects.row", first=row["first"], second=row["second"]),
                estimate=say.number(row["estimate"]),
                low=say.number(row["low"]),
                high=say.number(row["high"]),
            )
            for row in together.to_dict("records")
        ]
    )
    return make_picture(
        lambda: effects(
            together,
            quantity=inputs.quantity,
            level=inputs.trial.question.level,
            basis=_bases(inputs),
            wording=say,
        ),
        ident="effects",
        alt=say.text("alt.effects", rows=rows),
        caption=say.text("model.effects_title"),
    )


def _all_differences(inputs: PageInputs) -> pd.DataFrame:
    """Give the differences of all treatments in one table."""
    import pandas as pd

    result = inputs.result
    frames = [result.per_block(frame) for frame in result.differences.values()]
    return pd.concat(frames, ignore_index=True)


def _differences(inputs: PageInputs) -> list[Any]:
    """Give the differences of each treatment."""
    say, result = inputs.say, inputs.result
    frames = {name: result.per_block(frame) for name, frame in result.differences.items()}
    parts: list[Any] = []
    for name, frame in frames.items():
        columns = ["first", "second", "estimate", "low", "high", "se", "df", "p", "method"]
        columns, once = said_once(frame, columns, say)
        parts.append(
            build_table(
                frame,
                columns=columns,
                notes=[*once, *method_notes(frame["method"], say)],
                say=say,
                caption=say.text(
                    "model.differences_caption",
                    factor=name,
                    level=inputs.level,
                    unit=inputs.quantity,
                ),
                heads={
                    "first": name,
                    "estimate": say.text("column.difference"),
                    "p": say.text("column.p_difference"),
                },
                formats={"df": lambda v: say.number(v, 1), "method": method_cell(say)},
                row_heads=2,
            )
        )
    return parts


def _bases(inputs: PageInputs) -> str:
    """Say on how many units each treatment's comparison rests."""
    say = inputs.say
    return " ".join(
        say.text(
            "figure.basis_many",
            factor=factor.name,
            n=say.number(inputs.count(factor), 0),
            units=units_in_words(factor.applied_to),
        )
        for factor in inputs.trial.factors.values()
    )
