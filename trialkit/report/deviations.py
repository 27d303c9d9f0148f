"""What was done otherwise than planned, when the plan was drawn, and the two readings."""

from __future__ import annotations

from typing import Any

from trialkit.design.layout.draw_record import UNKNOWN
from trialkit.report.inputs import PageInputs, plan_for_page
from trialkit.report.page_parts import Table, Words, build_table
from trialkit.trial import Trial
from trialkit.trial.deviation_words import deviation_words
from trialkit.wording import Wording


def deviation_parts(inputs: PageInputs) -> list[Any]:
    """Put together what is told of slips and of draws; nothing where all went as planned."""
    parts: list[Any] = [Words(text) for text in drawn_words(inputs)]
    if not inputs.trial.happened:
        return parts
    parts.append(happened_table(inputs.trial, inputs.say))
    if len(inputs.verdict.readings):
        parts += [readings_table(inputs), Words(inputs.say.text("trial_layout.given_rule"))]
    return parts


def drawn_words(inputs: PageInputs) -> list[str]:
    """Say when the plan was drawn, draw by draw."""
    say, plan = inputs.say, inputs.plan
    if plan is not None and not plan.draws:  # as it was drawn in this run: it has no date yet
        written, _ = plan_for_page(inputs.trial)
        plan = written if written is not None and written.hash == plan.hash else plan
    if plan is None or not plan.draws:
        return []
    if plan.undated:
        out = [say.text("trial_layout.drawn_unknown")]
    else:
        out = [say.text("trial_layout.drawn", day=say.date(inputs.local(plan.draws[0].at)))]
    return [
        *out,
        *(
            say.text("trial_layout.drawn_more", day=say.date(inputs.local(draw.at)))
            for draw in plan.draws[1:]
            if draw.at != UNKNOWN
        ),
    ]


def happened_table(trial: Trial, say: Wording) -> Table:
    """List what the trial file tells under `[[happened]]`."""
    import pandas as pd

    zone = trial.zone
    stated = {True: "yes", False: "no", None: "open"}
    rows = [
        {
            "on": say.moment(told.on.astimezone(zone)),
            "what": say.written(deviation_words(told, zone)),
            "reason": told.reason,
            "connected": say.text(f"trial_layout.connected.{stated[told.connected]}"),
        }
        for told in trial.happened
    ]
    columns = ["on", "what", "reason", "connected"]
    return build_table(
        pd.DataFrame(rows),
        columns=columns,
        say=say,
        caption=say.text("trial_layout.happened"),
        heads={name: say.text(f"trial_layout.happened_head.{name}") for name in columns},
    )


def readings_table(inputs: PageInputs) -> Table:
    """Give as planned and as given side by side, with their answers."""
    say, rows = inputs.say, inputs.verdict.readings
    frame = rows.assign(
        reading=[say.text(f"reading.{name.replace(' ', '_')}") for name in rows["reading"]],
        followed=[say.text("page.yes") if yes else "" for yes in rows["followed"]],
        answer=[say.either(f"row_answer.{a}", str(a)) for a in rows["answer"]],
        **{k: 100 * (rows[k] - 1) for k in ("ratio", "low", "high")},
    )
    return build_table(
        frame,
        columns=["reading", "followed", "level", "reference", "ratio", "low", "high", "answer"],
        say=say,
        caption=say.text("reading.caption"),
        heads={
            "reading": say.text("reading.head.reading"),
            "followed": say.text("reading.head.followed"),
            "ratio": say.text("column.change"),
            "level": inputs.factor.name,
        },
        formats=dict.fromkeys(
            ("ratio", "low", "high"), lambda value: say.percent(value, 1, sign=True)
        ),
        row_heads=1,
    )
