"""A harvest sheet whose weights stand under a head that nothing names."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from trialkit.columns import value_columns
from trialkit.logs.heads import Columns, UnnamedColumnsError
from trialkit.logs.mapping.head_words import named_score
from trialkit.logs.text.arrow import encode_cells
from trialkit.logs.text.numbers import BLANKS
from trialkit.trial import Trial
from trialkit.visible_text import quote

#: Response that is worked out from another column → that column; one from dates needs none.
_FROM = {"be_pct": "fresh_g", "days": ""}


def refuse_unnamed_weights(
    trial: Trial, file: str, cells: Mapping[str, Any], found: Columns
) -> None:
    """Refuse a sheet none of whose weights would be read, though a head speaks of them.

    Read without them it would look like a sheet in which nobody wrote a weight down.

    Parameters
    ----------
    trial : Trial
    file : str
        For the message.
    cells : mapping
        Head → its cells.
    found : Columns
        Those that were found.

    Raises
    ------
    UnnamedColumnsError
        If the response has no column, the other value columns are empty, and the head of a
        filled one that is not read says the response.
    """
    response = trial.question.response
    wanted = _FROM.get(response, response)
    if not wanted or wanted in found.heads or wanted in trial.logs["harvest"].columns:
        return
    read = [found.heads[c] for c in value_columns("harvest", trial.columns) if c in found.heads]
    if any(_is_filled(cells[head]) for head in read if head in cells):
        return
    used = {part for head in found.heads.values() for part in head.split(" + ")}
    for head in cells:
        speaks = head not in used and named_score(head, wanted, trial.columns)[0] > 0
        if speaks and _is_filled(cells[head]):
            raise UnnamedColumnsError(
                f"{file}: no column is called {wanted}, but {quote(head, 40)} may be it → name "
                "its columns under columns in [logs.harvest]"
            )


def _is_filled(column: Any) -> bool:
    texts, codes = encode_cells(column)
    filled = np.array([t.strip().casefold() not in BLANKS for t in texts] or [False])
    return bool(filled[codes].any()) if len(codes) else False
