"""The chamber column of a file → chambers of the trial."""

from __future__ import annotations

import numpy as np

from trialkit.logs.reading import Opened, Reading
from trialkit.logs.text.names import match_names
from trialkit.wording import message, suggestion


def match_chambers(reading: Reading, opened: Opened, head: str) -> np.ndarray:
    """Match the cells of a column with the chambers; rows of others are set aside.

    Returns
    -------
    ndarray of int
        Index of each row's chamber; -1 where it is none of the trial's.
    """
    chambers = reading.trial.levels["chamber"]
    names = match_names(opened.raw.columns[head], chambers, given=reading.spec.chamber)
    unknown = np.flatnonzero(names.codes < 0)
    if len(unknown):
        cells = np.array(names.cells, dtype=object)[names.cell_of[unknown]]
        hints = {c: suggestion(c, chambers) for c in set(cells)}
        opened.account.set_aside(
            unknown, rule="chamber unknown", column=head, old=cells, keepable=False,
            reason=message("row_reason.chamber_unknown"),
            remedy=[message("row_remedy.chamber_unknown", hint=hints[c], cell=c) for c in cells],
        )  # fmt: skip
    return names.codes
