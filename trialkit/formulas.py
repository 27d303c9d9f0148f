"""Tables that are safe to open in a spreadsheet."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from trialkit.visible_text import is_plain, visible

if TYPE_CHECKING:
    import pandas as pd

_PLAIN_NUMBER = re.compile(r"^[-+]\d[\d.,]*$")
_RISKY = ("=", "+", "-", "@", "\t", "\r")


def without_formulas(table: pd.DataFrame) -> pd.DataFrame:
    """Give a table whose texts no spreadsheet takes for a formula: such cells begin with ``'``.

    Control characters and other hidden marks become visible ones.

    Examples
    --------
    >>> import pandas as pd
    >>> without_formulas(pd.DataFrame({"old": ["=1+1", "-5", "B1"]}))["old"].tolist()
    ["'=1+1", '-5', 'B1']
    """
    import pandas as pd

    out = table.copy()
    for name in table.columns:
        if pd.api.types.is_object_dtype(table[name]) or pd.api.types.is_string_dtype(table[name]):
            out[name] = pd.Series([_harmless(c) for c in table[name]], index=table.index)
    return out


def _harmless(cell: object) -> object:
    risky = isinstance(cell, str) and cell.startswith(_RISKY) and not _PLAIN_NUMBER.match(cell)
    if isinstance(cell, str):
        cell = visible(cell) if not is_plain(cell) else cell
    return f"'{cell}" if risky else cell


def with_formulas(table: pd.DataFrame) -> pd.DataFrame:
    """Give back a table of texts that `without_formulas` made harmless.

    Examples
    --------
    >>> import pandas as pd
    >>> with_formulas(pd.DataFrame({"level": ["'=1+1", "usual"]}))["level"].tolist()
    ['=1+1', 'usual']
    """
    return table.map(lambda cell: cell[1:] if cell[:1] == "'" and cell[1:2] in _RISKY else cell)
