"""The chance of an answer by look, and how many batches an answer takes on average."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from trialkit.arrays import Ints
from trialkit.design.power.drawn_plan import as_drawn, drawn_levels
from trialkit.design.power.looks import PlannedLook, comparison_after, planned_looks
from trialkit.design.power.questions import Question, Wanted, chance, effect_of
from trialkit.design.variation import Variation
from trialkit.model.sequential.stage_levels import chances_by_look
from trialkit.trial import Trial
from trialkit.wording import Message, message

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.display import Shown
    from trialkit.wording.catalogue import Wording

#: Questions whose answer can end a trial.
ENDING: tuple[Question, ...] = ("no worse", "difference")
COLUMNS = ["question", "look", "batches", "information_pct", "level_pct", "first", "by_then"]


def power_by_look(
    trial: Trial, variation: Variation, asked: Wanted, questions: Sequence[Question]
) -> pd.DataFrame:
    """Give the chance of an answer at each planned look.

    Parameters
    ----------
    trial : Trial
    variation : Variation
    asked : Wanted
        What the trial is to find out.
    questions : sequence of str
        Those of "no worse" and "difference" are answered.

    Returns
    -------
    DataFrame
        One row per question and look: `question, look, batches, information_pct, level_pct` (of
        the joint limits), `first` (chance that this look is the first to answer), `by_then` (that
        it or one before it does). Empty where no look before the end is planned.

    Notes
    -----
    Each look alone has the chance that the formulas of planning give at its level, at the middle
    of the variation; how far the looks agree comes from drawn trials.
    """
    import pandas as pd

    looks = planned_looks(trial, variation)
    levels = drawn_levels(trial) if looks else None
    rows = []
    for question in [q for q in ENDING if q in questions and looks]:
        alone = [_alone(trial, look, question, variation, asked, levels) for look in looks]
        first = chances_by_look(
            [look.share for look in looks],
            [look.df for look in looks],
            [(1 - look.level) / 2 for look in looks],
            alone,
        )
        for look, here, so_far in zip(looks, first, first.cumsum(), strict=True):
            rows.append(
                (
                    question,
                    look.number,
                    look.batches,
                    100 * look.share,
                    100 * look.level,
                    float(here),
                    float(so_far),
                )
            )
    return pd.DataFrame(rows, columns=COLUMNS)


def _alone(
    trial: Trial,
    look: PlannedLook,
    question: Question,
    variation: Variation,
    asked: Wanted,
    levels: Ints | None,
) -> float:
    """Give the chance that a look answers, if it were the only one."""
    c = comparison_after(trial, look.batches)
    if c is None:
        return 0.0
    c = as_drawn(trial, c, levels, look.batches)
    wanted = replace(asked, level=look.level)
    return chance(c, question, variation, wanted, effect=effect_of(question, asked))[1]


def average_batches(table: pd.DataFrame, question: str) -> float:
    """Give the mean number of batches until a question is answered, or until the end.

    Parameters
    ----------
    table : DataFrame
        As `power_by_look` gives it.
    question : str

    Examples
    --------
    Half of such trials are answered after 2 of 4 batches, the others go on to the end:

    >>> import pandas as pd
    >>> table = pd.DataFrame({"question": "no worse", "batches": [2, 4], "first": [0.5, 0.3]})
    >>> average_batches(table, "no worse")
    3.0
    """
    rows = table[table["question"] == question]
    early = rows.iloc[:-1]
    open_still = 1 - float(early["first"].sum())
    return float((early["first"] * early["batches"]).sum() + open_still * rows["batches"].iloc[-1])


def shown_by_look(table: pd.DataFrame, trial: Trial, factor: str, say: Wording) -> Shown:
    """Format the chances by look, with the average number of batches below."""
    from trialkit.display import show_table

    def pct(value: object) -> str:
        return say.percent(100 * float(value))  # type: ignore[arg-type]

    columns = ["question", "batches", "information_pct", "level_pct", "first", "by_then"]
    return show_table(
        table,
        columns=columns,
        heads={name: say.text(f"looks.head.{name}") for name in columns},
        formats={
            "question": lambda question: say.text(f"power.question.{question}"),
            "batches": lambda number: str(number),
            "information_pct": lambda value: say.percent(value),
            "level_pct": lambda value: say.percent(value, 2),
            "first": pct,
            "by_then": pct,
        },
        caption=say.text("looks.caption", treatment=factor),
        notes=[str(note) for note in look_notes(table)],
    )


def look_notes(table: pd.DataFrame) -> list[Message]:
    """Say how many batches an answer takes on average."""
    total = float(table["batches"].max())
    return [
        message(f"looks.average.{question}", batches=average_batches(table, question), total=total)
        for question in dict.fromkeys(table["question"])
    ]
