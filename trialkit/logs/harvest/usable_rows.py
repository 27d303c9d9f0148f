"""Harvest sheets of which no row can be used, and why."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from trialkit.errors import Finding
from trialkit.logs.harvest.entries import Sheet
from trialkit.visible_text import brief
from trialkit.wording import finding, several

#: Rows of a printed sheet that wait to be filled in; no fault of the sheet.
_WAITING = "not filled in"


def tell_no_usable_row(sheets: Sequence[Sheet]) -> list[Finding]:
    """Tell sheets of which no row can be used, with the reason of most rows.

    Parameters
    ----------
    sheets : sequence of Sheet
        All sheets of the log, once every rule has been applied.

    Returns
    -------
    list of Finding
        One at most: a stop where rows are lost or there are none, a note where all of them wait
        to be filled in.
    """
    accounts = [sheet.opened.account for sheet in sheets]
    if any(account.alive.any() for account in accounts):
        return []
    files = several([account.file for account in accounts], 4)
    lines = [x for account in accounts for x in account.lines if x["action"] == "set aside"]
    count = sum(len(account.rows) for account in accounts)
    if not count:
        return [finding("no_usable_row", "stop", form="none", files=files)]
    lost = [line for line in lines if line["rule"] != _WAITING]
    if not lost:
        return [finding("no_usable_row", "note", form="waiting", files=files, number=count)]
    worst = max(lost, key=lambda line: int(np.sum(line["rows"])))
    values = {
        "files": files,
        "number": count,
        "share": int(np.sum(worst["rows"])),
        "old": brief(str(_first(worst["old"]))),
        "reason": _first(worst["reason"]),
        "remedy": _first(worst["remedy"]),
    }
    return [finding("no_usable_row", "stop", form="lost", **values)]


def _first(cell: Any) -> Any:
    """Give what is said of all rows, or of the first."""
    return cell[0] if isinstance(cell, (np.ndarray, list, tuple)) else cell
