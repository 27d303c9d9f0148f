"""The answer at each level of what it depends on, put together per level of the treatment."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from trialkit.decision.sentences import got_words, is_poorer, limits_words

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.responses import Response

#: More levels than this are counted, not told one by one.
MOST_TOLD = 4


def at_words(row: Mapping[Any, Any]) -> str:
    """Say where a row of `Verdict.by` holds: ``with dim light``, ``in batch B1``."""
    if row["factor"] == "batch":
        return f"in batch {row['at']}"
    return f"with {row['at']} {row['factor']}"


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


def cells_sentence(
    rows: pd.DataFrame, answer: str, response: Response, *, margin_pct: float, level: float
) -> str:
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

    Returns
    -------
    str
    """
    cells = rows.to_dict("records")
    name, against, factor = cells[0]["level"], cells[0]["reference"], cells[0]["factor"]
    everywhere = "in every batch" if factor == "batch" else f"at every level of {factor}"
    margin = f"the accepted {margin_pct:g} %"
    opening = {
        "depends": f"How {name} does against {against} depends on the {factor}",
        "better": f"{name} is better than {against} {everywhere}; how much depends on the {factor}",
        "no worse": f"{name} is not worse than {against} by more than {margin} {everywhere}; what "
        f"it gives depends on the {factor}",
        "worse": f"{name} is worse than {against} by more than {margin} {everywhere}; how much "
        f"depends on the {factor}",
        "not enough evidence": f"What {name} gives depends on the {factor}, and there is not "
        "enough evidence about it at any of them",
    }[answer]
    if len(cells) > MOST_TOLD:
        counts = rows["answer"].value_counts(sort=False)
        told = ", ".join(f"{kind} in {n}" for kind, n in counts.items())
        return f"{opening}: of {len(cells)}, {told} (joint {100 * level:g} % limits)."
    parts = [_cell(row, response, margin, level) for row in cells]
    return f"{opening}. {' '.join(parts)}"


def _cell(row: dict[Any, Any], response: Response, margin: str, level: float) -> str:
    where = at_words(row)
    where = where[0].upper() + where[1:]
    if math.isnan(row["ratio"]):
        return f"{where} the two cannot be compared."
    ending = {
        "better": "better",
        "no worse": f"not worse by more than {margin}",
        "worse": f"worse by more than {margin}",
        "not enough evidence": "not enough evidence",
    }[row["answer"]]
    if row["answer"] == "not enough evidence" and is_poorer(row, response):
        ending = f"a loss, but not clearly more or less than {margin}"
    limits = limits_words(row, response, margin=float(row["margin_ratio"]), level=level, joint=True)
    return f"{where} it {got_words(row, response)} ({limits}): {ending}."
