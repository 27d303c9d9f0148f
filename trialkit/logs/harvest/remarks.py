"""Remarks that say what the state column should: “green mould, thrown out”."""

from __future__ import annotations

import re
from collections.abc import Iterable

import numpy as np

from trialkit.errors import Finding
from trialkit.logs.harvest.entries import Sheet
from trialkit.logs.text.numbers import BLANKS
from trialkit.wording import finding, message, several

_DENIED = re.compile(r"\b(?:no|not|without|free of|kein|keine|ohne|nicht)\s+(?:\w+\s+)?$")


def tell_states_in_remarks(
    sheet: Sheet, cells: np.ndarray, words: Iterable[str], head: str
) -> list[Finding]:
    """Ask about remarks that sound like a lost block where the state is left empty.

    Parameters
    ----------
    sheet : Sheet
    cells : ndarray of str
        The state column as written; empty where the sheet has none.
    words : iterable of str
        Words for blocks that are contaminated or discarded.
    head : str
        Head of the state column; empty where the sheet has none.

    Returns
    -------
    list of Finding
        One, with the rows and what they say; none where no remark does.
    """
    pattern = re.compile(r"\b(?:" + "|".join(sorted(map(re.escape, words), key=len)[::-1]) + r")\b")
    rows = []
    for i, note in enumerate(sheet.note):
        text = str(note).casefold()
        if str(cells[i]).casefold() not in BLANKS or not text:
            continue
        found = pattern.search(text)
        if found and not _DENIED.search(text[: found.start()]):
            rows.append(i)
    if not rows:
        return []
    raw = sheet.opened.raw
    numbers = sheet.opened.account.rows
    told = [
        message("state_in_remark.row", row=int(numbers[i]), remark=str(sheet.note[i])) for i in rows
    ]
    form = "column" if head else "no_column"
    values = {"file": raw.name, "number": len(rows), "told": several(told, 4), "head": head}
    return [finding("state_in_remark", "caution", form=form, **values)]
