"""Tables that are safe to open in a spreadsheet."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

_PLAIN_NUMBER = re.compile(r"^[-+]\d[\d.,]*$")
_RISKY = ("=", "+", "-", "@", "\t", "\r")


def without_formulas(table: pd.DataFrame) -> pd.DataFrame:
    """Give a table whose texts no spreadsheet takes for a formula: such cells begin with ``'``.

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
    return f"'{cell}" if risky else cell
