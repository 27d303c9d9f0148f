"""As planned and as given side by side: their answers, and what is said where they differ."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from trialkit.decision.depends import ANSWERS
from trialkit.display import Shown, show_table
from trialkit.errors import Finding
from trialkit.wording import Message, Wording, message

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.analysis.result import Analysis

READING_COLUMNS = (
    "reading",
    "followed",
    "level",
    "reference",
    "ratio",
    "low",
    "high",
    "p",
    "answer",
    "runs",
)
_LATE = ("not_randomised", "drawn_after_start")
_DRAWN_AFTER = "drawn_after_harvest"


def no_readings() -> pd.DataFrame:
    """Give the empty table."""
    import pandas as pd

    return pd.DataFrame(columns=list(READING_COLUMNS))


def judged_readings(result: Analysis) -> pd.DataFrame:
    """Give both readings with their answers; no rows where there is one reading alone."""
    if result.other is None:
        return no_readings()
    rows = result.readings
    rows["answer"] = [ANSWERS.get(v, "not enough evidence") for v in rows["verdict"]]
    return rows[list(READING_COLUMNS)]


def readings_disagree(readings: pd.DataFrame) -> bool:
    """Tell whether some level has one answer as planned and another as given."""
    return bool(len(readings)) and bool((readings.groupby("level")["answer"].nunique() > 1).any())


def disagreement(readings: pd.DataFrame) -> Message | str:
    """Say that the readings give different answers, and which is followed; else nothing."""
    if not readings_disagree(readings):
        return ""
    differ = readings.groupby("level", sort=False)["answer"].nunique()
    level = str(differ.index[differ > 1][0])
    own = readings[readings["level"].astype(str) == level].set_index("reading")
    planned, given = (str(own.loc[name, "answer"]) for name in ("as planned", "as given"))
    followed = "given" if bool(own.loc["as given", "followed"]) else "planned"
    return message(
        f"verdict.readings_disagree.{followed}",
        level=level,
        planned=message(f"row_answer.{planned}"),
        given=message(f"row_answer.{given}"),
    )


def drawn_after_harvest(findings: Iterable[Finding]) -> Message | str:
    """Say first of all that the plan cannot say what was given; else nothing."""
    found = next((f for f in findings if f.code == _DRAWN_AFTER), None)
    return "" if found is None else message("verdict.drawn_after_harvest", **found.values)


def late_draw(findings: Iterable[Finding]) -> Message | str:
    """Say in the answer that part of the trial was not randomised; else nothing."""
    late = [f for f in findings if f.code in _LATE]
    if not late:
        return ""
    places = [place for f in late for place in list(f.values["places"])]  # type: ignore[call-overload]
    return message("verdict.not_randomised", places=places)


def show_readings(readings: pd.DataFrame, say: Wording) -> Shown:
    """Format both readings side by side."""
    columns = ["reading", "followed", "level", "ratio", "low", "high", "answer"]
    return show_table(
        readings.assign(
            reading=[say.text(f"reading.{n.replace(' ', '_')}") for n in readings["reading"]],
            followed=[say.text("page.yes") if yes else "" for yes in readings["followed"]],
            answer=[say.either(f"row_answer.{a}", str(a)) for a in readings["answer"]],
        ),
        columns=columns,
        heads={name: say.either(f"column.{name}", name) for name in columns}
        | {name: say.text(f"reading.head.{name}") for name in ("reading", "followed")},
        caption=say.text("reading.caption"),
    )
