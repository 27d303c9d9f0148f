"""Whether the day or the month comes first in a column of dates, by all that the file tells."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from typing import Any

import numpy as np

from trialkit.logs.mapping.proposal import Question
from trialkit.logs.text.arrow import cell_texts
from trialkit.logs.text.times import read_moments
from trialkit.trial.trial import BatchDates
from trialkit.wording import message, place

_DAY_S = 86_400
_NS = 1_000_000_000
#: A logger that goes on from day to day never jumps this far; with day and month swapped it does.
_JUMP_S = 26 * _DAY_S
_ORDER = re.compile(
    r"(?<![a-z])(dd?(?=[/.\s-]+mm?(?![a-z]))|mm?(?=[/.\s-]+dd?(?![a-z])))[/.\s-]+[dm]{1,2}[/.\s-]+y",
    re.IGNORECASE,
)


def judge_order(cells: Any, head: str = "") -> bool | None:
    """Judge whether the day comes first; None where nothing tells.

    A head such as ``Time(mm/dd/yyyy)`` tells, unless the moments contradict it.
    With day and month swapped, the days of a log become the firsts of months: it jumps by a month
    at each midnight.

    Parameters
    ----------
    cells : Arrow array of text
    head : str
        Head of the column.

    Examples
    --------
    >>> import pyarrow as pa
    >>> judge_order(pa.array(["03/02/2031 23:50", "04/02/2031 00:00", "05/02/2031 00:10"]))
    True
    """
    seconds = {first: _seconds(cells, day_first=first) for first in (True, False)}
    jumps = {k: int(np.sum(np.diff(s) > _JUMP_S)) for k, s in seconds.items()}
    if min(map(len, seconds.values())) > 1 and min(jumps.values()) == 0 < max(jumps.values()):
        return jumps[True] == 0
    said = _ORDER.search(head)
    if said is None or any(jumps.values()):
        return None
    return said[1][0] in "dD"


def _seconds(cells: Any, *, day_first: bool) -> np.ndarray:
    """Give the moments of a column in one order, as seconds of the wall clock."""
    moments = read_moments(cells, day_first=day_first)
    return np.unique(moments.wall[moments.ok] // (_NS * _DAY_S)) * float(_DAY_S)


def ask_order(head: str, cells: Any, batches: Mapping[str, BatchDates]) -> Question:
    """Ask whether the day or the month comes first, with what speaks for either.

    Parameters
    ----------
    head : str
    cells : Arrow array of text
    batches : mapping
        The trial's batches: a date within one is likelier, but a logger may run outside them.
    """
    at = read_moments(cells).undecided[:1]
    cell = cell_texts(cells, at)[0]
    days = []
    for first in (True, False):
        wall = int(read_moments(cells, day_first=first).wall[at[0]])
        days.append(dt.date(1970, 1, 1) + dt.timedelta(seconds=wall // _NS))
    within = [next((n for n, b in batches.items() if _lies_in(day, b)), "") for day in days]
    values = {"head": head, "cell": cell, "first": days[0], "second": days[1]}
    said = message("question.order", **values)
    if bool(within[0]) != bool(within[1]):
        day = days[0] if within[0] else days[1]
        batch = place({"batch": within[0] or within[1]})
        said = message("question.order_batch", day=day, batch=batch, **values)
    return Question(
        said,
        (
            (message("answer.day_first", day=days[0]), {"day_first": True}),
            (message("answer.month_first", day=days[1]), {"day_first": False}),
        ),
    )


def _lies_in(day: dt.date, batch: BatchDates) -> bool:
    """Whether a day is within a batch of which start and end are known."""
    if batch.start is None or batch.end is None:
        return False
    return batch.start.date() <= day <= batch.end.date()
