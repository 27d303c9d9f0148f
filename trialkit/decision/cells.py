"""The answer at each level of what it depends on, put together per level of the treatment."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from trialkit.decision.sentences import (
    answer_key,
    confidence_number,
    is_poorer,
    limits_words,
    than_words,
)
from trialkit.wording import Joined, Message, Named, message

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.columns.response import Response

#: More levels than this are counted, not told one by one.
MOST_TOLD = 4


def at_words(row: Mapping[Any, Any]) -> Message:
    """Say, to begin a sentence, where a row of `Verdict.by` holds: ``With dim light``.

    Examples
    --------
    >>> str(at_words({"factor": "light", "at": "dim"})), str(at_words({"factor": "batch", "at": 3}))
    ('With dim light', 'In batch 3')
    """
    if row["factor"] == "batch":
        return message("at.batch", at=row["at"])
    return message("at.treatment", at=row["at"], factor=row["factor"])


def common_answer(answers: list[str]) -> str:
    """Give the answer that every level carries, or ``"depends"``.

    Examples
    --------
    >>> common_answer(["better", "no worse"]), common_answer(["better", "not enough evidence"])
    ('no worse', 'depends')
    """
    kinds = set(answers)
    if len(kinds) == 1:
        return answers[0]
    return "no worse" if kinds == {"better", "no worse"} else "depends"


def depends_form(factor: str) -> str:
    """Give the form of a sentence about what the effect depends on.

    Examples
    --------
    >>> depends_form("light"), depends_form("batch")
    ('treatment', 'batch')
    """
    return "batch" if factor == "batch" else "treatment"


def cells_sentence(
    rows: pd.DataFrame,
    answer: str,
    response: Response,
    *,
    margin_pct: float,
    level: float,
    shown: bool = True,
) -> Joined:
    """Say what one level of the treatment gave at each level of what it depends on.

    Parameters
    ----------
    rows : DataFrame
        Rows of `Verdict.by` of one level.
    answer : str
        What `common_answer` makes of them.
    response : Response
    margin_pct, level : float
        Accepted loss [%], and confidence of the limits.
    shown : bool
        Whether this level by itself was found to compare differently; else that is said.

    Returns
    -------
    Joined
        Says itself in the language in use.
    """
    cells = rows.to_dict("records")
    factor = cells[0]["factor"]
    words = {
        "level": cells[0]["level"],
        "reference": cells[0]["reference"],
        "factor": factor,
        "margin": margin_pct,
    }
    form = depends_form(factor)
    opening = message(f"cells.{answer_key(answer)}.{form}", **words)
    if not shown:
        opening = message(f"cells.alike.{answer_key(answer)}.{form}", **words)
    if len(cells) > MOST_TOLD:
        counts = rows["answer"].value_counts(sort=False)
        told = [
            message("cells.counted", answer=Named(f"row_answer.{name}"), times=int(n))
            for name, n in counts.items()
        ]
        more = message(
            "cells.all", cells=len(cells), told=told, confidence=confidence_number(level)
        )
        return Joined((opening, more))
    return Joined((opening, *(_cell(row, response, words, level) for row in cells)))


def _cell(
    row: dict[Any, Any], response: Response, words: Mapping[str, Any], level: float
) -> Message:
    where = at_words(row)
    if math.isnan(row["ratio"]):
        return message("cells.no_ratio", where=where)
    form = answer_key(row["answer"])
    if row["answer"] == "not enough evidence" and is_poorer(row, response):
        form = "loss_of_open_size"
    limits = limits_words(row, response, margin=float(row["margin_ratio"]), level=level, joint=True)
    return message(
        f"cells.at.{response.kind}",
        where=where,
        level=row["level"],
        limits=limits,
        than=than_words(row, response),
        ending=message(f"cells.ending.{form}", margin=words["margin"]),
    )
