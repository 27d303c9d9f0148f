"""Results with one main table: as a table of pandas, and as plain Python values."""

from __future__ import annotations

import math
from operator import attrgetter
from typing import TYPE_CHECKING, Any, ClassVar

if TYPE_CHECKING:
    import pandas as pd

_FINDING = ("code", "severity", "message", "remedy")


class Tabular:
    """A result with one main table. Classes name that table and what `to_dict` holds."""

    _frame: ClassVar[str] = "table"
    _entries: ClassVar[tuple[str, ...]] = ("table", "findings")

    def to_frame(self) -> pd.DataFrame:
        """Give the main table of this result, raw numbers, as a copy.

        Returns
        -------
        DataFrame
            A name that rows have of their own, such as that of a coefficient, is a column.

        Examples
        --------
        >>> import trialkit as tk
        >>> skeleton = tk.strata(tk.read_trial(tk.demo_folder()))
        >>> skeleton.to_frame()["source"].tolist()[:3]
        ['error', 'schedule', 'error']
        """
        table: pd.DataFrame = getattr(self, self._frame)
        return table.reset_index() if table.index.name else table.copy()

    def to_dict(self) -> dict[str, Any]:
        """Give this result as plain Python values, ready for `json.dumps`.

        Returns
        -------
        dict
            Numbers, text, lists and dicts; a table is a list of rows, a finding its code,
            severity, message and remedy; missing and infinite numbers are None.

        Examples
        --------
        >>> import trialkit as tk
        >>> skeleton = tk.strata(tk.read_trial(tk.demo_folder())).to_dict()
        >>> skeleton["table"][0]["source"], skeleton["table"][0]["df"]
        ('error', 3)
        """
        values = {path.rpartition(".")[2]: attrgetter(path)(self) for path in self._entries}
        return {
            name: plain_value(value() if callable(value) else value)
            for name, value in values.items()
        }


def plain_value(value: Any) -> Any:
    """Turn a result's values into what JSON can hold; missing numbers become None.

    Examples
    --------
    >>> plain_value({"p": float("nan"), "levels": ("a", "b")})
    {'p': None, 'levels': ['a', 'b']}
    """
    if isinstance(value, dict):
        return {str(k): plain_value(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain_value(v) for v in value]
    if isinstance(value, (set, frozenset)):
        return sorted((plain_value(v) for v in value), key=str)
    if hasattr(value, "to_dict") and hasattr(value, "columns"):
        frame = value.reset_index() if value.index.name else value
        return [plain_value(row) for row in frame.to_dict("records")]
    if hasattr(value, "to_dict"):
        return plain_value(value.to_dict())
    if hasattr(value, "severity"):
        return {name: str(getattr(value, name)) for name in _FINDING}
    if hasattr(value, "tolist"):  # numbers and arrays of numpy
        value = value.tolist()
        if isinstance(value, list):
            return plain_value(value)
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, (bool, int, str)):
        return value
    return None if str(value) == "NaT" else str(value)
